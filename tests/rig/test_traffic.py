"""What goes onto the simulated bus, decoded by other means than our own."""

from collections.abc import Callable, Iterable
from itertools import pairwise

import cantools
import pytest
from cantools.database.can import Database

from faultlamp.frames import Frame
from faultlamp.resources import shipped
from faultlamp.rig.generator import generate
from faultlamp.rig.loading import load_scenario
from faultlamp.rig.scenario import Scenario
from faultlamp.rig.shipped import find_scenario, scenario_names

S = 1_000_000_000
MS = 1_000_000
DM1, DM2 = 65226, 65227

Load = Callable[[str], Scenario]
Ears = Callable[[Iterable[Frame]], list]

TWO_FAULTS = """
[[fault]]
ecu = "engine"
spn = 110
fmi = 3
present = [["run+2.5", "run+6.3"]]
lamps = ["amber_warning"]
error = [110]

[[fault]]
ecu = "engine"
spn = 520200
fmi = 31
present = [["run+4", "end"]]
lamps = ["red_stop"]
flash = "fast"
count_before = 4
"""


@pytest.fixture(scope="module")
def database() -> Database:
    """The shipped layouts, read by cantools."""
    loaded = cantools.database.load_file(shipped("dbc") / "faultlamp-j1939.dbc")
    assert isinstance(loaded, Database)
    return loaded


def of_group(frames: Iterable[Frame], pgn: int, source: int = 0) -> list[Frame]:
    """The single frames of a PDU2 group from one source."""
    return [frame for frame in frames if frame.can_id & 0x3FFFFFF == pgn << 8 | source]


# ---- readings ---------------------------------------------------------------------------------------------------


def test_engine_speed_has_the_standards_place_and_scale(small: str, load: Load) -> None:
    """EEC1 bytes 4 and 5, low byte first, 0.125 rpm a bit (SAE J1939-71, as the public library Laixer J1939 has it)."""
    frames = of_group(generate(load(small)), 61444)
    speeds = {frame.time_ns: int.from_bytes(frame.data[3:5], "little") * 0.125 for frame in frames}
    assert {speed for time_ns, speed in speeds.items() if time_ns < 5 * S} == {0.0}
    for time_ns, speed in speeds.items():
        if time_ns > 5 * S:
            # from 800 to 1000 rpm in 4 s, up to 1 ms of waiting for the bus and half a bit of rounding
            expected = min(800 + (time_ns / S - 5) * 50, 1000)
            assert speed == pytest.approx(expected, abs=0.125)


def test_a_decoder_reads_the_values_that_the_scenario_gives(small: str, load: Load, database: Database) -> None:
    """cantools decodes the given values, and what nobody gave is the raw 'not available' of its length."""
    frames = list(generate(load(small)))
    eec1, et1 = database.get_message_by_name("EEC1"), database.get_message_by_name("ET1")
    coolant = {signal.spn: signal.name for signal in et1.signals}[110]
    for frame in of_group(frames, 65262):
        assert et1.decode(frame.data)[coolant] == 85
        # SAE J1939-71 section 5.1.4: FF in every byte that is not available
        assert frame.data[1:] == b"\xff" * 7
    assert len(of_group(frames, 65262)) == 15
    torque = {signal.spn: signal.name for signal in eec1.signals}[513]
    raw = eec1.decode(of_group(frames, 61444)[0].data, scaling=False)
    assert raw[torque] == 255


def test_error_and_not_available_follow_the_windows(small: str, load: Load) -> None:
    """Inside its window a reading is FE (error) or FF (not available), outside it the number (J1939-71, 5.1.4)."""
    text = small + """
[[override]]
spn = 110
state = "not_available"
windows = [[2, 4]]

[[override]]
ecu = "engine"
spn = 190
state = "error"
windows = [["run+1", "run+2"]]
"""
    frames = list(generate(load(text)))
    coolant = [(frame.time_ns / S, frame.data[0]) for frame in of_group(frames, 65262)]
    assert [raw for at, raw in coolant if 2 <= at < 4] == [255, 255]
    assert {raw for at, raw in coolant if not 2 <= at < 4} == {85 + 40}
    speed = [(frame.time_ns / S, frame.data[4]) for frame in of_group(frames, 61444)]
    assert {high for at, high in speed if 6.01 <= at < 7} == {0xFE}
    assert 0xFE not in {high for at, high in speed if not 6 <= at < 7.01}


