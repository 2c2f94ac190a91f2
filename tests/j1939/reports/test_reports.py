"""Messages on request, byte by byte.

Published worked examples are named beside their rows. The other rows follow the layouts of SAE J1939-73 as given in
the sections named, from memory; the numbers were worked out by hand.
"""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from faultlamp.j1939.diagnostics import Dtc
from faultlamp.j1939.readings import Reading
from faultlamp.j1939.reports.clear_code import ClearAnswer, decode_clear_answer, encode_clear
from faultlamp.j1939.reports.codes import decode_codes
from faultlamp.j1939.reports.freeze_frames import (
    SupportedSpn,
    decode_expanded_freeze_frames,
    decode_freeze_frames,
    decode_supported_spns,
    split_data,
)
from faultlamp.j1939.reports.groups import GROUPS, decode_name
from faultlamp.j1939.reports.identity import (
    Calibration,
    decode_calibrations,
    decode_component,
    decode_ecu,
    decode_software,
    decode_vin,
)
from faultlamp.j1939.reports.readiness import (
    CodeCounts,
    PerformanceRatio,
    decode_code_counts,
    decode_drive_readiness,
    decode_performance,
    decode_readiness,
    decode_since_clear,
)
from faultlamp.j1939.reports.scaled_tests import ask_results, decode_test_results


def readings(of: tuple[Reading, ...]) -> dict[int | None, str]:
    """SPN to the value's text, or to the state where there is no value."""
    return {reading.spn: reading.text or reading.state.value for reading in of}


@pytest.mark.parametrize(
    ("payload", "expected"),
    [
        # No code: SAE J1939-73, section 5.7.1; the first form also in the tests of the Laixer J1939 crate.
        pytest.param("00 FF 00 00 00 00 FF FF", [], id="none"),
        pytest.param("00 FF FF FF FF FF FF FF", [], id="none-older-form"),
        # AgIsoStack++, diagnostic_protocol_tests.cpp.
        pytest.param("00 FF D2 04 1F 01 FF FF", [(1234, 31, 1)], id="one"),
        pytest.param("FF FF D2 04 1F 01 37 02 02 01 CE 22 0C 01", [(1234, 31, 1), (567, 2, 1), (8910, 12, 1)],
                     id="three"),
    ],
)
def test_lists_of_codes(payload: str, expected: list[tuple[int, int, int]]) -> None:
    """Every list that comes on request has the layout of DM1."""
    report = decode_codes(28, bytes.fromhex(payload))
    assert report is not None
    assert report.dm == 28
    assert [(dtc.spn, dtc.fmi, dtc.occurrence_count) for dtc in report.dtcs] == expected


@pytest.mark.parametrize("size", range(6))
def test_a_list_that_is_too_short_is_not_an_empty_list(size: int) -> None:
    """Fewer than the six bytes of lamps and one code say nothing, not 'no codes' (SAE J1939-73, section 5.7.1)."""
    assert decode_codes(2, bytes(size)) is None


def test_freeze_frames() -> None:
    """Two frames of different length, with the units of SAE J1939-73, section 5.7.4 (from memory)."""
    first = bytes.fromhex("0E 6E 00 03 02 03 32 20 4E 46 82 00 50 AA BB")
    # 0x6E = SPN 110; 3 PTO governor; 50 x 2 kPa; 20000 x 0.125 rpm; 70 %; 130 - 40 degC; 0x5000 / 256 km/h.
    second = bytes.fromhex("0C 64 00 01 01 FF FE FF FF 00 FF FF FE")
    found = decode_freeze_frames(first + second)
    assert found is not None
    assert found.left_over == 0
    one, two = found.frames
    assert one.dtc == Dtc(110, 3, 2, 0)
    assert readings(one.readings) == {899: "3", 102: "100", 190: "2500.000", 92: "70", 110: "90", 84: "80.00000000"}
    assert one.maker_specific == b"\xaa\xbb"
    assert two.dtc == Dtc(100, 1, 1, 0)
    assert readings(two.readings) == {
        899: "not_available", 102: "error", 190: "not_available", 92: "0", 110: "not_available", 84: "error"
    }


