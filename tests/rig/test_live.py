"""The rig on a live bus, in simulated time: a tool asks, and what it hears is checked against the standards."""

from collections.abc import Callable
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from faultlamp.frames import FD, Frame
from faultlamp.rig.generator import generate
from faultlamp.rig.live import LiveRig
from faultlamp.rig.loading import load_scenario
from faultlamp.rig.responder import MOST_QUESTIONS
from faultlamp.rig.scenario import Scenario
from faultlamp.rig.shipped import find_scenario
from support.rig_tool import ACKNOWLEDGEMENT, MS, TOOL, RigTool, S

DM1, DM2, DM3, DM11, DM22 = 65226, 65227, 65228, 65235, 49920
VIN = 65260

Load = Callable[[str], Scenario]

# 110/3 while the tool looks, 102/4 stored since before: 6E 00 03 01 and 66 00 04 02 (SAE J1939-73, section 5.7.1).
CODES = """
[[fault]]
ecu = "engine"
spn = 110
fmi = 3
present = [["on+1", "end"]]
lamps = ["amber_warning"]

[[fault]]
ecu = "engine"
spn = 102
fmi = 4
count_before = 2
"""
ACTIVE, STORED, NONE = "6E 00 03 01 FF FF", "66 00 04 02 FF FF", "00 00 00 00 FF FF"


@pytest.fixture
def standing(small: str) -> str:
    """The small scenario with a long key on, engine stopped, and two codes."""
    return small.replace("duration_s = 5", "duration_s = 60") + CODES


def acknowledged(pgn: int, answer: int) -> str:
    """SAE J1939-21, section 5.4.4: 00 done, 01 refused; byte 5 the asking address; group in bytes 6-8."""
    return f"{answer:02X} FF FF FF {TOOL:02X} {pgn.to_bytes(3, 'little').hex(' ').upper()}"


# ---- asking -----------------------------------------------------------------------------------------------------


def test_without_questions_it_plays_the_scenario(standing: str, load: Load) -> None:
    """What goes onto the bus is what `generate` makes of the scenario, frame by frame, and then it is over."""
    tool = RigTool(load(standing))
    tool.wait_until(100)
    assert [(f.can_id, f.data) for f in tool.bus.frames] == [(f.can_id, f.data) for f in generate(load(standing))]
    assert tool.rig.done


def test_vin_by_connection_when_one_is_asked(standing: str, load: Load) -> None:
    """Asked alone, 18 bytes come as RTS, packets and acknowledgement (SAE J1939-21, section 5.10.3), text and star."""
    tool = RigTool(load(standing))
    tool.wait_until(3)
    begin = len(tool.bus.frames)
    answers = tool.ask(VIN)
    assert [(a.destination, a.payload) for a in answers] == [(TOOL, b"INVENTED000000001*")]
    # SAE J1939-21, section 5.12.3, from memory: an answer begins within 200 ms
    assert 0 < answers[0].after_s < 0.2
    talk = [f.can_id >> 8 & 0xFFFF for f in tool.bus.frames[begin:] if f.can_id >> 16 & 0xFF in (0xEC, 0xEB, 0xEA)]
    assert talk == [0xEA00, 0xECF9, 0xEC00, 0xEBF9, 0xEBF9, 0xEBF9, 0xEC00]


def test_vin_by_broadcast_when_all_are_asked(standing: str, load: Load) -> None:
    """Asked by address 255 it comes to everybody, 50 to 200 ms between its frames (SAE J1939-21, section 5.10.3)."""
    tool = RigTool(load(standing))
    tool.wait_until(3)
    begin = len(tool.bus.frames)
    assert [(a.source, a.destination) for a in tool.ask(VIN, to=255)] == [(0, 255)]
    times = [f.time_ns for f in tool.bus.frames[begin:] if f.can_id >> 16 & 0xFF in (0xEC, 0xEB)]
    assert len(times) == 4
    assert all(50 * MS <= later - earlier <= 200 * MS for earlier, later in pairwise(times))


@pytest.mark.parametrize(
    ("to", "expected"),
    [
        # SAE J1939-21, section 5.4.2, from memory: refuse to the one that asks alone, never to a question to all
        pytest.param(0, [acknowledged(65279, 1)], id="asked-alone-refuses"),
        pytest.param(255, [], id="asked-with-all-stays-silent"),
        pytest.param(9, [], id="somebody-else"),
    ],
)
def test_a_group_that_is_not_there(standing: str, load: Load, to: int, expected: list[str]) -> None:
    """A group that the engine does not have is refused, or left unanswered."""
    tool = RigTool(load(standing))
    tool.wait_until(3)
    assert [answer.hex for answer in tool.ask(65279, to=to)] == expected