def test_phases_take_over_from_each_other(small: str, load: Load) -> None:
    """A phase's value holds in it; then [values] again, or what the phase before left, or what an alike phase said."""
    text = small.replace("190 = 0", "190 = 0\n110 = 20\n174 = 30").replace(
        'name = "off"\nkind = "key_off"\nduration_s = 3',
        'name = "idle"\nkind = "running"\nduration_s = 3\nlike = "on"\n[phase.values]\n174 = 41',
    )
    frames = of_group(generate(load(text)), 65262)
    read = [(frame.data[0] - 40, frame.data[1] - 40) for frame in frames]
    assert read == [(20, 30)] * 5 + [(85, 30)] * 10 + [(20, 41)] * 3


def test_a_ripple_is_cut_at_the_limits_of_its_reading(small: str, load: Load) -> None:
    """A level at the top of SPN 110's range (raw 250 = 210 degC, SAE J1939-71 section 5.1.4) never becomes a code."""
    text = small.replace("110 = 85", "110 = { constant = 210, ripple = 30, ripple_period_s = 7 }")
    raw = {frame.data[0] for frame in of_group(generate(load(text)), 65262)}
    assert max(raw) == 250
    assert min(raw) < 240


# ---- key, claim, identity ---------------------------------------------------------------------------------------


def test_key_off_is_silence(small: str, load: Load) -> None:
    """No frame before key on plus boot time, none after key off."""
    before = '[[phase]]\nname = "before"\nkind = "key_off"\nduration_s = 2\n\n'
    first_off = small.replace("[[phase]]", before + "[[phase]]", 1)
    times = [frame.time_ns for frame in generate(load(first_off))]
    assert times[0] > 2 * S + 100 * MS
    assert times[-1] < 17 * S


def test_a_transfer_under_way_at_key_off_is_finished(small: str, load: Load) -> None:
    """A broadcast that key off interrupts still ends; nothing else is sent then, not even what waited for its turn."""
    text = small.replace("duration_s = 5", "duration_s = 0.5").replace('kind = "running"', 'kind = "key_off"')
    text = text.replace("[ecu.identity]", '[ecu.identity]\nsoftware = ["INVENTED 1"]')
    late = [frame for frame in generate(load(text)) if frame.time_ns > 500 * MS]
    assert [(frame.can_id >> 16 & 0xFF, frame.data[0]) for frame in late] == [(0xEB, 2)]
    assert late[-1].time_ns < 700 * MS


def test_key_on_claims_the_address_and_says_that_it_is_invented(small: str, load: Load, ears: Ears) -> None:
    """First comes the address claim (SAE J1939-81), soon a VIN (PGN 65260, ended by a star) that says INVENTED."""
    heard = ears(generate(load(small)))
    assert (heard[0].pgn, heard[0].destination) == (60928, 255)
    vins = [message.data for message in heard if message.pgn == 65260]
    assert vins == [b"INVENTED000000001*"]


def test_claim_has_the_published_layout(small: str, load: Load) -> None:
    """The NAME of python-can-j1939's test/test_ca.py: 87 D6 52 53 82 C9 FE 52, there with the same fields."""
    claim = (
        "{ identity_number = 1234567, manufacturer_code = 666, ecu_instance = 2, function_instance = 16,"
        " function = 201, vehicle_system = 127, vehicle_system_instance = 2, industry_group = 5 }"
    )
    first = next(generate(load(small.replace("{ function = 0 }", claim))))
    assert first.data == bytes.fromhex("87 D6 52 53 82 C9 FE 52")
    assert first.can_id == 0x18EEFF00