@pytest.mark.parametrize(
    ("payload", "frames", "left_over"),
    [
        pytest.param("00 FF FF FF FF FF FF FF", 0, 0, id="none"),
        pytest.param("00 00 00 00 00 FF FF FF", 0, 0, id="none-with-empty-code"),
        pytest.param("04 6E 00 03 02", 1, 0, id="code-alone"),
        pytest.param("04 6E 00 03 02 FF FF FF", 1, 0, id="filled"),
        pytest.param("04 6E 00 03 02 09 01 02", 1, 3, id="second-one-cut"),
        pytest.param("0C 6E 00 03", None, None, id="cut"),
        pytest.param("03 6E 00 03", None, None, id="no-room-for-a-code"),
        pytest.param("", None, None, id="no-bytes"),
    ],
)
def test_freeze_frames_that_do_not_fit(payload: str, frames: int | None, left_over: int | None) -> None:
    """Whole frames count, the rest is left over, and nothing whole is no answer at all, in DM4 and DM25."""
    for decode in (decode_freeze_frames, decode_expanded_freeze_frames):
        found: Any = decode(bytes.fromhex(payload))
        assert (None if found is None else len(found.frames)) == frames
        if found is not None:
            assert found.left_over == left_over


def test_expanded_freeze_frame_is_split_in_the_order_of_the_supported_parameters() -> None:
    """DM24 gives order and length, DM25 the bytes (SAE J1939-73, sections 5.7.24 and 5.7.25, from memory)."""
    supported = decode_supported_spns(bytes.fromhex("5C 00 1C 01  BE 00 18 02  6E 00 1D 01  00 02 5B 01"))
    assert supported is not None
    assert supported.spns == (
        SupportedSpn(92, True, True, False, 1),
        SupportedSpn(190, True, True, True, 2),
        SupportedSpn(110, False, True, False, 1),
        SupportedSpn(512 + (2 << 16), False, False, True, 1),
    )
    found = decode_expanded_freeze_frames(bytes.fromhex("07 6E 00 03 02 46 20 4E"))
    assert found is not None
    assert split_data(found.frames[0].data, supported) == ((92, b"\x46"), (190, b"\x20\x4e"))
    assert split_data(b"\x46\x20", supported) is None


@pytest.mark.parametrize("payload", ["", "6E 00 1C", "6E 00 1C 01 02"], ids=["empty", "cut", "rest"])
def test_supported_parameters_that_do_not_fit(payload: str) -> None:
    """A list that is no whole number of lines is no list."""
    assert decode_supported_spns(bytes.fromhex(payload)) is None


def test_readiness() -> None:
    """DM5: counts, compliance, and a monitor is complete when its bit in the second half is 0 (section 5.7.5)."""
    found = decode_readiness(bytes.fromhex("02 01 14 27 80 0D 80 04"))
    assert found is not None
    assert (found.active_codes, found.previously_active_codes, found.obd_compliance) == (2, 1, 20)
    assert found.compliance_words == "heavy-duty OBD"
    assert [(one.name, one.continuous, one.complete) for one in found.monitors] == [
        ("misfire", True, True), ("fuel system", True, False), ("comprehensive component", True, True),
        ("EGR or variable valve timing", False, False), ("NMHC catalyst", False, True),
        ("particulate filter", False, False), ("boost pressure control", False, True),
    ]


def test_readiness_that_is_not_available() -> None:
    """A byte FF is not available (SAE J1939-71, section 5.1.4, from memory), so it claims no monitor and no count."""
    found = decode_readiness(b"\xff" * 8)
    assert found is not None
    assert (found.active_codes, found.previously_active_codes, found.obd_compliance) == (None, None, None)
    assert found.monitors == ()


