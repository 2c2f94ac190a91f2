"""Readings: shipped layouts against published bytes and cantools, states by width, columns, user DBCs.

Sources: LX, VJ, FZ are the unit tests and documents of the public libraries Laixer J1939, voltage_j1939 and
J1939-Framework; "computed" marks results worked out by hand from the published bytes.
"""

import math
import random
import re
import struct
import subprocess
import sys
from collections.abc import Callable
from decimal import Decimal
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from cantools.database.can import Database
from hypothesis import given, settings
from hypothesis import strategies as st

from faultlamp.errors import DataFileError
from faultlamp.j1939.identifier import split_identifier
from faultlamp.j1939.readings import (
    ABSENT,
    LONGEST_TEXT,
    STATES,
    BitField,
    GroupLayout,
    Layouts,
    Reading,
    ReadingState,
    Selector,
    SignalLayout,
    decode,
    decode_columns,
    standard_range,
    value_column,
)
from faultlamp.knowledge.layouts import load_layouts
from faultlamp.resources import shipped

OK, NOT_AVAILABLE, ERROR = ReadingState.OK, ReadingState.NOT_AVAILABLE, ReadingState.ERROR
NA, ERR = "n/a", "error"

SHIPPED = load_layouts()
SHIPPED_DBC = shipped("dbc") / "faultlamp-j1939.dbc"
SHIPPED_SIGNALS = [
    pytest.param(group, signal, id=f"{group.acronym}-{signal.spn}")
    for group in SHIPPED.groups.values() for signal in group.signals
]

EEC1, EEC2, ET1, EFL_P1, IC1, VEP1, LFC1, AMB, CCVS1 = 61444, 61443, 65262, 65263, 65270, 65271, 65257, 65269, 65265


def word(reading: Reading) -> float | str | None:
    """The value, or in a word why there is none."""
    return {OK: reading.value, NOT_AVAILABLE: NA, ERROR: ERR}[reading.state]


def signal(**changes: object) -> SignalLayout:
    """An 8-bit signal in byte 1 with the changes."""
    fields: dict[str, object] = {
        "start_bit": 0, "bit_length": 8, "spn": 520192, "name": "Sample", "scale": Decimal(1), "offset": Decimal(0),
        "unit": "",
    } | changes
    lowest, highest = standard_range(int(str(fields["bit_length"])))
    return SignalLayout(**({"lowest_raw": lowest, "highest_raw": highest} | fields))  # type: ignore[arg-type]


# ---- published worked examples ------------------------------------------------------------------------------------

EXAMPLES = [
    pytest.param(EEC1, "F3 91 91 AA 18 00 F3 FF",
                 {899: 3, 4154: NA, 512: 20, 513: 20, 190: 789.25, 1483: 0, 1675: 3, 2432: NA},
                 id="LX electronic_engine_controller_1_message_2"),
    pytest.param(EEC1, "F0 EA 7D 00 00 00 F0 FF",
                 {899: 0, 512: 109, 513: 0, 190: 0, 1675: 0}, id="LX electronic_engine_controller_1_message_1"),
    pytest.param(EEC1, "00 00 00 20 4E 00 00 00",
                 {190: 2500, 512: -125, 513: -125}, id="VJ README engine speed, results computed"),
    pytest.param(EEC1, "FF 7D 7D E0 15 FF F0 FF",
                 {899: NA, 190: 700, 512: 0, 513: 0, 1483: NA, 1675: 0}, id="public generator-set CAN manual"),
    pytest.param(EEC1, "FF FF FF 68 13 FF FF FF",
                 {899: NA, 4154: NA, 512: NA, 513: NA, 190: 621, 1483: NA, 1675: NA, 2432: NA},
                 id="public J1939 tutorial, from memory"),
    pytest.param(ET1, "42 3B FF FF FF FF FF FF",
                 {110: 26, 174: 19, 175: NA, 176: NA, 52: NA, 1134: NA}, id="LX engine_temperature_1_message_1"),
    pytest.param(ET1, "82 FF FF FF FF FF FF FF", {110: 90}, id="VJ README coolant temperature"),
    pytest.param(AMB, "C0 FF FF FF FF 35 FF FF",
                 {108: 96, 172: 13, 170: NA, 171: NA, 79: NA}, id="LX ambient_conditions_message_1"),
    pytest.param(EFL_P1, "1A FF FF 01 FF FF 00 00",
                 {94: 104, 100: 4, 109: 0, 111: 0, 22: NA, 98: NA, 101: NA},
                 id="LX engine_fluid_level_pressure_1_message_1"),
    pytest.param(IC1, "D4 30 3E 32 41 0B 0A 00",
                 {81: 106, 102: 96, 105: 22, 106: 100, 107: 3.25, 173: -192.65625, 112: 0},
                 id="LX inlet_exhaust_conditions_1_message_1, 81 and 112 computed"),
    pytest.param(VEP1, "FF FF FF FF E3 01 E7 01",
                 {168: 24.15, 158: 24.35, 114: NA, 115: NA, 167: NA}, id="LX vehicle_electrical_power_message_1"),
    pytest.param(LFC1, "FA D8 02 00 FA D8 02 00", {182: 93309, 250: 93309}, id="LX fuel_consumption_message_1"),
    pytest.param(CCVS1, "FF 00 50 9F FF FF 1F FF",
                 {84: 80, 597: 1, 598: ERR, 976: NA, 527: 0}, id="FZ genericframe_test decode, 527 computed"),
    pytest.param(CCVS1, "FF 00 32 6F FF FF E5 FF",
                 {84: 50, 597: ERR, 598: 1, 976: 5, 527: NA}, id="FZ genericframe_test encode, 527 computed"),
]