def test_arbitrary_address_bit(small: str, load: Load) -> None:
    """The NAME of Laixer J1939's test_to_bytes: 09 03 4B 24 11 05 0C 85."""
    claim = (
        "{ identity_number = 721673, manufacturer_code = 290, ecu_instance = 1, function_instance = 2, function = 5,"
        " vehicle_system = 6, vehicle_system_instance = 5, industry_group = 0, arbitrary_address = true }"
    )
    assert next(generate(load(small.replace("{ function = 0 }", claim)))).data == bytes.fromhex("09034B2411050C85")


# ---- trouble codes ----------------------------------------------------------------------------------------------


def test_healthy_dm1_once_a_second(small: str, load: Load, ears: Ears) -> None:
    """Without a code DM1 still comes every second, with the 'no fault' zeros (SAE J1939-73, section 5.7.1)."""
    reports = [message for message in ears(generate(load(small))) if message.pgn == DM1]
    # after the lamp check: all lamps off, flash bits 'not available', no code, filled with FF
    assert {message.data.hex() for message in reports if message.times_ns[0] > 3 * S} == {"00ff00000000ffff"}
    gaps = [later.times_ns[0] - earlier.times_ns[0] for earlier, later in pairwise(reports)]
    assert max(gaps) <= 1001 * MS
    assert len(reports) == pytest.approx(15, abs=1)


def test_lamp_check_at_key_on(small: str, load: Load, ears: Ears) -> None:
    """For 2 s after key on the engine asks for all four lamps (byte 1 = 01 01 01 01), steadily, and then not."""
    for message in ears(generate(load(small))):
        if message.pgn == DM1:
            assert message.data[0] == (0x55 if message.times_ns[0] < 2 * S else 0x00)
            assert message.data[1] == 0xFF


def test_codes_and_lamps_have_the_published_bytes(small: str, load: Load, ears: Ears) -> None:
    """Worked by hand from SAE J1939-73 section 5.7.1: 110/3/1 is 6E 00 03 01, 520200/31/5 is 08 F0 FF 05."""
    reports = [(m.times_ns[-1] / S, m.data.hex(" ").upper()) for m in ears(generate(load(small + TWO_FAULTS)))
               if m.pgn == DM1]
    amber_alone = "04 FF 6E 00 03 01 FF FF"
    both = "14 DF 6E 00 03 01 08 F0 FF 05"  # red bits 6-5 = 01 and its flash bits 01: fast
    red_alone = "10 DF 08 F0 FF 05 FF FF"
    assert {data for at, data in reports if 7.6 < at < 9} == {amber_alone}
    assert {data for at, data in reports if 9.2 < at < 11.3} == {both}
    assert {data for at, data in reports if at > 11.5} == {red_alone}


def test_dm1_comes_at_once_on_change(small: str, load: Load, ears: Ears) -> None:
    """A DM1 starts within a few ms of each change, and at most 1 s later the next (J1939-73 section 5.7.1)."""
    starts = [m.times_ns[0] for m in ears(generate(load(small + TWO_FAULTS))) if m.pgn == DM1]
    for change_ns in (7_500 * MS, 9_000 * MS, 11_300 * MS):
        assert min(start - change_ns for start in starts if start >= change_ns) < 3 * MS
    assert max(later - earlier for earlier, later in pairwise(starts)) <= 1001 * MS


def test_lamps_that_a_controller_has_not_are_not_available(small: str, load: Load, ears: Ears) -> None:
    """Two bits 11 for malfunction indicator and protect lamp, 00 for the two it has (J1939-73 section 5.7.1)."""
    text = small.replace("address = 0", 'address = 0\nlamps = ["amber_warning", "red_stop"]\nlamp_check_s = 0')
    assert {m.data[:2].hex() for m in ears(generate(load(text))) if m.pgn == DM1} == {"c3ff"}


def test_a_more_urgent_flash_wins_a_shared_lamp(small: str, load: Load, ears: Ears) -> None:
    """Two codes ask for amber, slowly flashing (00) and steadily (11): the flashing shows."""
    text = small + "".join(
        f'[[fault]]\necu = "engine"\nspn = {spn}\nfmi = 4\npresent = [[3, "end"]]\nlamps = ["amber_warning"]\n'
        f'flash = "{flash}"\n'
        for spn, flash in ((100, "slow"), (102, "steady"))
    )
    assert {m.data[:2].hex() for m in ears(generate(load(text))) if m.pgn == DM1 and m.times_ns[0] > 3 * S} == {
        "04f3"
    }