def test_numbers_since_clearing() -> None:
    """DM21 and DM26: km, minutes, seconds, counts (sections 5.7.21 and 5.7.26, from memory)."""
    since = decode_since_clear(bytes.fromhex("0A 00 E8 03 FF FF 3C 00"))
    assert since is not None
    assert readings(since.readings) == {3069: "10", 3294: "1000", 3295: "not_available", 3296: "60"}
    drive = decode_drive_readiness(bytes.fromhex("2C 01 05 44 00 04 00 04"))
    assert drive is not None
    assert readings(drive.readings) == {3301: "300", 3302: "5"}
    assert [(one.name, one.complete) for one in drive.monitors] == [
        ("comprehensive component", False), ("particulate filter", False)
    ]


def test_performance_ratios() -> None:
    """DM20: cycles, conditions, then a numerator and a denominator each (section 5.7.20, from memory)."""
    found = decode_performance(bytes.fromhex("10 00 0C 00  E9 0B 00 03 00 08 00  60 0F E0 FF FF 02 00"))
    assert found is not None
    assert readings(found.readings) == {3048: "16", 3049: "12"}
    assert found.ratios == (PerformanceRatio(3049, 3, 8), PerformanceRatio(0x70F60, None, 2))
    assert decode_performance(bytes.fromhex("10 00 0C 00 E9 0B")) is None


def test_code_counts() -> None:
    """DM29: five counts of one byte, FF where not counted (section 5.7.29, from memory)."""
    assert decode_code_counts(bytes.fromhex("01 02 03 FF FA FF FF FF")) == CodeCounts(1, 2, 3, None, 250)


def test_test_results() -> None:
    """DM7 asks with identifier 247 and FMI 31, DM30 answers with value and limits (sections 5.7.7 and 5.7.30)."""
    assert ask_results(0x2F123) == bytes.fromhex("F7 23 F1 5F FF FF FF FF")
    found = decode_test_results(
        bytes.fromhex("F7 66 00 12 D0 00 64 00 C8 00 0A 00  F7 66 00 0A D0 00 00 FB FF FF FF FF")
    )
    assert found is not None
    done, waiting = found.results
    assert (done.spn, done.fmi, done.scaling, done.value, done.highest, done.lowest) == (102, 18, 208, 100, 200, 10)
    assert (done.complete, done.passed) == (True, True)
    assert (waiting.fmi, waiting.value, waiting.complete, waiting.passed) == (10, None, False, None)


@pytest.mark.parametrize(
    ("value", "highest", "lowest", "passed"),
    [("C9 00", "C8 00", "0A 00", False), ("09 00", "C8 00", "0A 00", False), ("0A 00", "FF FF", "0A 00", True),
     ("0A 00", "FF FF", "FF FF", None)],
    ids=["above", "below", "at-the-only-limit", "no-limits"],
)
def test_a_result_passes_within_its_limits(value: str, highest: str, lowest: str, passed: bool | None) -> None:
    """Limits are allowed values themselves; a missing one does not limit."""
    found = decode_test_results(bytes.fromhex(f"F7 66 00 12 D0 00 {value} {highest} {lowest}"))
    assert found is not None
    assert found.results[0].passed is passed


def test_clearing_one_code() -> None:
    """Command and answer as in AgIsoStack++, diagnostic_protocol_tests.cpp, and the refusals it lists."""
    assert encode_clear(1234, 31, active=True) == bytes.fromhex("11 FF FF FF FF D2 04 1F")
    assert encode_clear(0x70102, 5, active=False) == bytes.fromhex("01 FF FF FF FF 02 01 E5")
    assert decode_clear_answer(bytes.fromhex("12 FF FF FF FF D2 04 1F")) == ClearAnswer(1234, 31, True, True, None)
    refused = decode_clear_answer(bytes.fromhex("03 03 FF FF FF D2 04 1F"))
    assert refused == ClearAnswer(1234, 31, False, False, 3)
    assert refused.words == "no longer previously active"
    assert decode_clear_answer(bytes.fromhex("11 FF FF FF FF D2 04 1F")) is None
    assert decode_clear_answer(bytes.fromhex("12 FF FF FF FF D2 04")) is None


