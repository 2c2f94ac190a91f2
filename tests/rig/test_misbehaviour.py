"""Controllers that answer badly on purpose: each does exactly the one thing wrong that its scenario says."""

from collections.abc import Callable

import pytest

from faultlamp.frames import Frame
from faultlamp.rig.generator import generate
from faultlamp.rig.loading import load_scenario
from faultlamp.rig.scenario import Scenario
from faultlamp.rig.shipped import find_scenario
from support.rig_tool import MS, TOOL, RigTool, S

DM2, DM3, DM22, VIN, CLAIM = 65227, 65228, 49920, 65260, 60928

Load = Callable[[str], Scenario]

# 28 bytes: 4 packets, of which the last holds seven bytes.
LONG_VIN = "INVENTED" + "0" * 19
STORED = '[[fault]]\necu = "engine"\nspn = 102\nfmi = 4\ncount_before = 2\n'


@pytest.fixture
def answering(small: str, load: Load) -> Callable[..., RigTool]:
    """A function that makes the small engine, stopped, answer as [ecu.answers] says, and waits for 3 s."""

    def make(answers: str, more: str = "") -> RigTool:
        text = small.replace("INVENTED000000001", LONG_VIN).replace("duration_s = 5", "duration_s = 100")
        tool = RigTool(load(text.replace("[ecu.groups]", f"[ecu.answers]\n{answers}\n{more}[ecu.groups]") + STORED))
        tool.wait_until(3)
        tool.bus.frames.clear()
        return tool

    return make


def transport(tool: RigTool) -> list[tuple[str, str]]:
    """The frames of transfers from the engine, as identifier and data."""
    kinds = (0xEC, 0xEB)
    return [(f"{frame.can_id:08X}", frame.data.hex(" ").upper()) for frame in tool.bus.frames
            if frame.can_id >> 16 & 0xFF in kinds and frame.can_id & 0xFF == 0]


def test_silent(answering: Callable[..., RigTool]) -> None:
    """It answers neither data nor refusal, alone or with all, and clears nothing; its periodic frames go on."""
    tool = answering('default = "silent"')
    assert tool.ask(DM2) == tool.ask(VIN, to=255) == tool.ask(DM3) == tool.ask(7) == []
    assert tool.tell(DM22, bytes.fromhex("01FFFFFFFF660004"), 0, {DM22}, DM22) == []
    assert [frame for frame in tool.bus.frames if frame.can_id == 0x18FECA00]


@pytest.mark.parametrize(
    ("word", "control"),
    # SAE J1939-21, section 5.4.4: 1 refused, 2 access denied, 3 cannot respond now
    [("refuse", 1), ("deny", 2), ("busy", 3)],
)
def test_acknowledgements_instead_of_data(answering: Callable[..., RigTool], word: str, control: int) -> None:
    """Asked alone it says no in its way, for data and for clearing; asked with all it stays silent."""
    tool = answering(f'default = "{word}"')
    for pgn in (DM2, VIN, DM3):
        (answer,) = tool.ask(pgn)
        assert answer.hex == f"{control:02X} FF FF FF F9 {pgn.to_bytes(3, 'little').hex(' ').upper()}"
    assert tool.ask(DM2, to=255) == []


@pytest.mark.parametrize(
    ("word", "expected"),
    # SAE J1939-73, section 5.7.22: 3 refused, with reason 0 in general or 1 access denied; busy is no DM22 answer
    [("refuse", "03 00 FF FF FF 66 00 04"), ("deny", "03 01 FF FF FF 66 00 04"), ("busy", "03 FF FF FF F9 00 C3 00")],
)
def test_one_code_is_not_cleared(answering: Callable[..., RigTool], word: str, expected: str) -> None:
    """DM22 is turned down, and the code stays."""
    tool = answering(f'DM22 = "{word}"')
    (answer,) = tool.tell(DM22, bytes.fromhex("01FFFFFFFF660004"), 0, {DM22}, DM22)
    assert answer.hex == expected
    assert tool.codes(DM2) == "66 00 04 02 FF FF"