def test_spoiled_reading_follows_the_cause_and_not_the_code(small: str, load: Load) -> None:
    """Coolant temperature is FE exactly while the connector is off."""
    raw = [(f.time_ns / S, f.data[0]) for f in of_group(generate(load(small + TWO_FAULTS)), 65262)]
    assert {value for at, value in raw if 7.5 <= at < 11.3} == {0xFE}
    assert {value for at, value in raw if not 7.5 <= at < 11.3} == {125}


def test_changes_during_a_transfer_come_in_one_message_after_it(small: str, load: Load, ears: Ears) -> None:
    """One broadcast at a time (SAE J1939-21, 5.10.1): two codes that appear while DM1 is under way wait for its end."""
    text = small + "".join(
        f'[[fault]]\necu = "engine"\nspn = {spn}\nfmi = 4\npresent = [[{at}, "end"]]\n'
        for spn, at in ((100, 8), (102, 8), (105, 8), (108, 8.05), (109, 8.1))
    )
    reports = [m for m in ears(generate(load(text))) if m.pgn == DM1 and 8 * S <= m.times_ns[0] < 9 * S]
    # 3 codes: 14 bytes in 2 packets, 120 ms; then 5 codes: 22 bytes in 4 packets
    assert [len(message.data) for message in reports] == [14, 22]
    assert 50 * MS <= reports[1].times_ns[0] - reports[0].times_ns[-1] <= 200 * MS


# ---- requests ---------------------------------------------------------------------------------------------------


def test_stored_codes_by_broadcast_when_all_are_asked(small: str, load: Load, ears: Ears) -> None:
    """A request to 255 (18EAFFF9 CB FE 00) gets DM2 with the codes that were and are no longer active."""
    text = small + TWO_FAULTS.replace('"end"', '"run+5"') + '[[request]]\nat = "run+8"\nfrom = 249\npgn = 65227\n'
    frames = list(generate(load(text)))
    asked = next(frame for frame in frames if frame.can_id & 0xFF == 249)
    assert (asked.can_id, asked.data) == (0x18EAFFF9, bytes.fromhex("CBFE00"))
    answers = [message for message in ears(frames) if message.pgn == DM2]
    assert [(m.destination, m.data.hex(" ").upper()) for m in answers] == [
        (255, "00 FF 6E 00 03 01 08 F0 FF 05")
    ]
    # SAE J1939-21 section 5.12.3, from memory: an answer starts within 200 ms
    assert 0 < answers[0].times_ns[0] - asked.time_ns < 200 * MS


def test_stored_codes_by_connection_when_one_is_asked(small: str, load: Load) -> None:
    """Asked alone, the engine sends more than 8 bytes as RTS, CTS, packets, acknowledgement (J1939-21 5.10.3)."""
    text = small + TWO_FAULTS.replace('"end"', '"run+5"') + '[[request]]\nat = "run+8"\nfrom = 249\nto = 0\npgn = 65227'
    frames = [f for f in generate(load(text)) if f.can_id >> 16 & 0xFF in (0xEC, 0xEB, 0xEA) and f.time_ns > 13 * S]
    assert [(f"{frame.can_id:08X}", frame.data.hex(" ").upper()) for frame in frames] == [
        ("18EA00F9", "CB FE 00"),
        ("1CECF900", "10 0A 00 02 FF CB FE 00"),
        ("1CEC00F9", "11 02 01 FF FF CB FE 00"),
        ("1CEBF900", "01 00 FF 6E 00 03 01 08"),
        ("1CEBF900", "02 F0 FF 05 FF FF FF FF"),
        ("1CEC00F9", "13 0A 00 02 FF CB FE 00"),
    ]
    # SAE J1939-21 section 5.10.2.4, from memory: T1 750 ms and T2, T3 1250 ms are never used up
    assert max(later.time_ns - earlier.time_ns for earlier, later in pairwise(frames)) < 200 * MS


