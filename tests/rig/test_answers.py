"""What a controller has to tell: bytes worked out by hand from the layouts, and read back by the decoders."""

from collections.abc import Callable

import pytest

from faultlamp.j1939.reports.groups import GROUPS
from faultlamp.rig.loading import load_scenario
from faultlamp.rig.scenario import Scenario
from faultlamp.rig.shipped import find_scenario
from support.rig_tool import TOOL, Heard, RigTool

Load = Callable[[str], Scenario]

OBD = """
[ecu.obd]
compliance = 20
expanded = [190, 110, 175]
ignition_cycles = 300
conditions_met = 200
warm_ups = 7
km_with_lamp = 3
km_since_clearing = 500
minutes_with_lamp = 2
minutes_since_clearing = 700

[ecu.obd.monitors]
misfire = "incomplete"
components = "complete"
egr = "complete"
particulate_filter = "incomplete"

[[ecu.obd.calibration]]
name = "INVENTED 7"
number = 0x12345678

[[ecu.obd.calibration]]
name = "INVENTED-SIXTEEN"
number = 1

[[ecu.obd.ratio]]
spn = 74565
numerator = 5
denominator = 1000

[[ecu.obd.result]]
spn = 74565
fmi = 5
scaling = 385
value = 1000
highest = 2000
lowest = 10
"""

# 110/3 active from 12 s (engine at 1000 rpm, 85 degC), pending from 11 s; 102/4 stored from before with a count of 2.
FAULTS = """
[[fault]]
ecu = "engine"
spn = 110
fmi = 3
present = [["run+7", "end"]]
lamps = ["malfunction_indicator"]
emissions = true
pending = [["run+6", "run+7"]]
permanent = true

[[fault]]
ecu = "engine"
spn = 102
fmi = 4
count_before = 2
emissions = true

[[fault]]
ecu = "engine"
spn = 168
fmi = 18
pending = [["run+6", "end"]]
"""
ENGINE_LAMPS_OFF = "00 FF"
LIT = "40 FF"
NO_CODE = "00 00 00 00 FF FF"


@pytest.fixture
def emissions(small: str) -> str:
    """The small scenario: 5 s key on, then 200 s running; an engine with all that can be told."""
    text = small.replace("duration_s = 10", "duration_s = 200").replace("[ecu.groups]", OBD + "\n[ecu.groups]")
    text = text.replace('vin = "INVENTED000000001"', 'vin = "INVENTED000000001"\n'
                        'ecu = ["P1", "S2", "LEFT", "PUMP", "INVENTED"]\nsoftware = ["INVENTED 1", "B"]')
    return text + FAULTS


def told(tool: RigTool, pgn: int) -> Heard:
    """The one answer to a request of the engine alone."""
    (answer,) = tool.ask(pgn, wait_s=0.3)
    assert answer.pgn == pgn
    return answer