@pytest.mark.parametrize(("pgn", "data", "expected"), EXAMPLES)
def test_published_bytes_give_the_published_values(pgn: int, data: str, expected: dict[int, float | str]) -> None:
    """Each worked example decodes to its published result, exactly."""
    readings = {reading.spn: word(reading) for reading in decode(SHIPPED.groups[pgn], bytes.fromhex(data))}
    assert {spn: readings[spn] for spn in expected} == expected


# ---- the shipped DBC ------------------------------------------------------------------------------------------------

REQUIRED = {
    190: 61444, 513: 61444, 91: 61443, 92: 61443, 110: 65262, 174: 65262, 175: 65262, 100: 65263, 94: 65263,
    98: 65263, 111: 65263, 102: 65270, 105: 65270, 168: 65271, 158: 65271, 247: 65253, 183: 65266, 171: 65269,
    108: 65269, 84: 65265, 96: 65276, 97: 65279, 1081: 65252, 1761: 65110,
}


@pytest.mark.parametrize(("spn", "pgn"), REQUIRED.items())
def test_what_a_technician_looks_at_is_there(spn: int, pgn: int) -> None:
    """The readings of an engine dashboard come from their group (numbers: LX, VJ, FZ; 97 and 1081 see the DBC)."""
    assert [group.pgn for group, _ in SHIPPED.places(spn)] == [pgn]


@pytest.mark.parametrize(("spn", "first", "bits", "scale", "offset", "unit"), [
    pytest.param(183, "1.1", 16, "0.05", "0", "L/h", id="183 LX VJ FZ"),
    pytest.param(185, "5.1", 16, "0.001953125", "0", "km/L", id="185 LX VJ"),
    pytest.param(91, "2.1", 8, "0.4", "0", "%", id="91 VJ FZ"),
    pytest.param(92, "3.1", 8, "1", "0", "%", id="92 LX VJ FZ"),
    pytest.param(515, "2.1", 16, "0.125", "0", "rpm", id="515 LX VJ"),
    pytest.param(247, "1.1", 32, "0.05", "0", "h", id="247 VJ FZ"),
    pytest.param(249, "5.1", 32, "1000", "0", "r", id="249 VJ"),
    pytest.param(245, "5.1", 32, "0.125", "0", "km", id="245 LX VJ"),
    pytest.param(917, "1.1", 32, "5", "0", "m", id="917 FZ"),
    pytest.param(96, "2.1", 8, "0.4", "0", "%", id="96 FZ"),
    pytest.param(1081, "4.1", 2, "1", "0", "", id="1081 LX"),
    pytest.param(1110, "5.1", 2, "1", "0", "", id="1110 LX"),
    pytest.param(1111, "6.7", 2, "1", "0", "", id="1111 LX"),
    pytest.param(1761, "1.1", 8, "0.4", "0", "%", id="1761 FZ LX"),
    pytest.param(157, "3.1", 16, "0.00390625", "0", "MPa", id="157 LX"),
    pytest.param(1639, "3.1", 16, "0.125", "0", "rpm", id="1639 LX"),
    pytest.param(187, "4.1", 16, "0.125", "0", "rpm", id="187 LX"),
    pytest.param(177, "5.1", 16, "0.03125", "-273", "degC", id="177 FZ"),
    pytest.param(523, "4.1", 8, "1", "-125", "", id="523 FZ"),
    pytest.param(964, "6.1", 8, "1", "1985", "year", id="964 LX"),
    pytest.param(518, "4.1", 8, "1", "-125", "%", id="518 LX"),
    pytest.param(97, "1.1", 2, "1", "0", "", id="97 from memory"),
    pytest.param(3701, "2.5", 3, "1", "0", "", id="3701 from memory"),
    pytest.param(3717, "6.7", 2, "1", "0", "", id="3717 from memory"),
    pytest.param(3217, "3.1", 16, "0.000514", "-12", "%", id="3217 from memory"),
    pytest.param(3216, "1.1", 16, "0.05", "-200", "ppm", id="3216 from memory"),
    pytest.param(3251, "5.1", 16, "0.1", "0", "kPa", id="3251 from memory"),
    pytest.param(3721, "3.1", 32, "1", "0", "s", id="3721 from memory"),
    pytest.param(103, "2.1", 16, "4", "0", "rpm", id="103 from memory"),
    pytest.param(1127, "1.1", 16, "0.125", "0", "kPa", id="1127 from memory"),
])
def test_places_that_no_worked_example_covers(
    spn: int, first: str, bits: int, scale: str, offset: str, unit: str
) -> None:
    """First bit as byte.bit counted from 1, width, resolution, offset and unit are the published ones."""
    ((_, one),) = SHIPPED.places(spn)
    assert f"{one.start_bit // 8 + 1}.{one.start_bit % 8 + 1}" == first
    assert (one.bit_length, one.scale, one.offset, one.unit) == (bits, Decimal(scale), Decimal(offset), unit)