@pytest.mark.parametrize(
    ("to", "expected"),
    [
        # SAE J1939-21 section 5.4.4: 01 = refused, byte 5 the asking address, bytes 6-8 the group; broadcast
        pytest.param(0, ["18E8FF00 01 FF FF FF F9 D3 FE 00"], id="asked-alone-refuses"),
        # SAE J1939-21 section 5.4.2, from memory: never refuse what everybody was asked
        pytest.param(255, [], id="asked-with-all-stays-silent"),
        pytest.param(7, [], id="somebody-else"),
    ],
)
def test_a_group_that_is_not_there(small: str, load: Load, to: int, expected: list[str]) -> None:
    """A request for DM11 is refused to one that asks the engine alone, and unanswered otherwise."""
    frames = generate(load(small + f"[[request]]\nat = 8\nfrom = 249\nto = {to}\npgn = 65235\n"))
    refusals = [frame for frame in frames if frame.can_id >> 16 & 0xFF == 0xE8]
    assert [f"{frame.can_id:08X} {frame.data.hex(' ').upper()}" for frame in refusals] == expected


def test_what_another_address_is_asked_stays_unanswered(small: str, load: Load) -> None:
    """A request to address 7 changes nothing but itself."""
    asked = list(generate(load(small + "[[request]]\nat = 8.5\nfrom = 249\nto = 7\npgn = 65227\n")))
    assert [frame for frame in asked if frame.can_id != 0x18EA07F9] == list(generate(load(small)))


@pytest.mark.parametrize(
    ("pgn", "first_bytes"),
    [(60928, "00 00 E0 FF"), (65262, "7D FF FF FF"), (65226, "00 FF 00 00"), (65227, "00 FF 00 00")],
    ids=["address-claim", "periodic-group", "dm1", "dm2-without-codes"],
)
def test_what_it_has_it_sends_on_request(small: str, load: Load, ears: Ears, pgn: int, first_bytes: str) -> None:
    """Within 200 ms of the request there is one message more of that group than without it."""
    asked = load(small + f"[[request]]\nat = 8.5\nfrom = 249\npgn = {pgn}\n")
    heard = [m for m in ears(generate(asked)) if m.pgn == pgn and 8_500 * MS < m.times_ns[0] < 8_700 * MS]
    silent = [m for m in ears(generate(load(small))) if m.pgn == pgn and 8_500 * MS < m.times_ns[0] < 8_700 * MS]
    assert len(heard) == len(silent) + 1
    assert heard[0].data.hex(" ").upper().startswith(first_bytes)


# ---- the whole, on every shipped scenario -----------------------------------------------------------------------


@pytest.mark.parametrize("name", scenario_names())
def test_broadcasts_keep_their_spacing(name: str, ears: Ears) -> None:
    """50 to 200 ms between the frames of every broadcast (SAE J1939-21, section 5.10.3)."""
    heard = ears(generate(load_scenario(find_scenario(name))))
    broadcasts = [message for message in heard if len(message.times_ns) > 1 and message.destination == 255]
    assert broadcasts
    for message in broadcasts:
        for earlier, later in pairwise(message.times_ns):
            assert 50 * MS <= later - earlier <= 200 * MS


@pytest.mark.parametrize("name", scenario_names())
def test_one_frame_after_the_other(name: str) -> None:
    """At 500 kbit/s no two frames end closer than the second one lasts: (67 + 8n) bits (ISO 11898-1) at least."""
    frames = list(generate(load_scenario(find_scenario(name))))
    for earlier, later in pairwise(frames):
        assert later.time_ns - earlier.time_ns >= (67 + 8 * len(later.data)) * 2000


@pytest.mark.parametrize("name", scenario_names())
def test_the_same_every_time(name: str) -> None:
    """Two runs give the same frames, and the start moves all of them alike."""
    scenario = load_scenario(find_scenario(name))
    assert list(generate(scenario)) == list(generate(scenario))
    for moved, frame in zip(generate(scenario, 7 * S, "can3"), generate(scenario), strict=True):
        assert moved == Frame(frame.time_ns + 7 * S, "can3", frame.can_id, frame.data)