# PGN, second, bytes. Layouts: SAE J1939-73 sections 5.7.n for DMn, SAE J1939-71 for the texts; from memory but DM1's.
BYTES = [
    pytest.param(65231, 11.5, f"{ENGINE_LAMPS_OFF} 6E 00 03 00 FF FF", id="dm6-pending"),
    pytest.param(65231, 13, f"{LIT} {NO_CODE}", id="dm6-confirmed"),
    pytest.param(64898, 11.5, f"{ENGINE_LAMPS_OFF} 6E 00 03 00 A8 00 12 00", id="dm27-all-pending"),
    pytest.param(65236, 11.5, f"{ENGINE_LAMPS_OFF} {NO_CODE}", id="dm12-not-yet"),
    pytest.param(65236, 13, f"{LIT} 6E 00 03 01 FF FF", id="dm12-active"),
    pytest.param(64949, 13, f"{LIT} 66 00 04 02 FF FF", id="dm23-previously"),
    pytest.param(64896, 11.5, f"{ENGINE_LAMPS_OFF} {NO_CODE}", id="dm28-not-yet"),
    pytest.param(64896, 13, f"{LIT} 6E 00 03 01 FF FF", id="dm28-permanent"),
    # byte 1: 12 follow; code; torque mode and boost not there; 1000 rpm = 8000 = 1F40; load FF; 85 degC = 125 = 7D
    pytest.param(65229, 13, "0C 6E 00 03 01 FF FF 40 1F FF 7D FF FF", id="dm4-freeze-frame"),
    pytest.param(65229, 11.5, "00 00 00 00 00 FF FF FF", id="dm4-none"),
    # 4 + 2 + 1 + 2 follow; oil temperature not available
    pytest.param(64951, 13, "09 6E 00 03 01 40 1F 7D FF FF", id="dm25-expanded"),
    pytest.param(64951, 11.5, "00 00 00 00 00 FF FF FF", id="dm25-none"),
    # 1 active, 1 stored, compliance 20; misfire and components there (05), misfire open (10);
    # EGR is bit 8 of byte 5, particulate filter bit 3 of byte 6 and open in byte 8
    pytest.param(65230, 13, "01 01 14 15 80 04 00 04", id="dm5-readiness"),
    # 8 s of running, 7 warm-ups, then as DM5
    pytest.param(64952, 13.5, "08 00 07 15 80 04 00 04", id="dm26-this-trip"),
    # 3 and 500 km; 2 minutes with the lamp and 700 since clearing, before one more minute of each
    pytest.param(49408, 13, "03 00 F4 01 02 00 BC 02", id="dm21-since-clearing"),
    pytest.param(49408, 75, "03 00 F4 01 03 00 BD 02", id="dm21-a-minute-later"),
    # pending: 1 of emissions, 2 of all; then active 1, previously active 1, permanent 1
    pytest.param(40448, 11.5, "01 02 00 01 00 FF FF FF", id="dm29-counts-pending"),
    pytest.param(40448, 13, "00 01 01 01 01 FF FF FF", id="dm29-counts"),
    # 301 cycles (this one started well), 200 times; 74565 = 12345 hex: 45 23 and 3F (001 and five ones); 5; 1000
    pytest.param(49664, 13, "2D 01 C8 00 45 23 3F 05 00 E8 03", id="dm20-ratio"),
    pytest.param(
        54016, 13, "78 56 34 12 " + b"INVENTED 7".hex(" ").upper() + " 00" * 6
        + " 01 00 00 00 " + b"INVENTED-SIXTEEN".hex(" ").upper(), id="dm19-calibrations",
    ),
    pytest.param(64965, 13, b"P1*S2*LEFT*PUMP*INVENTED*".hex(" ").upper(), id="ecu-identification"),
    pytest.param(65242, 13, "02 " + b"INVENTED 1*B*".hex(" ").upper(), id="software"),
]


@pytest.mark.parametrize(("pgn", "second", "expected"), BYTES)
def test_bytes_of_an_answer(emissions: str, load: Load, pgn: int, second: float, expected: str) -> None:
    """Each group has the bytes that its layout gives for the scenario's story at that moment."""
    tool = RigTool(load(emissions))
    tool.wait_until(second)
    assert told(tool, pgn).hex == expected


def test_parameters_that_are_supported(emissions: str, load: Load) -> None:
    """DM24 (SAE J1939-73, 5.7.24, from memory): 190, 110, 175 frozen and sent (00), with 2, 1, 2 bytes; one tested."""
    tool = RigTool(load(emissions))
    tool.wait_until(13)
    payload = told(tool, 64950).payload
    lines = [payload[at : at + 4].hex(" ").upper() for at in range(0, len(payload), 4)]
    # the five bits below the SPN: two reserved ones, then 'not' for tested, sent, frozen
    assert lines[:3] == ["BE 00 1C 02", "6E 00 1C 01", "AF 00 1C 02"]
    assert "45 23 3B 00" in lines
    assert "AE 00 1D 00" in lines  # 174 is sent in ET1 and not frozen


def test_results_of_a_test(emissions: str, load: Load) -> None:
    """DM7 with identifier 247 and FMI 31 gets DM30 to the one that asked (SAE J1939-73, 5.7.7 and 5.7.30, memory)."""
    tool = RigTool(load(emissions))
    tool.wait_until(13)
    (answer,) = tool.tell(58112, bytes.fromhex("F7 45 23 3F FF FF FF FF"), 0, {41984}, 58112)
    assert (answer.destination, answer.hex) == (TOOL, "F7 45 23 25 81 01 E8 03 D0 07 0A 00")


@pytest.mark.parametrize(
    "command", ["F7 01 00 1F FF FF FF FF", "05 45 23 3F FF FF FF FF", "F7 45 23 25 FF FF FF FF"],
    ids=["unknown-spn", "starts-a-test", "one-fmi"],
)
def test_other_test_commands_are_refused(emissions: str, load: Load, command: str) -> None:
    """What is not a question for stored results of a known SPN gets a refusal, and moves nothing."""
    tool = RigTool(load(emissions))
    tool.wait_until(13)
    (answer,) = tool.tell(58112, bytes.fromhex(command), 0, {41984}, 58112)
    assert answer.hex == "01 FF FF FF F9 00 E3 00"