# Raw states that are values, where the width alone would say otherwise (SAE J1939-71, from memory; 1675: LX).
OWN_RANGES = {
    695: (0, 3), 696: (0, 3), 897: (0, 3), 899: (0, 14), 4154: (0, 7), 1483: (0, 254), 1675: (0, 12), 3697: (0, 4),
    3700: (0, 2), 3701: (0, 3), 3698: (0, 1), 4175: (0, 2), 977: (0, 14), 976: (0, 29), 527: (0, 6),
}
# SAE J1939-71, section 5.1.4 (from memory; 1 and 2 bytes also in the public library libj1939).
RANGE_BY_WIDTH = {2: (0, 1), 3: (0, 5), 8: (0, 250), 16: (0, 64255), 32: (0, 4211081215)}


@pytest.mark.parametrize(("group", "layout"), SHIPPED_SIGNALS)
def test_valid_ranges_are_those_of_the_standard(group: GroupLayout, layout: SignalLayout) -> None:
    """[min|max] in the DBC is the standard's valid raw range, or the parameter's own list of states."""
    expected = OWN_RANGES.get(layout.spn or 0) or RANGE_BY_WIDTH[layout.bit_length]
    assert (layout.lowest_raw, layout.highest_raw) == expected


@pytest.mark.parametrize("group", SHIPPED.groups.values(), ids=lambda group: group.acronym)
def test_no_bit_has_two_meanings(group: GroupLayout) -> None:
    """Signals of one shipped group do not overlap, fit in its 8 bytes and stand in their order."""
    bits = [bit for one in group.signals for bit in range(one.start_bit, one.start_bit + one.bit_length)]
    assert bits == sorted(set(bits))
    assert bits[-1] < 8 * group.length == 64


def test_each_spn_has_one_place() -> None:
    """No shipped parameter stands in two groups, and all have a number."""
    spns = [one.spn for group in SHIPPED.groups.values() for one in group.signals]
    assert None not in spns
    assert len(spns) == len(set(spns))


def test_every_group_says_how_often_it_comes() -> None:
    """Each shipped group has a repetition, else nothing in it could ever be called stale (rates: from memory)."""
    assert {group.acronym: group.cycle_time_ms for group in SHIPPED.groups.values() if not group.cycle_time_ms} == {}
    assert [SHIPPED.groups[pgn].cycle_time_ms for pgn in (EEC1, EEC2, ET1, EFL_P1)] == [100, 50, 1000, 500]


@pytest.mark.parametrize(("cycle_time_ms", "seconds"), [(20, 1), (200, 1), (250, 1.25), (1000, 5), (None, 5)])
def test_a_reading_is_stale_after_five_intervals(cycle_time_ms: int | None, seconds: float) -> None:
    """At least 1 s; a group without a usual interval counts as one a second (common practice, no source)."""
    assert GroupLayout(65280, "PROP", cycle_time_ms, 8, ()).stale_after_ns == seconds * 1e9


@cache
def shipped_database() -> Database:
    """The shipped DBC as cantools has it."""
    database = Database()
    database.add_dbc_file(SHIPPED_DBC)
    return database


def test_cantools_knows_the_groups_for_j1939() -> None:
    """The frame format attribute says J1939PG, and cantools reads our parameter numbers."""
    messages = shipped_database().messages
    assert {message.protocol for message in messages} == {"j1939"}
    assert {split_identifier(message.frame_id).pgn for message in messages} == set(SHIPPED.groups)
    assert all(one.spn for message in messages for one in message.signals)


@pytest.mark.parametrize(("group", "layout"), SHIPPED_SIGNALS)
def test_numbers_agree_with_cantools(group: GroupLayout, layout: SignalLayout) -> None:
    """For random valid raw values in random bytes, cantools gives the same raw number and the same value."""
    message = shipped_database().get_message_by_name(group.acronym)
    chance = random.Random(layout.spn)
    for _ in range(25):
        number = int.from_bytes(chance.randbytes(8), "little")
        raw = chance.randint(int(layout.lowest_raw), int(layout.highest_raw))
        number = number & ~(layout.mask << layout.start_bit) | raw << layout.start_bit
        payload = number.to_bytes(8, "little")
        (reading,) = [one for one in decode(group, payload) if one.spn == layout.spn]
        assert (reading.state, reading.raw) == (OK, raw)
        assert raw == message.decode_simple(payload, decode_choices=False, scaling=False)[layout.name]
        theirs = message.decode_simple(payload, decode_choices=False)[layout.name]
        assert reading.value == pytest.approx(theirs, rel=1e-12, abs=1e-9)


SIGNAL_LINE = re.compile(r" SG_ (\w+) : (\d+)\|(\d+)@1\+ \(([-.\d]+),([-.\d]+)\) \[([-.\d]+)\|([-.\d]+)\]")


def test_texts_are_exact_decimals_of_the_file() -> None:
    """Text and value of both limits are those that the DBC's own text says, digit for digit."""
    lines = SIGNAL_LINE.findall(SHIPPED_DBC.read_text(encoding="ascii"))
    assert len(lines) == len(SHIPPED_SIGNALS)
    by_name = {one.name: one for group in SHIPPED.groups.values() for one in group.signals}
    for name, _, _, scale, offset, least, most in lines:
        layout = by_name[name]
        decimals = max(len(text.partition(".")[2]) for text in (scale, offset))
        for raw, limit in ((layout.lowest_raw, least), (layout.highest_raw, most)):
            assert Decimal(int(raw)) * Decimal(scale) + Decimal(offset) == Decimal(limit)
            assert layout.format_value(int(raw)) == f"{Decimal(limit):.{decimals}f}"
            assert layout.value(int(raw)) == float(limit)