def test_key_off_answers_nothing(small: str, load: Load) -> None:
    """Before it has booted and after key off the controller is deaf; in between it answers."""
    tool = RigTool(load(small))
    heard = []
    for second in (0.02, 4.0, 16.0):
        tool.wait_until(second)
        heard.append(len(tool.ask(DM2, wait_s=0.3)))
    assert heard == [0, 1, 0]


def test_address_claims_are_told(standing: str, load: Load) -> None:
    """A request for PGN 60928 gets the NAME once, from its address (SAE J1939-81, section 4.2.1, from memory)."""
    tool = RigTool(load(standing))
    tool.wait_until(3)
    assert [(a.source, a.hex) for a in tool.ask(60928, to=255)] == [(0, "00 00 E0 FF 00 00 00 00")]


def test_answers_do_not_hold_up_what_is_periodic(standing: str, load: Load) -> None:
    """While a thousand questions a second are answered, EEC1 (61444) still comes every 100 ms to within 5 ms."""
    tool = RigTool(load(standing))
    tool.wait_until(3)
    begin = len(tool.bus.frames)
    for number in range(3000):
        tool.bus.put(0x18EA0000 | number % 200 + 20, (VIN, DM2, 65262)[number % 3].to_bytes(3, "little"))
        tool.wait_until(3 + number / 1000)
    times = [f.time_ns for f in tool.bus.frames[begin:] if f.can_id == 0x0CF00400]
    assert len(times) >= 29
    assert all(abs(later - earlier - 100 * MS) < 5 * MS for earlier, later in pairwise(times))


def test_one_broadcast_at_a_time(standing: str, load: Load, ears: Callable[..., list]) -> None:
    """Scripted lists of two codes and answered broadcasts never overlap (SAE J1939-21, section 5.10.1)."""
    text = standing.replace("count_before = 2", 'present = [["on+2", "end"]]')
    tool = RigTool(load(text))
    tool.wait_until(3)
    for number in range(12):
        tool.wait_until(3 + number * 0.31)
        tool.ask((VIN, DM1, 65259)[number % 3], to=255, wait_s=0.05)
    tool.wait_until(12)
    # `ears` complains about a second transfer while one is under way, and about one that never ends
    broadcasts = [m for m in ears(tool.bus.frames) if m.source == 0 and m.destination == 255 and len(m.times_ns) > 1]
    assert {m.pgn for m in broadcasts} == {DM1, VIN}
    for message in broadcasts:
        assert all(50 * MS <= later - earlier <= 200 * MS for earlier, later in pairwise(message.times_ns))
    dm1 = [m.times_ns[0] for m in broadcasts if m.pgn == DM1 and m.times_ns[0] > 2 * S]
    # at most one DM1 is lost to an answer's broadcast, never two in a row
    assert max(later - earlier for earlier, later in pairwise(dm1)) < 2 * S


# ---- clearing ---------------------------------------------------------------------------------------------------


def test_clearing_stored_codes_leaves_active_ones(standing: str, load: Load) -> None:
    """DM3 (SAE J1939-73, section 5.7.3): acknowledged, the stored code is gone, the active one stays with its count."""
    tool = RigTool(load(standing))
    tool.wait_until(5)
    assert (tool.codes(DM1), tool.codes(DM2)) == (ACTIVE, STORED)
    assert [answer.hex for answer in tool.ask(DM3)] == [acknowledged(DM3, 0)]
    assert (tool.codes(DM1), tool.codes(DM2)) == (ACTIVE, NONE)


def test_clearing_all_brings_back_what_is_still_wrong(standing: str, load: Load) -> None:
    """DM11 (section 5.7.11): both codes go; the one whose cause is there is back within a second, with count 1."""
    text = standing.replace('present = [["on+1", "end"]]', 'present = [["on+1", "on+2"], ["on+3", "end"]]')
    tool = RigTool(load(text))
    tool.wait_until(5)
    assert tool.codes(DM1) == "6E 00 03 02 FF FF"
    answers = tool.ask(DM11, wait_s=0.02)
    cleared_s = tool.now_s
    assert [answer.hex for answer in answers] == [acknowledged(DM11, 0)]
    assert (tool.codes(DM1), tool.codes(DM2)) == (NONE, NONE)
    tool.wait_until(8)
    reports = [(f.time_ns / S, f.data[2:].hex(" ").upper()) for f in tool.bus.frames if f.can_id == 0x18FECA00]
    after = [(at, codes) for at, codes in reports if at > cleared_s]
    assert after[0][1] == NONE
    assert after[0][0] < cleared_s + 0.2
    back_s = next(at for at, codes in after if codes == ACTIVE)
    assert cleared_s + 0.3 < back_s < cleared_s + 1
    assert {codes for at, codes in after if at >= back_s} == {ACTIVE}