def test_busy_twice(answering: Callable[..., RigTool]) -> None:
    """It is busy two times and then answers; each group has its own count, those of the default share one."""
    tool = answering('default = { do = "busy", times = 2 }\nDM2 = { do = "busy", times = 1 }')
    heard = [tool.ask(pgn)[0].pgn for pgn in (DM2, DM2, VIN, VIN, VIN, 65262)]
    assert heard == [59392, DM2, 59392, 59392, VIN, 65262]


@pytest.mark.parametrize("delay_ms", [300, 1600])
def test_slow(answering: Callable[..., RigTool], delay_ms: int) -> None:
    """Its answer comes that much later than usual, and other groups at once."""
    tool = answering(f"65227 = {{ delay_ms = {delay_ms} }}")
    (answer,) = tool.ask(DM2)
    assert delay_ms / 1000 < answer.after_s < delay_ms / 1000 + 0.1
    assert tool.ask(VIN)[0].after_s < 0.2


def test_announces_more_than_it_sends(answering: Callable[..., RigTool]) -> None:
    """RTS for 35 bytes in 5 packets, and only 4 come: the tool never gets the message."""
    tool = answering('VIN = "announces_more"')
    assert tool.ask(VIN, wait_s=8) == []
    frames = transport(tool)
    assert frames[0] == ("1CECF900", "10 23 00 05 FF EC FE 00")
    assert [data[:2] for can_id, data in frames if can_id == "1CEBF900"] == ["01", "02", "03", "04"]
    assert len(tool.failures()) == 1


def test_announces_less_than_it_sends(answering: Callable[..., RigTool]) -> None:
    """RTS for 21 bytes in 3 packets, and 4 come."""
    tool = answering('VIN = "announces_less"')
    tool.ask(VIN)
    frames = transport(tool)
    assert frames[0] == ("1CECF900", "10 15 00 03 FF EC FE 00")
    assert [data[:2] for can_id, data in frames if can_id == "1CEBF900"] == ["01", "02", "03", "04"]


def test_short_frames(answering: Callable[..., RigTool]) -> None:
    """Single frames have 5 bytes; of a transfer the last packet has."""
    tool = answering('default = "short_frame"')
    assert tool.ask(65262, wait_s=0.1)[0].hex == "7D FF FF FF FF"
    tool.bus.frames.clear()
    assert tool.ask(VIN) == []
    assert [len(data.split()) for can_id, data in transport(tool) if can_id == "1CEBF900"] == [8, 8, 8, 5]


def test_aborts_midway(answering: Callable[..., RigTool]) -> None:
    """Half of the packets come, then an abort (FF) with reason 2, no resources (SAE J1939-21, section 5.10.3)."""
    tool = answering('VIN = "aborts"')
    assert tool.ask(VIN) == []
    frames = transport(tool)
    assert [data[:2] for can_id, data in frames if can_id == "1CEBF900"] == ["01", "02"]
    assert frames[3] == ("1CECF900", "FF 02 FF FF FF EC FE 00")
    assert [failure.reason for failure in tool.failures()] == [2]


def test_stalls(answering: Callable[..., RigTool]) -> None:
    """It asks to send, is let, and sends nothing: the tool gives up after its 1250 ms (T2, SAE J1939-21, 5.10.2.4)."""
    tool = answering('VIN = "stalls"')
    assert tool.ask(VIN, wait_s=6) == []
    frames = transport(tool)
    assert [can_id for can_id, _ in frames] == ["1CECF900"]
    assert len(tool.failures()) == 1


