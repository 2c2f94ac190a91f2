"""Trouble codes and lamps against published messages.

Sources: LX = unit tests of the Rust crate Laixer/J1939; AG = AgIsoStack-plus-plus diagnostic_protocol_tests.cpp;
PY = python-can-j1939 test_dtc_conversion_methods.py; J1939-73 = SAE J1939-73 section 5.7.1 (its SPN 1208 example is
cited from memory).
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from faultlamp.j1939.diagnostics import (
    METHODS,
    Dtc,
    Lamp,
    LampState,
    decode_dtc,
    decode_report,
    encode_dtc,
    is_no_fault,
)

ON, OFF, NA = LampState.ON, LampState.OFF, LampState.NOT_AVAILABLE

MESSAGES = [
    pytest.param("57FF9F000301", (ON, ON, ON, NA), [(159, 3, 1, 0)], id="LX diagnostic_1_message_1"),
    pytest.param("57FFFB060B32", (ON, ON, ON, NA), [(1787, 11, 50, 0)], id="LX diagnostic_1_message_2"),
    pytest.param("40FF7F020200FFFF", (ON, OFF, OFF, OFF), [(639, 2, 0, 0)], id="LX diagnostic_1_message_5"),
    pytest.param("00FF00000000FFFF", (OFF, OFF, OFF, OFF), [], id="LX diagnostic_1_message_4, no fault"),
    pytest.param("00FFD2041F01FFFF", (OFF, OFF, OFF, OFF), [(1234, 31, 1, 0)], id="AG single code"),
    pytest.param("00FFFFFFFFFFFFFF", (OFF, OFF, OFF, OFF), [], id="J1939-73 older 'no fault', from memory"),
    pytest.param(
        "FFFFD2041F0137020201CE220C01", (NA, NA, NA, NA), [(1234, 31, 1, 0), (567, 2, 1, 0), (8910, 12, 1, 0)],
        id="AG three codes",
    ),
    pytest.param(
        "14FF640001056E00100208F0FF7F", (OFF, ON, ON, OFF), [(100, 1, 5, 0), (110, 16, 2, 0), (520200, 31, None, 0)],
        id="J1939-73 by hand, SPN above 65535 and count not available",
    ),
]


@pytest.mark.parametrize(("data", "lamps", "codes"), MESSAGES)
def test_published_messages(data: str, lamps: tuple[LampState, ...], codes: list[tuple[int, int, int, int]]) -> None:
    """Lamps and codes of a whole message are the published ones."""
    report = decode_report(1, bytes.fromhex(data))
    assert report is not None
    assert report.lamps == lamps
    assert [tuple(dtc) for dtc in report.dtcs] == codes


@pytest.mark.parametrize(
    ("method", "first", "second"),
    [
        (1, "2468A583", "0097038A"),
        (2, "6824A583", "9700038A"),
        (3, "45232583", "B804038A"),
        (4, "45232503", "B804030A"),
    ],
)
def test_four_conversion_methods(method: int, first: str, second: str) -> None:
    """SPN 74565 FMI 5 count 3 (PY) and SPN 1208 FMI 3 count 10 (J1939-73) in all four bit orders."""
    conversion = int(method != 4)
    assert decode_dtc(bytes.fromhex(first), method) == Dtc(74565, 5, 3, conversion)
    assert decode_dtc(bytes.fromhex(second), method) == Dtc(1208, 3, 10, conversion)
    assert encode_dtc(Dtc(74565, 5, 3, conversion), method).hex().upper() == first
    assert encode_dtc(Dtc(1208, 3, 10, conversion), method).hex().upper() == second


def test_method_matters_only_with_the_conversion_bit() -> None:
    """A code with CM 0 reads the same whatever the user says about that controller."""
    assert {decode_dtc(bytes.fromhex("45232503"), method) for method in METHODS} == {Dtc(74565, 5, 3, 0)}


LAMP_BITS = [
    (0b00, 0b00, "off"), (0b00, 0b01, "off"), (0b00, 0b10, "off"), (0b00, 0b11, "off"),
    (0b01, 0b00, "slow_flash"), (0b01, 0b01, "fast_flash"), (0b01, 0b10, "on"), (0b01, 0b11, "on"),
    (0b10, 0b00, "reserved"), (0b10, 0b01, "reserved"), (0b10, 0b10, "reserved"), (0b10, 0b11, "reserved"),
    (0b11, 0b00, "not_available"), (0b11, 0b01, "not_available"), (0b11, 0b10, "not_available"),
    (0b11, 0b11, "not_available"),
]


@pytest.mark.parametrize("lamp", list(Lamp))
@pytest.mark.parametrize(("bits", "flash", "state"), LAMP_BITS)
def test_every_lamp_state_at_every_place(lamp: Lamp, bits: int, flash: int, state: str) -> None:
    """All sixteen pairs of lamp and flash bits, in each of the four places (SAE J1939-73, section 5.7.1)."""
    place = {"malfunction_indicator": 6, "red_stop": 4, "amber_warning": 2, "protect": 0}[lamp]
    report = decode_report(1, bytes((bits << place, flash << place)))
    assert report is not None
    assert report.lamps[list(Lamp).index(lamp)] == state
    assert all(other is OFF for other in report.lamps[: list(Lamp).index(lamp)])


@pytest.mark.parametrize("data", ["", "00"], ids=["empty", "one byte"])
def test_a_message_without_both_lamp_bytes_is_nothing(data: str) -> None:
    """What cannot hold the lamps is no report."""
    assert decode_report(1, bytes.fromhex(data)) is None


@pytest.mark.parametrize("rest", ["", "AA", "AABB", "AABBCC"], ids=len)
def test_a_remainder_is_no_code(rest: str) -> None:
    """One to three bytes after the last whole code are ignored."""
    report = decode_report(1, bytes.fromhex("00FF6E000302" + rest))
    assert report is not None
    assert report.dtcs == (Dtc(110, 3, 2, 0),)


def test_a_repeated_code_counts_once_with_the_last_known_count() -> None:
    """The same pair twice is one code; 'count not available' does not erase a count."""
    report = decode_report(1, bytes.fromhex("00FF" "6E000302" "6E000305" "6E00037F"))
    assert report is not None
    assert report.dtcs == (Dtc(110, 3, 5, 0),)


codes = st.builds(
    Dtc,
    spn=st.integers(0, (1 << 19) - 1), fmi=st.integers(0, 31),
    occurrence_count=st.none() | st.integers(0, 126), conversion_method=st.integers(0, 1),
)


@given(codes, st.sampled_from(METHODS))
def test_codes_survive_a_round_trip(dtc: Dtc, method: int) -> None:
    """Four bytes hold exactly one code."""
    assert decode_dtc(encode_dtc(dtc, method), method) == dtc


@given(st.binary(max_size=200), st.sampled_from(METHODS))
def test_any_bytes_are_read_without_complaint(payload: bytes, method: int) -> None:
    """Whatever arrives, each pair appears once, none is a 'no fault', and there are no more than fit."""
    report = decode_report(1, payload, method)
    if report is None:
        assert len(payload) < 2
        return
    pairs = [(dtc.spn, dtc.fmi) for dtc in report.dtcs]
    assert len(pairs) == len(set(pairs)) <= (len(payload) - 2) // 4
    assert not any(is_no_fault(*pair) for pair in pairs)


@pytest.mark.parametrize(
    "dtc", [Dtc(1 << 19, 0, 0, 0), Dtc(0, 32, 0, 0), Dtc(0, 0, 127, 0), Dtc(0, 0, 0, 2), Dtc(-1, 0, 0, 0)], ids=str
)
def test_codes_that_do_not_fit_are_refused(dtc: Dtc) -> None:
    """A field out of range is an error of ours, not silently another code."""
    with pytest.raises(ValueError, match="does not fit"):
        encode_dtc(dtc)