@pytest.mark.parametrize(
    ("command", "answer", "left"),
    [
        # SAE J1939-73, section 5.7.22, and AgIsoStack's test: 11 clears an active code, 12 is done; 01, 02 a stored one
        pytest.param("01 FF FF FF FF 66 00 04", "02 FF FF FF FF 66 00 04", (ACTIVE, NONE), id="stored"),
        pytest.param("01 FF FF FF FF 6E 00 03", "03 03 FF FF FF 6E 00 03", (ACTIVE, STORED), id="stored-but-active"),
        pytest.param("11 FF FF FF FF 66 00 04", "13 04 FF FF FF 66 00 04", (ACTIVE, STORED), id="active-but-stored"),
        pytest.param("01 FF FF FF FF D2 04 1F", "03 02 FF FF FF D2 04 1F", (ACTIVE, STORED), id="unknown"),
        pytest.param("11 FF FF FF FF D2 04 1F", "13 02 FF FF FF D2 04 1F", (ACTIVE, STORED), id="unknown-active"),
    ],
)
def test_clearing_one_code(standing: str, load: Load, command: str, answer: str, left: tuple[str, str]) -> None:
    """DM22 clears the named code in the named state, or says which of the reasons of section 5.7.22 it has."""
    tool = RigTool(load(standing))
    tool.wait_until(5)
    heard = tool.tell(DM22, bytes.fromhex(command), 0, {DM22}, DM22)
    assert [(a.destination, a.hex) for a in heard] == [(TOOL, answer)]
    assert (tool.codes(DM1), tool.codes(DM2)) == left


def test_clearing_one_active_code(standing: str, load: Load) -> None:
    """An active code whose cause has gone, kept by the rule of good starts, goes for good with DM22 (17, then 18)."""
    text = standing.replace('present = [["on+1", "end"]]', 'present = [["on+1", "on+2"]]\ngood_starts = 3')
    tool = RigTool(load(text))
    tool.wait_until(5)
    heard = tool.tell(DM22, bytes.fromhex("11FFFFFFFF6E0003"), 0, {DM22}, DM22)
    assert [a.hex for a in heard] == ["12 FF FF FF FF 6E 00 03"]
    tool.wait_until(12)
    assert (tool.codes(DM1), tool.codes(DM2)) == (NONE, STORED)


@pytest.mark.parametrize("junk", ["", "01", "01 FF FF FF FF 66 00", "05 FF FF FF FF 66 00 04", "FF" * 8])
def test_a_command_that_is_none_is_ignored(standing: str, load: Load, junk: str) -> None:
    """Short or unknown DM22 commands clear nothing and get no answer."""
    tool = RigTool(load(standing))
    tool.wait_until(5)
    assert tool.tell(DM22, bytes.fromhex(junk), 0, {DM22}, DM22, 0.5) == []
    assert (tool.codes(DM1), tool.codes(DM2)) == (ACTIVE, STORED)


@pytest.mark.parametrize(
    ("clears", "second", "answer"),
    [
        # common practice, no source: a controller refuses to clear while the engine runs
        pytest.param("stopped", 5, 0, id="stopped-engine-stopped"),
        pytest.param("stopped", 64, 1, id="stopped-engine-running"),
        pytest.param("always", 64, 0, id="always-engine-running"),
        pytest.param("never", 5, 1, id="never-engine-stopped"),
    ],
)
@pytest.mark.parametrize("pgn", [DM3, DM11])
def test_when_codes_may_be_cleared(
    standing: str, load: Load, clears: str, second: float, answer: int, pgn: int
) -> None:
    """Where it is not allowed, the answer is 'refused' and the codes stay."""
    tool = RigTool(load(standing.replace("address = 0", f'address = 0\nclears = "{clears}"')))
    tool.wait_until(second)
    assert [a.hex for a in tool.ask(pgn, wait_s=0.1)] == [acknowledged(pgn, answer)]
    assert tool.codes(DM2) == (STORED if answer else NONE)


def test_refused_clearing_of_one_code(standing: str, load: Load) -> None:
    """While the engine runs DM22 is refused without a particular reason (19 with 00: SAE J1939-73, section 5.7.22)."""
    tool = RigTool(load(standing))
    tool.wait_until(64)
    heard = tool.tell(DM22, bytes.fromhex("01FFFFFFFF660004"), 0, {DM22}, DM22)
    assert [a.hex for a in heard] == ["03 00 FF FF FF 66 00 04"]