@pytest.mark.parametrize(
    ("word", "announced", "packets"),
    [("announces_more", "20 23 00 05", 4), ("announces_less", "20 15 00 03", 4), ("aborts", "20 1C 00 04", 2),
     ("stalls", "20 1C 00 04", 0), ("short_frame", "20 1C 00 04", 4)],
)  # fmt: skip
def test_broadcasts_go_wrong_too(
    answering: Callable[..., RigTool], word: str, announced: str, packets: int
) -> None:
    """Asked with all others, the same happens to the broadcast (20: BAM), which nobody can refuse."""
    tool = answering(f'VIN = "{word}"')
    tool.ask(VIN, to=255)
    frames = transport(tool)
    assert frames[0] == ("1CECFF00", f"{announced} FF EC FE 00")
    assert [can_id for can_id, _ in frames[1:]] == ["1CEBFF00"] * packets


def test_after_a_broken_connection_the_next_one_works(answering: Callable[..., RigTool]) -> None:
    """Misbehaving a given number of times, it recovers: the third try brings the VIN."""
    tool = answering('VIN = { do = "stalls", times = 2 }')
    heard = [tool.ask(VIN, wait_s=6) for _ in range(3)]
    assert [len(answers) for answers in heard] == [0, 0, 1]
    assert heard[2][0].payload == f"{LONG_VIN}*".encode()


@pytest.mark.parametrize(("word", "controls"), [("no_cts", set()), ("no_ack", {17})])
def test_receiving_badly(answering: Callable[..., RigTool], word: str, controls: set[int]) -> None:
    """Of a connection to it, it lets nothing come (17 is CTS), or never acknowledges (19) what has come."""
    tool = answering(f'receiving = "{word}"')
    number = tool.node.send(tool.bus.now_ns, 61184, 0, bytes(100))
    tool.bus.told.clear()
    tool.bus.run(tool.bus.now_ns + 8 * S)
    assert {int(data[:2], 16) for can_id, data in transport(tool) if can_id == "1CECF900"} - {255} == controls
    failed = [event for event in tool.bus.told if getattr(event, "number", None) == number]
    assert [type(event).__name__ for event in failed] == ["NotDelivered"]


# ---- two at one address -----------------------------------------------------------------------------------------

RIVAL = "[ecu.rival]\nfunction = 0\nidentity_number = {number}\n{stubborn}\n"
SMALL, LARGE = "0000e0ff00000000", "0900e0ff00000000"


def claims(frames: list[Frame]) -> list[tuple[int, str]]:
    """Address claims (PGN 60928) as source and NAME."""
    return [(frame.can_id & 0xFF, frame.data.hex()) for frame in frames if frame.can_id >> 16 & 0xFF == 0xEE]


def rivals(small: str, load: Load, number: int, stubborn: bool = False, own: int = 0) -> RigTool:
    text = small.replace("function = 0 }", f"function = 0, identity_number = {own} }}")
    rival = RIVAL.format(number=number, stubborn="stubborn = true" if stubborn else "")
    return RigTool(load(text.replace("[ecu.groups]", f"{rival}[ecu.groups]")))


def test_a_rival_with_a_larger_name_gives_way(small: str, load: Load) -> None:
    """SAE J1939-81, section 4.5 (from memory): claim, counter-claim, claim again, and 'cannot claim' from 254."""
    tool = rivals(small, load, 9)
    tool.wait_until(3)
    assert claims(tool.bus.frames) == [(0, SMALL), (0, LARGE), (0, SMALL), (254, LARGE)]
    assert len(tool.ask(DM2)) == 1
    tool.bus.frames.clear()
    tool.ask(CLAIM, to=255)
    assert sorted(claims(tool.bus.frames)) == [(0, SMALL), (254, LARGE)]


def test_a_rival_with_a_smaller_name_pushes_out(small: str, load: Load) -> None:
    """The controller says that it cannot claim, and sends nothing more; its rival tells its NAME when asked."""
    tool = rivals(small, load, 0, own=9)
    tool.wait_until(3)
    assert [(f.can_id & 0xFF, f.data.hex()) for f in tool.bus.frames] == [(0, LARGE), (0, SMALL), (254, LARGE)]
    assert tool.ask(DM2) == []
    tool.bus.frames.clear()
    tool.ask(CLAIM, to=0)
    assert sorted(claims(tool.bus.frames)) == [(0, SMALL), (254, LARGE)]