@pytest.mark.parametrize("name", scenario_names())
def test_frames_of_controllers_interleave(name: str) -> None:
    """Packets of different sources' broadcasts stand between each other, as on a real bus."""
    frames = generate(load_scenario(find_scenario(name)))
    packets = [frame.can_id & 0xFF for frame in frames if frame.can_id >> 16 & 0xFF == 0xEB]
    assert sum(earlier != later for earlier, later in pairwise(packets)) > 6


# ---- clearing in a recording ------------------------------------------------------------------------------------

CLEAR = '[[request]]\nat = {at}\nfrom = 249\nto = {to}\npgn = {pgn}\n'
STILL_WRONG = '[[fault]]\necu = "engine"\nspn = 110\nfmi = 3\npresent = [[1, "end"]]\n'
STORED = '[[fault]]\necu = "engine"\nspn = 102\nfmi = 4\ncount_before = 2\n'


def dm1_codes(frames: Iterable[Frame], ears: Ears) -> list[tuple[float, str]]:
    """Seconds and codes of each DM1, without lamps."""
    return [(m.times_ns[0] / S, m.data[2:].hex(" ").upper()) for m in ears(frames) if m.pgn == DM1]


@pytest.mark.parametrize(("to", "answers"), [(0, ["00 FF FF FF F9 D3 FE 00"]), (255, [])], ids=["alone", "with-all"])
def test_a_scripted_clearing_of_all_codes(small: str, load: Load, ears: Ears, to: int, answers: list[str]) -> None:
    """DM11 with the engine stopped (SAE J1939-73, 5.7.11): acknowledged, the codes go, the wrong one is back soon."""
    text = small + STILL_WRONG + STORED + CLEAR.format(at=3.3, to=to, pgn=65235)
    text += CLEAR.format(at=4.5, to=255, pgn=DM2)
    frames = list(generate(load(text)))
    acknowledged = [frame.data.hex(" ").upper() for frame in frames if frame.can_id >> 16 & 0xFF == 0xE8]
    assert acknowledged == answers
    codes = dm1_codes(frames, ears)
    assert {code for at, code in codes if 1.1 < at < 3.3} == {"6E 00 03 01 FF FF"}
    assert {code for at, code in codes if 3.31 < at < 3.8} == {"00 00 00 00 FF FF"}
    assert {code for at, code in codes if at > 3.9} == {"6E 00 03 01 FF FF"}
    assert [m.data[2:].hex() for m in ears(frames) if m.pgn == DM2] == ["00000000ffff"]


def test_a_scripted_clearing_of_stored_codes(small: str, load: Load, ears: Ears) -> None:
    """DM3 leaves the active code with its count; DM2 before and after tells the difference."""
    text = small + STILL_WRONG + STORED + "".join(
        CLEAR.format(at=at, to=255, pgn=pgn) for at, pgn in ((3, DM2), (3.3, 65228), (4, DM2))
    )
    frames = list(generate(load(text)))
    assert {code for at, code in dm1_codes(frames, ears) if at > 1.1} == {"6E 00 03 01 FF FF"}
    assert [m.data[2:].hex() for m in ears(frames) if m.pgn == DM2] == ["66000402ffff", "00000000ffff"]


def test_a_scripted_clearing_is_refused_while_the_engine_runs(small: str, load: Load, ears: Ears) -> None:
    """The controller says no, and nothing changes (common practice, no source)."""
    text = small + STILL_WRONG + CLEAR.format(at=8.5, to=0, pgn=65235)
    frames = list(generate(load(text)))
    assert [frame.data[0] for frame in frames if frame.can_id >> 16 & 0xFF == 0xE8] == [1]
    assert {code for at, code in dm1_codes(frames, ears) if at > 1.1} == {"6E 00 03 01 FF FF"}


def test_a_clearing_is_forgotten_the_next_time(small: str, load: Load) -> None:
    """`generate` is pure: a second time gives the same frames as the first."""
    scenario = load(small + STORED + CLEAR.format(at=3.3, to=0, pgn=65228) + CLEAR.format(at=4, to=0, pgn=DM2))
    once = list(generate(scenario))
    assert list(generate(scenario)) == once