def test_clearing_everybody_is_not_acknowledged(standing: str, load: Load) -> None:
    """DM11 asked of address 255 clears, and nobody answers (SAE J1939-73, section 5.7.11, from memory)."""
    tool = RigTool(load(standing))
    tool.wait_until(5)
    assert tool.ask(DM11, to=255) == []
    assert tool.codes(DM2) == NONE


def test_every_round_starts_afresh(standing: str, load: Load) -> None:
    """In a loop, what was cleared in one round is stored again in the next, and the second round answers too."""
    tool = RigTool(load(standing), loop=True)
    tool.wait_until(5)
    tool.ask(DM11)
    assert tool.codes(DM2) == NONE
    tool.wait_until(73 + 5)
    assert (tool.codes(DM1), tool.codes(DM2)) == (ACTIVE, STORED)
    assert not tool.rig.done


def test_speed_is_the_scenarios_and_not_the_protocols(standing: str, load: Load) -> None:
    """At ten times the speed the scenario is over ten times as soon, and a broadcast keeps its 50 to 200 ms."""
    tool = RigTool(load(standing), speed=10)
    tool.wait_until(1)
    begin = len(tool.bus.frames)
    assert len(tool.ask(VIN, to=255, wait_s=1)) == 1
    times = [f.time_ns for f in tool.bus.frames[begin:] if f.can_id in (0x1CECFF00, 0x1CEBFF00)]
    assert all(50 * MS <= later - earlier <= 200 * MS for earlier, later in pairwise(times))
    tool.wait_until(7.4)
    assert tool.rig.done


# ---- hostile and crowded buses ----------------------------------------------------------------------------------


def test_a_storm_of_questions_stays_bounded(standing: str, load: Load) -> None:
    """20,000 requests for every group from every address: answers are limited, and what found no room is counted."""
    rig = LiveRig(load(standing))
    rig.start(0)
    now_ns, sent = 3 * S, 0
    while (at_ns := rig.next_ns()) is not None and at_ns < now_ns:
        rig.outgoing(at_ns)
    for number in range(20_000):
        now_ns += 100_000
        source, pgn = number % 254, (number * 7919) % (1 << 18)
        rig.feed(Frame(now_ns, "x", 0x18EA0000 | source, pgn.to_bytes(3, "little")))
        sent += len(rig.outgoing(now_ns))
    # 2 s: at most one round of questions each 12 ms, and the scenario's own frames
    assert sent < 2 / 0.012 * MOST_QUESTIONS + 100
    assert rig.unanswered > 10_000
    later_ns = now_ns + 3 * S
    while (at_ns := rig.next_ns()) is not None and at_ns < later_ns:
        rig.outgoing(at_ns)
    rig.feed(Frame(later_ns, "x", 0x18EA00F9, DM2.to_bytes(3, "little")))
    assert any(data[:4].hex() == "00ff6600" or can_id == 0x18FECB00
               for can_id, data in rig.outgoing(later_ns + 20 * MS))


@pytest.mark.parametrize(
    ("can_id", "data", "flags"),
    [
        pytest.param(0x18EA00F9, "", 1, id="empty-request"),
        pytest.param(0x18EA00F9, "CB FE", 1, id="short-request"),
        pytest.param(0x18EA00F9, "FF FF FF", 1, id="no-such-group"),
        pytest.param(0x18EA00FE, "CB FE 00", 1, id="from-nobody"),
        pytest.param(0x18EA0000, "CB FE 00", 1, id="from-its-own-address"),
        pytest.param(0x1CEC00F9, "", 1, id="empty-control"),
        pytest.param(0x1CEC00F9, "11 FF 01 FF FF CB FE 00", 1, id="cts-for-nothing"),
        pytest.param(0x1CEB00F9, "01", 1, id="packet-without-session"),
        pytest.param(0x1BEA00F9, "CB FE 00", 1, id="not-j1939"),
        pytest.param(0x7FF, "CB FE 00", 0, id="11-bit"),
        pytest.param(0x18EA00F9, "CB FE 00" + "00" * 9, 1 | FD, id="can-fd"),
        pytest.param(0x18C300F9, "01", 1, id="short-command"),
    ],
)
def test_rubbish_gets_no_answer(standing: str, load: Load, can_id: int, data: str, flags: int) -> None:
    """Frames that make no sense change nothing of what is sent."""
    sent: list[list[tuple[int, bytes]]] = []
    for hears in (True, False):
        rig = LiveRig(load(standing))
        frames = []
        for at_ns in range(0, 4 * S, 10 * MS):
            if hears and at_ns == 3 * S:
                rig.feed(Frame(at_ns, "x", can_id, bytes.fromhex(data), flags))
            frames += rig.outgoing(at_ns)
        sent.append(frames)
    assert sent[0] == sent[1]
    assert len(sent[0]) > 40