def test_two_that_never_give_way(small: str, load: Load) -> None:
    """Both claim address 0 and keep it: asked for claims, two NAMEs come from one address."""
    tool = rivals(small, load, 9, stubborn=True)
    tool.wait_until(3)
    assert claims(tool.bus.frames) == [(0, SMALL), (0, LARGE), (0, SMALL), (0, LARGE)]
    tool.bus.frames.clear()
    tool.ask(CLAIM, to=255)
    assert sorted(claims(tool.bus.frames)) == [(0, SMALL), (0, LARGE)]
    assert len(tool.ask(DM2)) == 1


# ---- in recordings, and the shipped scenario --------------------------------------------------------------------


@pytest.mark.parametrize(
    ("answers", "expected"),
    [
        pytest.param('VIN = "silent"', [], id="silent"),
        pytest.param('VIN = "deny"', ["E8 02 FF FF FF F9 EC FE 00"], id="deny"),
        pytest.param("VIN = { delay_ms = 700 }", ["EC 10", "EC 11", "EB 01", "EB 02", "EB 03", "EC 13"], id="slow"),
        pytest.param('VIN = "stalls"', ["EC 10", "EC 11"], id="stalls"),
        pytest.param('VIN = "aborts"', ["EC 10", "EC 11", "EB 01", "EC FF"], id="aborts"),
        pytest.param('VIN = "announces_more"', ["EC 10", "EC 11", "EB 01", "EB 02", "EB 03"], id="more"),
        pytest.param('VIN = "announces_less"', ["EC 10", "EC 11", "EB 01", "EB 02", "EB 03", "EC 13"], id="less"),
    ],
)
def test_scripted_requests_are_answered_as_badly(
    small: str, load: Load, answers: str, expected: list[str]
) -> None:
    """Written into a recording, a [[request]] to the engine alone meets the same manners."""
    text = small.replace("[ecu.groups]", f"[ecu.answers]\n{answers}\n[ecu.groups]")
    frames = generate(load(text + f"[[request]]\nat = 8\nfrom = 249\nto = 0\npgn = {VIN}\n"))
    talk = [f for f in frames if f.can_id >> 16 & 0xFF in (0xEC, 0xEB, 0xE8) and f.time_ns > 8 * S]
    heard = [f"{frame.can_id >> 16 & 0xFF:02X} {frame.data.hex(' ').upper()}" for frame in talk]
    assert [line[: len(start)] for line, start in zip(heard, expected, strict=True)] == expected
    if "delay" in answers:
        assert 700 * MS < talk[0].time_ns - 8 * S < 800 * MS


# Controller, group asked for, what a proper tool gets: the group, an acknowledgement's control byte, or nothing.
AWKWARD = [
    (0, DM2, DM2), (11, DM2, None), (3, VIN, 1), (33, DM2, 3), (23, DM2, 1), (40, DM2, 2), (61, DM2, None),
    (71, DM2, None), (72, DM2, None), (46, DM2, None), (37, DM2, DM2), (48, DM2, DM2), (49, DM3, 1), (50, DM2, DM2),
    (51, DM2, None),
]  # fmt: skip


@pytest.mark.parametrize(("address", "pgn", "expected"), AWKWARD)
def test_the_shipped_awkward_pump(address: int, pgn: int, expected: int | None) -> None:
    """Each controller of awkward-pump has the one bad manner that the file says, while the engine is stopped."""
    tool = RigTool(load_scenario(find_scenario("awkward-pump")))
    tool.wait_until(10)
    answers = tool.ask(pgn, to=address)
    got = [answer.payload[0] if answer.pgn == 59392 else answer.pgn for answer in answers]
    assert got == ([] if expected is None else [expected])
    assert all(answer.destination in (TOOL, 255) for answer in answers)