@pytest.mark.parametrize(("spn", "raw", "text"), [
    (190, 6500, "812.500"), (168, 483, "24.15"), (175, 0, "-273.00000"), (110, 39, "-1"), (84, 20480, "80.00000000"),
    (3217, 1, "-11.999486"), (101, 31999, "-0.0078125"), (249, 7, "7000"), (247, 3, "0.15"),
])
def test_text_has_the_digits_of_the_resolution(spn: int, raw: int, text: str) -> None:
    """Decimals as the resolution needs, no more, no floating-point noise (results computed by hand)."""
    ((_, layout),) = SHIPPED.places(spn)
    assert layout.format_value(raw) == text
    assert layout.value(raw) == float(text)


def test_states_have_words() -> None:
    """State parameters carry the standard's words (torque modes: LX, VJ)."""
    ((_, layout),) = SHIPPED.places(899)
    assert (layout.states[0], layout.states[3]) == ("low idle governor / no request", "PTO governor")


# ---- what is a value, by width --------------------------------------------------------------------------------------

# SAE J1939-71, section 5.1.4 (from memory): first and last raw value of each range.
STATE_RANGES = [
    (2, OK, 0, 1), (2, ERROR, 2, 2), (2, NOT_AVAILABLE, 3, 3),
    (3, OK, 0, 5), (3, ERROR, 6, 6), (3, NOT_AVAILABLE, 7, 7),
    (4, OK, 0, 13), (4, ERROR, 14, 14), (4, NOT_AVAILABLE, 15, 15),
    (8, OK, 0x00, 0xFA), (8, NOT_AVAILABLE, 0xFB, 0xFD), (8, ERROR, 0xFE, 0xFE), (8, NOT_AVAILABLE, 0xFF, 0xFF),
    (16, OK, 0x0000, 0xFAFF), (16, NOT_AVAILABLE, 0xFB00, 0xFDFF), (16, ERROR, 0xFE00, 0xFEFF),
    (16, NOT_AVAILABLE, 0xFF00, 0xFFFF),
    (24, OK, 0x000000, 0xFAFFFF), (24, NOT_AVAILABLE, 0xFB0000, 0xFDFFFF), (24, ERROR, 0xFE0000, 0xFEFFFF),
    (24, NOT_AVAILABLE, 0xFF0000, 0xFFFFFF),
    (32, OK, 0x00000000, 0xFAFFFFFF), (32, NOT_AVAILABLE, 0xFB000000, 0xFDFFFFFF),
    (32, ERROR, 0xFE000000, 0xFEFFFFFF), (32, NOT_AVAILABLE, 0xFF000000, 0xFFFFFFFF),
    # Not in the standard: our extension of the same two rules.
    (1, OK, 0, 1), (12, OK, 0, 0xFFD), (12, ERROR, 0xFFE, 0xFFE), (12, NOT_AVAILABLE, 0xFFF, 0xFFF),
    (64, OK, 0, (0xFB << 56) - 1), (64, NOT_AVAILABLE, 0xFB << 56, (0xFE << 56) - 1),
    (64, ERROR, 0xFE << 56, (0xFF << 56) - 1), (64, NOT_AVAILABLE, 0xFF << 56, (1 << 64) - 1),
]


@pytest.mark.parametrize(("width", "state", "first", "last"), STATE_RANGES)
def test_state_ranges_of_each_width(width: int, state: ReadingState, first: int, last: int) -> None:
    """Both ends of each range have its state, one at a time and as a column."""
    layout = signal(bit_length=width)
    assert [layout.state(first), layout.state(last)] == [state, state]
    _, states = decode_columns(layout, np.array([first, last], np.uint64))
    assert [STATES[code] for code in states.tolist()] == [state, state]


def test_parameters_with_their_own_states() -> None:
    """A list of states decides before the width does: torque mode 14 is 'other', not error (from memory)."""
    readings = {one.spn: word(one) for one in decode(SHIPPED.groups[EEC1], bytes.fromhex("FE 7D 7D 00 00 FE FE 7D"))}
    assert (readings[899], readings[1483], readings[1675]) == (14, 254, ERR)


@pytest.mark.parametrize("length", range(9))
def test_missing_bytes_are_not_available(length: int) -> None:
    """Of a short frame, only the signals whose bytes are all there have a value (SAE J1939-71, from memory)."""
    payload = bytes.fromhex("F3 91 91 AA 18 00 F3 7D")[:length]
    for reading in decode(SHIPPED.groups[EEC1], payload):
        there = reading.signal.start_bit + reading.signal.bit_length <= 8 * length
        expected = OK if there and reading.spn != 4154 else NOT_AVAILABLE
        assert reading.state is expected
        assert (reading.value is not None) == (expected is OK)