@pytest.mark.parametrize(("spn", "fmi"), [(-1, 0), (524288, 0), (0, 32), (0, -1)])
def test_a_code_that_cannot_be_is_not_cleared(spn: int, fmi: int) -> None:
    """An SPN has 19 bits, an FMI 5 (SAE J1939-73, section 5.7.1)."""
    with pytest.raises(ValueError, match="outside"):
        encode_clear(spn, fmi, active=True)


def test_ecu_identification() -> None:
    """The text of AgIsoStack++, diagnostic_protocol_tests.cpp, in the order that its sender has."""
    found = decode_ecu(b"1234*9876*The Internet*AgISOStack*None*Some Hardware ID*")
    assert found is not None
    assert dict(found.fields) == {
        "part_number": "1234", "serial_number": "9876", "location": "The Internet", "type": "AgISOStack",
        "manufacturer": "None", "hardware": "Some Hardware ID",
    }


@pytest.mark.parametrize(
    ("payload", "vin"),
    [
        pytest.param(b"TESTVIN0123456789*", "TESTVIN0123456789", id="star"),
        pytest.param(b"TESTVIN0123456789*\xff\xff", "TESTVIN0123456789", id="star-and-filling"),
        pytest.param(b"TESTVIN0123456789", "TESTVIN0123456789", id="no-star"),
        # J1939-Framework, Database/frames.json, has the same rule: a text ends at its star.
        pytest.param(b"abcdefghjk1234*", "abcdefghjk1234", id="published"),
        pytest.param(b"*", None, id="empty"),
        pytest.param(b"\xff" * 18, None, id="filling"),
        pytest.param(b"", None, id="no-bytes"),
    ],
)
def test_vin(payload: bytes, vin: str | None) -> None:
    """The text before the star; a missing star does not lose it (SAE J1939-71, from memory)."""
    found = decode_vin(payload)
    assert (None if found is None else found.fields[0][1]) == vin


def test_component_and_software() -> None:
    """Fields keep their places when one is empty; software has its count in byte 1 (SAE J1939-71, from memory)."""
    component = decode_component(b"DEMO*PS-4**0042*")
    assert component is not None
    assert component.fields == (("make", "DEMO"), ("model", "PS-4"), ("serial_number", ""), ("unit_number", "0042"))
    software = decode_software(b"\x02main 1.4*boot 0.9*")
    assert software is not None
    assert software.fields == (("software_1", "main 1.4"), ("software_2", "boot 0.9"))


def test_calibrations() -> None:
    """DM19: the verification number goes low byte first, then 16 characters (section 5.7.19, from memory)."""
    found = decode_calibrations(bytes.fromhex("78 56 34 12") + b"DEMO-CAL-1\0\0\0\0\0\0" + bytes(4) + b" " * 16)
    assert found is not None
    assert found.calibrations == (Calibration("DEMO-CAL-1", 0x12345678), Calibration("", 0))
    assert decode_calibrations(bytes(19)) is None


def test_texts_are_bounded() -> None:
    """A maker's text of thousands of characters or fields does not grow what is kept."""
    long = decode_component(b"A" * 100_000 + b"*")
    assert long is not None
    assert len(long.fields[0][1]) == 200
    many = decode_software(b"\xff" + b"A*" * 100_000)
    assert many is not None
    assert len(many.fields) == 50


def test_name() -> None:
    """python-can-j1939, test_ca.py: id number 1234567, maker 666, function 201."""
    name = decode_name(bytes.fromhex("87 D6 52 53 82 C9 FE 52"))
    assert name is not None
    assert (name.identity_number, name.manufacturer_code, name.function) == (1234567, 666, 201)
    assert decode_name(bytes(7)) is None


@given(
    st.sampled_from(sorted(GROUPS)),
    st.binary(max_size=80) | st.binary(min_size=1, max_size=12).map(lambda some: some * 40),
)
def test_any_bytes_are_a_report_or_none(pgn: int, payload: bytes) -> None:
    """No payload makes a decoder raise, and the same bytes give the same report."""
    group = GROUPS[pgn]
    assert group.pgn == pgn
    assert group.decode(payload) == group.decode(payload)
    decode_clear_answer(payload)