def test_what_clearing_all_leaves(emissions: str, load: Load) -> None:
    """SAE J1939-73, 5.7.11 (from memory): monitors incomplete, counters at nothing, permanent codes still there."""
    text = emissions.replace("address = 0", 'address = 0\nclears = "always"')
    text = text.replace('["run+7", "end"]', '["run+7", "run+9"]')
    text = text.replace("permanent = true", "permanent = true\ngood_starts = 3")
    tool = RigTool(load(text))
    tool.wait_until(15)
    tool.ask(65235, wait_s=0.1)
    answers = {pgn: told(tool, pgn).hex for pgn in (65227, 65230, 49408, 64952, 64896, 64898, 65229, 49664)}
    assert answers[65227] == f"{ENGINE_LAMPS_OFF} {NO_CODE}"
    assert answers[65230] == "00 00 14 55 80 04 80 04"
    assert answers[49408] == "00 00 00 00 00 00 00 00"
    assert answers[64952][6:] == "00 55 80 04 80 04"
    assert answers[64896] == f"{ENGINE_LAMPS_OFF} 6E 00 03 01 FF FF"
    assert answers[64898] == f"{ENGINE_LAMPS_OFF} {NO_CODE}"
    assert answers[65229] == "00 00 00 00 00 FF FF FF"
    assert answers[49664].startswith("2D 01")  # how often monitors ran is not cleared


def test_a_freeze_frame_is_of_the_moment(emissions: str, load: Load) -> None:
    """Later readings do not change it; the cause's own spoiled reading is in it as 'error' (FE)."""
    text = emissions.replace("pending = [[\"run+6\", \"run+7\"]]", "error = [110]").replace(
        "190 = { from = 800, to = 1000, over_s = 4 }", "190 = { points = [[0, 800], [7, 1000], [20, 600]] }"
    )
    tool = RigTool(load(text))
    for second in (13, 60):
        tool.wait_until(second)
        assert told(tool, 65229).hex == "0C 6E 00 03 01 FF FF 40 1F FF FE FF FF"


def test_a_plain_controller_has_less_to_tell(small: str, load: Load) -> None:
    """Without emission-related duties DM5 says so (5: not intended for OBD), and DM12, DM19, DM24 are refused."""
    tool = RigTool(load(small))
    tool.wait_until(3)
    assert told(tool, 65230).hex == "00 00 05 00 00 00 00 00"
    for pgn in (65236, 54016, 64950, 64951, 64965):
        assert [answer.pgn for answer in tool.ask(pgn, wait_s=0.1)] == [59392]


def test_no_freeze_frames_no_group(small: str, load: Load) -> None:
    """With `freeze_frames = 0` DM4 is a group that is not there."""
    tool = RigTool(load(small.replace("address = 0", "address = 0\nfreeze_frames = 0")))
    tool.wait_until(3)
    assert [answer.pgn for answer in tool.ask(65229, wait_s=0.1)] == [59392]


SHIPPED = [pytest.param(name, second, id=f"{name}-{second}")
           for name, second in (("quick-look", 15.5), ("pump-set", 285), ("quiet-pump", 20), ("awkward-pump", 60))]


@pytest.mark.parametrize(("name", "second"), SHIPPED)
def test_the_decoders_read_what_it_tells(name: str, second: float) -> None:
    """Every group of the shipped engines that can be asked for is understood by the decoders of `reports`."""
    tool = RigTool(load_scenario(find_scenario(name)))
    tool.wait_until(second)
    read = {}
    for pgn, group in GROUPS.items():
        for answer in tool.ask(pgn, wait_s=0.15):
            if answer.pgn == pgn and answer.source == 0:
                read[group.key] = group.decode(answer.payload)
    assert None not in read.values()
    assert {"DM1", "DM2", "DM4", "DM5", "DM21", "DM24", "DM25", "DM29", "VIN", "component", "ECU", "DM19"} <= set(read)


def test_the_decoders_find_what_the_scenario_says(emissions: str, load: Load) -> None:
    """Written without a look at each other, encoders and decoders agree on numbers, not only on lengths."""
    tool = RigTool(load(emissions))
    tool.wait_until(13)
    text = {group.key: repr(group.decode(told(tool, pgn).payload)) for pgn, group in GROUPS.items()
            if group.key in ("DM4", "DM5", "DM19", "DM20", "DM21", "DM24", "DM25", "DM26", "DM29", "ECU")}
    expected = {
        "DM4": ("spn=110", "fmi=3", "1000", "85"), "DM25": ("spn=110",), "DM24": ("190", "74565"),
        "DM5": ("misfire", "EGR", "particulate filter"), "DM26": ("misfire", "8", "7"), "DM21": ("500", "700"),
        "DM19": ("INVENTED 7", "305419896", "INVENTED-SIXTEEN"), "DM20": ("301", "200", "74565", "1000"),
        "DM29": ("1",), "ECU": ("P1", "S2", "LEFT", "PUMP", "INVENTED"),
    }
    assert text.keys() == expected.keys()
    for key, parts in expected.items():
        assert [part for part in parts if part not in text[key]] == [], (key, text[key])