def test_a_node_with_a_smaller_name_takes_the_address(standing: str, load: Load) -> None:
    """SAE J1939-81, section 4.5 (from memory): the loser says that it cannot claim, from 254, and is silent then."""
    text = standing.replace("function = 0 }", "function = 0, identity_number = 5 }")
    tool = RigTool(load(text))
    tool.wait_until(5)
    tool.bus.put(0x18EEFF00, bytes.fromhex("0400E0FF00000000"))
    lost_ns = tool.bus.now_ns
    tool.wait_until(8)
    after = [f for f in tool.bus.frames if f.time_ns > lost_ns + 160 * MS]
    assert after == []
    assert [f.data.hex() for f in tool.bus.frames if f.can_id == 0x18EEFFFE] == ["0500e0ff00000000"]


def test_a_node_with_a_larger_name_does_not(standing: str, load: Load) -> None:
    """Against a larger NAME the controller claims again and goes on."""
    tool = RigTool(load(standing))
    tool.wait_until(5)
    tool.bus.put(0x18EEFF00, bytes.fromhex("0900E0FF00000000"))
    lost_ns = tool.bus.now_ns
    assert tool.codes(DM2) == STORED
    claims = [f for f in tool.bus.frames if f.can_id == 0x18EEFF00 and f.time_ns >= lost_ns]
    assert [f.data.hex() for f in claims] == ["0900e0ff00000000", "0000e0ff00000000"]


def test_a_connection_to_it_is_taken(standing: str, load: Load) -> None:
    """A message of 100 bytes to the engine is let through and acknowledged (SAE J1939-21, section 5.10.3)."""
    tool = RigTool(load(standing))
    tool.wait_until(3)
    tool.node.send(tool.bus.now_ns, 61184, 0, bytes(100))
    tool.wait_until(4)
    controls = [f.data[0] for f in tool.bus.frames if f.can_id & 0x3FFFF00 == 0xECF900]
    assert controls[-1] == 19
    assert set(controls[:-1]) == {17}
    assert not [f for f in tool.bus.frames if f.can_id >> 16 & 0xFF == ACKNOWLEDGEMENT >> 8]


hostile_ids = st.one_of(
    # to the engine, to everybody, and to a neighbour; requests, transport of both kinds, commands, claims
    st.builds(
        lambda pf, to, source: 0x18000000 | pf << 16 | to << 8 | source,
        st.sampled_from([0xEA, 0xEC, 0xEB, 0xC8, 0xC7, 0xC3, 0xE3, 0xEE, 0xE8]), st.sampled_from([0, 61, 255, 9]),
        st.sampled_from([0, 61, 249, 254, 255, 33]),
    ),
    st.integers(0, (1 << 29) - 1),
)
hostile_data = st.one_of(
    st.binary(max_size=8),
    st.builds(
        lambda control, rest, pgn: bytes((control,)) + rest + pgn.to_bytes(3, "little"),
        st.sampled_from([16, 17, 19, 20, 21, 22, 23, 32, 255, 1, 247]), st.binary(min_size=4, max_size=4),
        st.sampled_from([DM2, VIN, 61184, 64950]),
    ),
    st.sampled_from([DM1, DM2, DM3, DM11, VIN, 60928, 64950, 65229]).map(lambda pgn: pgn.to_bytes(3, "little")),
)
AWKWARD = load_scenario(find_scenario("awkward-pump"))


@settings(deadline=None)
@given(st.lists(st.tuples(st.integers(0, 400), hostile_ids, hostile_data), max_size=60))
def test_no_traffic_breaks_it(traffic: list[tuple[int, int, bytes]]) -> None:
    """Whatever is on the bus: no exception, only frames that can be sent, and time always has a next moment."""
    rig = LiveRig(AWKWARD)
    now_ns = 0
    while now_ns < S:
        rig.outgoing(now_ns)
        now_ns += 100 * MS
    for wait_ms, can_id, data in traffic:
        now_ns += wait_ms * MS
        rig.feed(Frame(now_ns, "x", can_id, data))
        for sent_id, sent in rig.outgoing(now_ns):
            assert 0 <= sent_id < 1 << 29
            assert len(sent) <= 8
        assert rig.next_ns() is not None
    assert not rig.done