def test_a_missing_single_bit_is_not_available() -> None:
    """One bit has no code for it, but a byte that is not there is no value either."""
    group = GroupLayout(65280, "PROP", None, 8, (signal(start_bit=8, bit_length=1),))
    assert [word(decode(group, data)[0]) for data in (b"\x00\x01", b"\x00\x00", b"\x01")] == [1, 0, NA]


def test_groups_longer_than_a_frame() -> None:
    """A signal beyond byte 8 is decoded from a multi-packet message and never from a single frame."""
    layout = signal(start_bit=8 * 10, bit_length=16)
    group = GroupLayout(65280, "PROP", None, 20, (layout,))
    assert word(decode(group, bytes(10) + b"\x34\x12" + bytes(8))[0]) == 0x1234
    assert word(decode(group, bytes(11))[0]) == NA
    _, states = decode_columns(layout, np.zeros(2, np.uint64))
    assert [STATES[code] for code in states.tolist()] == [NOT_AVAILABLE] * 2


# ---- columns against one at a time ----------------------------------------------------------------------------------

@st.composite
def layouts(draw: st.DrawFn) -> SignalLayout:
    """Any signal within 8 bytes: width, byte order, sign, float, range, multiplexers, resolution."""
    is_float = draw(st.booleans())
    width = draw(st.sampled_from([16, 32, 64]) if is_float else st.integers(1, 64))
    big_endian = draw(st.booleans())
    place = draw(st.integers(0, 64 - width))
    # Counted from the first bit on the wire, the start of a big-endian field is its highest bit.
    start = 8 * (place // 8) + 7 - place % 8 if big_endian else place
    signed = draw(st.booleans())
    least, most = (-(1 << width - 1), (1 << width - 1) - 1) if signed else standard_range(width)
    limits = st.just((least, most)) | st.tuples(*[st.integers(least, most)] * 2)
    lowest, highest = draw(st.sampled_from([(-math.inf, math.inf), (-1.5, 1e6)]) if is_float else limits)
    selectors = draw(st.lists(st.builds(
        Selector, st.just(BitField(start_bit=0, bit_length=2)), st.frozensets(st.integers(0, 5), max_size=4)
    ), max_size=2))
    return signal(
        start_bit=start, bit_length=width, big_endian=big_endian, signed=signed, is_float=is_float,
        lowest_raw=min(lowest, highest), highest_raw=max(lowest, highest), selectors=tuple(selectors),
        scale=Decimal(draw(st.sampled_from(["1", "-1", "0.125", "0.000514", "1E+3", "1E-16", "0.1"]))),
        offset=Decimal(draw(st.sampled_from(["0", "-40", "0.3", "-12"]))),
    )


shipped_layouts = [one for group in SHIPPED.groups.values() for one in group.signals]
any_layout: st.SearchStrategy[SignalLayout] = layouts() | st.sampled_from(shipped_layouts)
# Bytes that the state ranges turn on come up more often than chance would have it.
wire_bytes = st.lists(st.sampled_from([0x00, 0x7F, 0x80, 0xFA, 0xFB, 0xFE, 0xFF]) | st.integers(0, 255), max_size=8)


@settings(max_examples=300, deadline=None)
@given(any_layout, st.lists(wire_bytes.map(bytes), min_size=1, max_size=12))
def test_columns_equal_one_at_a_time(layout: SignalLayout, payloads: list[bytes]) -> None:
    """Raw value, state and value of a column are those of each message decoded by itself."""
    group = GroupLayout(65280, "PROP", None, 8, (layout,))
    data = np.array([int.from_bytes(payload.ljust(8, b"\xff"), "little") for payload in payloads], np.uint64)
    raw, state = decode_columns(layout, data, np.array([len(payload) for payload in payloads], np.uint8))
    values = value_column(layout, raw)
    for at, payload in enumerate(payloads):
        readings = decode(group, payload)
        if not readings:
            assert state[at] == ABSENT
            continue
        (reading,) = readings
        assert (int(raw[at]), STATES[state[at]]) == (reading.raw, reading.state)
        if reading.state is OK:
            assert (values[at], layout.format_value(int(raw[at]))) == (reading.value, reading.text)
        else:
            assert (reading.value, reading.text) == (None, "")


@settings(deadline=None)
@given(any_layout.filter(lambda layout: not layout.is_float), st.integers(0, (1 << 64) - 1))
def test_values_are_the_nearest_float_of_the_exact_decimal(layout: SignalLayout, bits: int) -> None:
    """Text is raw * scale + offset by schoolbook arithmetic, and the value is what Python reads from that text."""
    raw = layout.raw(bits & layout.mask)
    text = layout.format_value(raw)
    numerator, denominator = layout.scale.as_integer_ratio()
    above, below = layout.offset.as_integer_ratio()
    written, unit = Decimal(text).as_integer_ratio()
    assert written * denominator * below == (raw * numerator * below + above * denominator) * unit
    assert layout.value(raw) == float(text)


def test_wide_columns_round_once() -> None:
    """Where raw * scale does not fit in a float's 53 bits, a column still gives the nearest float."""
    layout = signal(bit_length=64, scale=Decimal("0.000514"), offset=Decimal("-12"))
    chance = random.Random(1)
    data = np.array([chance.getrandbits(64) for _ in range(200)], np.uint64)
    raw, _ = decode_columns(layout, data)
    assert value_column(layout, raw).tolist() == [float(layout.format_value(number)) for number in data.tolist()]


# ---- a user's DBC ---------------------------------------------------------------------------------------------------

HEAD = 'VERSION ""\n\nNS_ :\n\nBS_:\n\nBU_: Any\n\n'
PROPRIETARY = 0x98FF0003  # group 65280 from address 3, with the DBC's mark of 29 bits


def message(signals: str, *, identifier: int = PROPRIETARY, name: str = "PROP", length: int = 8, rest: str = "") -> str:
    """The text of a DBC message with the signals, one a line."""
    lines = "".join(f" SG_ {line}\n" for line in signals.strip().splitlines())
    return f"BO_ {identifier} {name}: {length} Any\n{lines}\n{rest}\n"


Load = Callable[..., Layouts]


@pytest.fixture
def user(tmp_path: Path) -> Load:
    """Loads the shipped layouts with a user's DBC of the given messages."""

    def load(*messages: str) -> Layouts:
        path = tmp_path / "user.dbc"
        path.write_text(HEAD + "".join(messages), encoding="utf-8")
        return load_layouts([path])

    return load


def test_a_user_dbc_adds_and_replaces_groups(user: Load) -> None:
    """A new group is added; one that the file has too replaces the shipped one as a whole; the rest stays."""
    amb = 0x98FEF503
    found = user(
        message('Pump : 0|16@1+ (0.5,0) [0|0] "L/min" Any'),
        message('Pressure : 8|16@1+ (1,0) [0|0] "kPa" Any', identifier=amb, name="MINE"),
        'BA_DEF_ SG_ "SPN" INT 0 524287;\nBA_DEF_DEF_ "SPN" 0;\n'
        f'BA_ "SPN" SG_ {amb} Pressure 108;\n'
        'BA_DEF_ BO_ "GenMsgCycleTime" INT 0 9999;\nBA_DEF_DEF_ "GenMsgCycleTime" 0;\n'
        f'BA_ "GenMsgCycleTime" BO_ {PROPRIETARY} 250;\n',
    )
    pump = found.groups[65280]
    assert [(one.spn, one.name, one.unit) for one in pump.signals] == [(None, "Pump", "L/min")]
    assert (pump.cycle_time_ms, found.groups[AMB].cycle_time_ms) == (250, None)
    assert [(group.acronym, one.name) for group, one in found.places(108)] == [("MINE", "Pressure")]
    assert found.places(171) == ()
    assert found.groups[ET1] == SHIPPED.groups[ET1]
    assert found.skipped == ()


def test_the_later_of_two_files_wins(tmp_path: Path) -> None:
    """Files are taken in the order they are named."""
    for name in ("first", "second"):
        text = HEAD + message('Same : 0|8@1+ (1,0) [0|0] "" Any', name=name.upper())
        (tmp_path / name).write_text(text, encoding="ascii")
    found = load_layouts([tmp_path / "first", tmp_path / "second"])
    assert found.groups[65280].acronym == "SECOND"


def test_an_addressed_group_is_known_without_its_destination(user: Load) -> None:
    """PDU1: the destination is no part of the group's number (SAE J1939-21, section 5.2)."""
    found = user(message('X : 0|8@1+ (1,0) [0|0] "" Any', identifier=0x98EF2103))
    assert 0xEF00 in found.groups


def test_what_cannot_be_used_is_said(user: Load) -> None:
    """11-bit messages, a second message of one group and signals over 64 bits are left out, each with a line."""
    plain = 'X : 0|8@1+ (1,0) [0|0] "" Any'
    found = user(
        message(plain, identifier=0x123, name="SHORT"),
        message(plain + '\nText : 8|80@1+ (1,0) [0|0] "" Any', length=11),
        message(plain, identifier=PROPRIETARY + 1, name="AGAIN"),
    )
    assert [one.name for one in found.groups[65280].signals] == ["X"]
    assert [line.partition("user.dbc: ")[2] for line in found.skipped] == [
        "message SHORT has an 11-bit identifier, so it is not J1939",
        "message PROP: signal Text is longer than 64 bits",
        "message AGAIN describes parameter group 65280 again; PROP came first",
    ]


SIGNALS = st.tuples(st.integers(0, 63), st.integers(1, 64), st.booleans(), st.booleans()).filter(
    lambda field: (8 * (field[0] // 8) + 7 - field[0] % 8 if field[2] else field[0]) + field[1] <= 64
)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(SIGNALS, st.binary(min_size=8, max_size=8)), min_size=1, max_size=8))
def test_any_bit_field_agrees_with_cantools(
    tmp_path_factory: pytest.TempPathFactory, fields: list[tuple[tuple[int, int, bool, bool], bytes]]
) -> None:
    """Both byte orders, any width and place, signed or not: the raw number is the one that cantools reads."""
    text = HEAD + "".join(
        message(f'X : {start}|{width}@{0 if motorola else 1}{"-" if signed else "+"} (1,0) [0|0] "" Any',
                identifier=PROPRIETARY + 256 * number, name=f"M{number}")
        for number, ((start, width, motorola, signed), _) in enumerate(fields)
    )
    path = tmp_path_factory.mktemp("any") / "any.dbc"
    path.write_text(text, encoding="ascii")
    database = Database()
    database.add_dbc_string(text)
    groups = load_layouts([path]).groups
    for number, (_, payload) in enumerate(fields):
        (reading,) = decode(groups[65280 + number], payload)
        theirs = database.get_message_by_name(f"M{number}").decode_simple(payload, scaling=False)["X"]
        assert reading.raw == theirs
        raw, _ = decode_columns(reading.signal, np.array([int.from_bytes(payload, "little")], np.uint64))
        assert int(raw[0]) == theirs


def test_motorola_and_signed_by_hand(user: Load) -> None:
    """A big-endian and a signed signal, worked by hand; two's complement holds no codes back."""
    group = user(message(
        'Big : 7|16@0+ (1,0) [0|0] "" Any\n'
        'Minus : 16|16@1- (0.5,0) [0|0] "" Any\n'
        'Edge : 32|8@1- (1,0) [-10|10] "" Any'
    )).groups[65280]
    payload = bytes.fromhex("12 34 FE FF F5 00 00 00")
    assert [word(one) for one in decode(group, payload)] == [0x1234, -1.0, NA]


def test_multiplexed_signals_come_only_when_chosen(user: Load) -> None:
    """The multiplexer's value says which signals the payload has, also with two levels and ranges."""
    group = user(message(
        'Page M : 0|8@1+ (1,0) [0|0] "" Any\n'
        'Page2 m1M : 8|8@1+ (1,0) [0|0] "" Any\n'
        'Low m2 : 16|8@1+ (1,0) [0|0] "" Any\n'
        'High m3 : 16|8@1+ (1,0) [0|0] "" Any',
        rest=f"SG_MUL_VAL_ {PROPRIETARY} Page2 Page 1-1;\nSG_MUL_VAL_ {PROPRIETARY} Low Page2 2-2;\n"
             f"SG_MUL_VAL_ {PROPRIETARY} High Page 3-5;\n",
    )).groups[65280]
    cases = {
        "01 02 07": {"Page": 1, "Page2": 2, "Low": 7}, "01 03 07": {"Page": 1, "Page2": 3},
        "04 02 07": {"Page": 4, "High": 7}, "06 02 07": {"Page": 6}, "01": {"Page": 1, "Page2": NA}, "": {"Page": NA},
    }
    for data, expected in cases.items():
        assert {one.signal.name: word(one) for one in decode(group, bytes.fromhex(data))} == expected


def test_float_signals(user: Load) -> None:
    """IEEE 754 in both byte orders; text is the shortest that tells the number apart; no number is no value."""
    group = user(message(
        'Single : 0|32@1- (1,0) [0|0] "" Any\nBig : 39|32@0- (2,1) [-100|100] "" Any',
        rest=f"SIG_VALTYPE_ {PROPRIETARY} Single : 1;\nSIG_VALTYPE_ {PROPRIETARY} Big : 1;\n",
    )).groups[65280]
    readings = decode(group, struct.pack("<f", 0.1) + struct.pack(">f", -3.25))
    assert [one.text for one in readings] == ["0.1", "-5.5"]
    assert [word(one) for one in readings] == [struct.unpack("<f", struct.pack("<f", 0.1))[0], -5.5]
    readings = decode(group, struct.pack("<f", math.nan) + struct.pack(">f", 50.0))
    assert [word(one) for one in readings] == [NA, NA]
    assert word(decode(group, struct.pack("<f", -math.inf) + bytes(4))[0]) == NA


@pytest.mark.parametrize(("line", "expected"), [
    pytest.param("0|8@1+ (1,0) [0|0]", (0, 250), id="no range: by width"),
    pytest.param("0|8@1+ (1,0) [0|255]", (0, 250), id="whole byte, everything: by width"),
    pytest.param("0|16@1+ (0.125,0) [0|8191.875]", (0, 64255), id="two whole bytes, everything: by width"),
    pytest.param("0|16@1+ (0.125,0) [0|8031.875]", (0, 64255), id="the standard's range"),
    pytest.param("0|2@1+ (1,0) [0|3]", (0, 3), id="two bits, everything: as the file says"),
    pytest.param("0|8@1+ (1,0) [0|252]", (0, 252), id="wider than the standard: as the file says"),
    pytest.param("0|8@1+ (1,-40) [-40|120]", (0, 160), id="narrower than the standard"),
    pytest.param("0|16@1+ (0.001953125,0) [0|125.498]", (0, 64255), id="limit rounded in the file"),
    pytest.param("0|8@1+ (-1,0) [-250|0]", (0, 250), id="falling resolution"),
    pytest.param("0|8@1+ (1,0) [9|2]", (0, 250), id="upside down: by width"),
    pytest.param("0|8@1+ (1,0) [300|900]", (0, 250), id="out of reach: by width"),
    pytest.param("0|8@1+ (1,0) [-9|900]", (0, 250), id="cut to what the bits hold"),
    pytest.param("0|1@1+ (1,0) [0|0]", (0, 1), id="one bit"),
    pytest.param("0|8@1- (1,0) [0|0]", (-128, 127), id="signed: everything"),
])
def test_valid_range_of_a_user_signal(user: Load, line: str, expected: tuple[int, int]) -> None:
    """[min|max] decides, unless it says nothing; then the width does (SAE J1939-71, section 5.1.4, from memory)."""
    (one,) = user(message(f'X : {line} "" Any')).groups[65280].signals
    assert (one.lowest_raw, one.highest_raw) == expected


def test_units_keep_their_letters_and_lose_escapes(tmp_path: Path) -> None:
    """A degree sign survives in both usual character sets; a control character does not."""
    for encoding in ("utf-8", "cp1252"):
        path = tmp_path / encoding
        path.write_text(HEAD + message('X : 0|8@1+ (1,0) [0|0] "°C\x1b[2J" Any'), encoding=encoding)
        assert load_layouts([path]).groups[65280].signals[0].unit == "°C·[2J"


BAD = [
    pytest.param("", "there is no message in this DBC", id="empty"),
    pytest.param(HEAD, "there is no message in this DBC", id="no message"),
    pytest.param("(1700000000.0) can0 18FECA00#00FF00000000FFFF\n", "not a DBC that makes sense", id="a recording"),
    pytest.param((HEAD + message('A : 0|8@1+ (1,0) [0|0] "" Any'))[:-20], "not a DBC that makes sense", id="cut off"),
    pytest.param(HEAD + message('A : 0|8@1+ (1,0) [0|0] "" Any\nB : 4|8@1+ (1,0) [0|0] "" Any'),
                 "The signals B and A are overlapping in message PROP", id="overlap"),
    pytest.param(HEAD + message('A : 60|8@1+ (1,0) [0|0] "" Any'), "does not fit in message PROP", id="too far out"),
    pytest.param(HEAD + message('A : 0|8@1+ (0,0) [0|0] "" Any'), "signal A has the resolution 0", id="no resolution"),
    pytest.param(HEAD + message('A : 0|8@1+ (1e999,0) [0|0] "" Any'), "signal A has inf as its", id="infinite"),
    pytest.param(HEAD + message('A : 0|64@1+ (1.2345678901234567e-15,0) [0|0] "" Any'),
                 f"signal A has values of more than {LONGEST_TEXT} characters", id="too many digits"),
    pytest.param(HEAD + message('A : 0|24@1- (1,0) [0|0] "" Any', rest=f"SIG_VALTYPE_ {PROPRIETARY} A : 1;"),
                 "signal A is a float of 24 bits", id="odd float"),
    pytest.param(HEAD + message('A m1 : 0|8@1+ (1,0) [0|0] "" Any', rest=f"SG_MUL_VAL_ {PROPRIETARY} A Z 1-1;"),
                 "signal A is multiplexed by Z", id="multiplexer missing"),
    pytest.param(HEAD + message('A m1M : 0|8@1+ (1,0) [0|0] "" Any\nB m1M : 8|8@1+ (1,0) [0|0] "" Any',
                                rest=f"SG_MUL_VAL_ {PROPRIETARY} A B 1-1;\nSG_MUL_VAL_ {PROPRIETARY} B A 1-1;"),
                 "signal A is multiplexed by B", id="multiplexers in a ring"),
    pytest.param(HEAD + message('A : 0|8@1+ (1,0) [0|0] "" Any', rest=(
                     f'BA_DEF_ SG_ "SPN" STRING ;\nBA_DEF_DEF_ "SPN" "";\nBA_ "SPN" SG_ {PROPRIETARY} A "x";')),
                 "Expected int", id="SPN as text"),
]


@pytest.mark.parametrize(("text", "reason"), BAD)
def test_a_bad_dbc_is_one_line_with_file_and_reason(tmp_path: Path, text: str, reason: str) -> None:
    """Whatever is wrong in a user's DBC, the error is one line that names the file and says why."""
    path = tmp_path / "bad.dbc"
    path.write_text(text, encoding="ascii")
    with pytest.raises(DataFileError) as caught:
        load_layouts([path])
    assert str(caught.value).startswith(f"{path}: ")
    assert reason in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(("make", "reason"), [
    pytest.param(lambda path: None, "No such file", id="missing"),
    pytest.param(lambda path: path.mkdir(), "Is a directory", id="directory"),
    pytest.param(lambda path: path.write_bytes(bytes(range(256)) * 9), "not a DBC that makes sense", id="binary"),
    pytest.param(lambda path: path.open("wb").truncate(40_000_000), "is it a recording?", id="far too large"),
])
def test_a_file_that_cannot_be_read_is_one_line(
    tmp_path: Path, make: Callable[[Path], object], reason: str
) -> None:
    """A missing, odd or huge file is an error that names it, and no traceback."""
    path = tmp_path / "odd.dbc"
    make(path)
    with pytest.raises(DataFileError) as caught:
        load_layouts([path])
    assert str(path) in str(caught.value)
    assert reason in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_default_spn_means_none(user: Load) -> None:
    """The attribute's default and numbers beyond 19 bits are no parameter number."""
    definition = 'BA_DEF_ SG_ "SPN" INT 0 16777215;\nBA_DEF_DEF_ "SPN" 0;\n'
    for number, spn in ((0, None), (524287, 524287), (524288, None)):
        found = user(message('A : 0|8@1+ (1,0) [0|0] "" Any',
                             rest=f'{definition}BA_ "SPN" SG_ {PROPRIETARY} A {number};\n'))
        assert found.groups[65280].signals[0].spn == spn


def test_decoding_needs_no_dbc_reader() -> None:
    """The core decodes without cantools: only loading layouts imports it."""
    code = "import sys, faultlamp.j1939.readings, faultlamp.knowledge.layouts; print('cantools' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "False\n"
