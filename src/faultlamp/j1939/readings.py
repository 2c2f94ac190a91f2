"""Values out of parameter groups, each with its state: a number, 'not available' or 'error'.

The layouts say where a suspect parameter lies; SAE J1939-71, section 5.1.4 (from memory) says which raw values are
no value. The valid range of the layout decides first; outside it:

    width                valid             error           not available
    8 bits               00..FA            FE              FF
    16, 24, 32 bits      top byte 00..FA   top byte FE     top byte FF
    2 to 7 bits          up to ones - 2    all ones - 1    all ones
    other whole bytes as 16 bits, other widths as 2 to 7 bits: our extension

All other raw values are reserved or have a meaning of their own, so they are no value either: not available. One bit
has no room for a code and always is a value. Bytes that a short frame does not have are not available.

A value is `raw * scale + offset` as an exact decimal. Its text has the decimals that the resolution needs, its
float is the nearest one.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from enum import StrEnum
from fractions import Fraction

import numpy as np
import numpy.typing as npt

RawColumn = npt.NDArray[np.int64] | npt.NDArray[np.uint64]


class ReadingState(StrEnum):
    """What a reading is. The code in a state column is the position here."""

    OK = "ok"
    NOT_AVAILABLE = "not_available"
    ERROR = "error"


STATES = tuple(ReadingState)
OK, NOT_AVAILABLE, ERROR = range(3)
# A fourth code of state columns: the frame's multiplexer says that the signal is not in it. There is no reading.
ABSENT = 3

# No text of a value is longer: `knowledge.layouts` refuses a signal that would need more.
LONGEST_TEXT = 32

_FRAME_BYTES = 8
_FLOAT_CODES = {16: "<e", 32: "<f", 64: "<d"}
_EXACT_IN_FLOAT = 1 << 53
_EXACT_POWER_OF_TEN = 22
_FRESH_INTERVALS = 5
_LEAST_FRESH_NS = 1_000_000_000
_USUAL_MS = 1000
_NS_PER_MS = 1_000_000


def standard_range(bit_length: int) -> tuple[int, int]:
    """Lowest and highest valid raw value of a width, for a layout that gives none (see the table above)."""
    if bit_length == 1:
        return 0, 1
    return 0, ((0xFB << bit_length - 8) - 1 if bit_length % 8 == 0 else (1 << bit_length) - 3)


@dataclass(frozen=True, slots=True, kw_only=True)
class BitField:
    """Some bits of a payload.

    start_bit: 8 * (byte - 1) + (bit - 1) in the standard's counting: of the lowest bit in a little-endian field,
        of the highest in a big-endian one, as a DBC has it.
    bit_length: 1 to 64.
    first, stop: the bytes that it touches are payload[first:stop].
    """

    start_bit: int
    bit_length: int
    big_endian: bool = False
    first: int = field(init=False, repr=False, compare=False)
    stop: int = field(init=False, repr=False, compare=False)
    mask: int = field(init=False, repr=False, compare=False)
    _shift: int = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        first, bit = divmod(self.start_bit, 8)
        unused = 7 - bit if self.big_endian else bit
        stop = first + (unused + self.bit_length + 7) // 8
        shift = 8 * (stop - first) - unused - self.bit_length if self.big_endian else unused
        object.__setattr__(self, "first", first)
        object.__setattr__(self, "stop", stop)
        object.__setattr__(self, "mask", (1 << self.bit_length) - 1)
        object.__setattr__(self, "_shift", shift)

    def take(self, payload: bytes) -> int | None:
        """The bits as an unsigned number; None when the payload is too short to have them all."""
        if len(payload) < self.stop:
            return None
        word = int.from_bytes(payload[self.first : self.stop], "big" if self.big_endian else "little")
        return word >> self._shift & self.mask

    def take_column(
        self, data: npt.NDArray[np.uint64], length: npt.NDArray[np.uint8] | None
    ) -> tuple[npt.NDArray[np.uint64], npt.NDArray[np.bool_]]:
        """The bits of each frame and whether the frame has them; where not, the bits are all ones."""
        if self.stop > _FRAME_BYTES:
            return np.full(data.shape, self.mask, np.uint64), np.zeros(data.shape, np.bool_)
        word, shift = data, 8 * self.first + self._shift
        if self.big_endian:
            word, shift = data.byteswap(), 8 * (_FRAME_BYTES - self.stop) + self._shift
        pattern = word >> np.uint64(shift) & np.uint64(self.mask)
        if length is None:
            return pattern, np.ones(data.shape, np.bool_)
        there = length >= self.stop
        return np.where(there, pattern, np.uint64(self.mask)), there


@dataclass(frozen=True, slots=True)
class Selector:
    """A multiplexer and the values of it under which a signal is in the payload."""

    bits: BitField
    chosen: frozenset[int]


@dataclass(frozen=True, slots=True, kw_only=True)
class SignalLayout(BitField):
    """Where a suspect parameter lies in its group, and what its raw value means.

    spn: None for a signal of a user's DBC that has none. name: its identifier in the DBC.
    scale, offset: value = raw * scale + offset, in `unit` ("" for a state or a plain number).
    lowest_raw, highest_raw: the valid raw values; of a float signal the valid physical values.
    signed: two's complement. is_float: IEEE 754 in 16, 32 or 64 bits, signed or not; its raw value is the bit pattern.
    selectors: every one must agree, or the payload does not have the signal.
    states: words for raw values of a state parameter.
    digits: decimals that the resolution needs; 0 for a float signal, whose text is the shortest that tells it apart.
    """

    spn: int | None
    name: str
    scale: Decimal
    offset: Decimal
    unit: str
    lowest_raw: float
    highest_raw: float
    signed: bool = False
    is_float: bool = False
    selectors: tuple[Selector, ...] = ()
    states: Mapping[int, str] = field(default_factory=dict, hash=False)
    digits: int = field(init=False, repr=False, compare=False)
    step: int = field(init=False, repr=False, compare=False)
    base: int = field(init=False, repr=False, compare=False)
    _one: int = field(init=False, repr=False, compare=False)
    _errors: tuple[int, int] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        BitField.__post_init__(self)
        digits = 0 if self.is_float else max(_decimals(self.scale), _decimals(self.offset))
        one = 10**digits
        object.__setattr__(self, "digits", digits)
        object.__setattr__(self, "_one", one)
        object.__setattr__(self, "step", int(Fraction(self.scale) * one))
        object.__setattr__(self, "base", int(Fraction(self.offset) * one))
        free = self.bit_length - 8 if self.bit_length % 8 == 0 else 0  # low bits that an error code may use
        not_available = self.mask >> free << free
        object.__setattr__(self, "_errors", (not_available - (1 << free), not_available - 1))

    def raw(self, pattern: int) -> int:
        """The raw value that the bits stand for."""
        negative = self.signed and not self.is_float and pattern > self.mask >> 1
        return pattern - self.mask - 1 if negative else pattern

    def state(self, raw: int) -> ReadingState:
        """Whether the raw value is a value, 'error' or 'not available'."""
        if self.is_float:
            value = self.value(raw)
            valid = math.isfinite(value) and self.lowest_raw <= value <= self.highest_raw
            return ReadingState.OK if valid else ReadingState.NOT_AVAILABLE
        if self.lowest_raw <= raw <= self.highest_raw:
            return ReadingState.OK
        lowest, highest = self._errors
        return ReadingState.ERROR if lowest <= raw & self.mask <= highest else ReadingState.NOT_AVAILABLE

    def value(self, raw: int) -> float:
        """The physical value in `unit`: the float nearest to the exact decimal."""
        if self.is_float:
            pattern = raw.to_bytes(self.bit_length // 8, "little")
            number: float = struct.unpack(_FLOAT_CODES[self.bit_length], pattern)[0]
            return number * float(self.scale) + float(self.offset)
        return (raw * self.step + self.base) / self._one

    def format_value(self, raw: int) -> str:
        """The physical value with exactly the decimals that the resolution needs, "812.500" for 0.125 rpm."""
        if self.is_float:
            value = self.value(raw)
            single = self.bit_length == 32 and self.scale == 1 and not self.offset
            return repr(float(str(np.float32(value))) if single else value)  # 0.1, not 0.10000000149011612
        number = raw * self.step + self.base
        if not self.digits:
            return str(number)
        whole, rest = divmod(abs(number), self._one)
        return f"{'-' if number < 0 else ''}{whole}.{rest:0{self.digits}d}"


@dataclass(frozen=True, slots=True)
class GroupLayout:
    """A parameter group: its number, name, usual repetition (None: not known), length in bytes, signals in order."""

    pgn: int
    acronym: str
    cycle_time_ms: int | None
    length: int
    signals: tuple[SignalLayout, ...]

    @property
    def stale_after_ns(self) -> int:
        """How old a reading may be before it is stale: five usual intervals, at least 1 s (common practice, no source).

        A group without a usual interval counts as one a second.
        """
        return max(_FRESH_INTERVALS * (self.cycle_time_ms or _USUAL_MS) * _NS_PER_MS, _LEAST_FRESH_NS)


@dataclass(frozen=True, slots=True)
class Layouts:
    """All known parameter groups by number. skipped: what a user's DBC has and this does not, a line each."""

    groups: Mapping[int, GroupLayout]
    skipped: tuple[str, ...] = ()

    def places(self, spn: int) -> tuple[tuple[GroupLayout, SignalLayout], ...]:
        """Every group and signal that carries the suspect parameter; empty when none does."""
        return tuple(
            (group, signal) for group in self.groups.values() for signal in group.signals if signal.spn == spn
        )


@dataclass(frozen=True, slots=True)
class Reading:
    """One decoded signal. value: in the signal's unit, None unless the state is OK. raw: all ones when missing."""

    signal: SignalLayout
    state: ReadingState
    value: float | None
    raw: int

    @property
    def spn(self) -> int | None:
        """The suspect parameter's number."""
        return self.signal.spn

    @property
    def text(self) -> str:
        """The value as the standard's resolution writes it, "" unless the state is OK."""
        return self.signal.format_value(self.raw) if self.state is ReadingState.OK else ""


def decode(group: GroupLayout, payload: bytes) -> list[Reading]:
    """The readings of one complete message of the group, in layout order, without those a multiplexer leaves out."""
    readings = []
    for signal in group.signals:
        if any(selector.bits.take(payload) not in selector.chosen for selector in signal.selectors):
            continue
        pattern = signal.take(payload)
        raw = signal.raw(signal.mask if pattern is None else pattern)
        state = ReadingState.NOT_AVAILABLE if pattern is None else signal.state(raw)
        value = signal.value(raw) if state is ReadingState.OK else None
        readings.append(Reading(signal, state, value, raw))
    return readings


def decode_columns(
    signal: SignalLayout, data: npt.NDArray[np.uint64], length: npt.NDArray[np.uint8] | None = None
) -> tuple[RawColumn, npt.NDArray[np.uint8]]:
    """One signal of n single-frame messages of its group.

    data: uint64 (n,), byte 1 in the lowest eight bits. length: data bytes of each frame; without it all frames
    count as 8 bytes long. Returns the raw values, int64 (n,) or uint64 (n,) for an unsigned or float signal of
    64 bits, and the states, uint8 (n,): OK, NOT_AVAILABLE, ERROR or ABSENT.
    """
    pattern, there = signal.take_column(data, length)
    raw: RawColumn
    if signal.signed and not signal.is_float:
        unused = 64 - signal.bit_length
        raw = (pattern << np.uint64(unused)).view(np.int64) >> np.int64(unused)
    else:
        raw = pattern if signal.bit_length == 64 else pattern.view(np.int64)
    state = np.full(data.shape, NOT_AVAILABLE, np.uint8)
    if signal.is_float:
        value = value_column(signal, raw)
        valid = np.isfinite(value) & (value >= signal.lowest_raw) & (value <= signal.highest_raw)
    else:
        valid = (raw >= raw.dtype.type(signal.lowest_raw)) & (raw <= raw.dtype.type(signal.highest_raw))
        lowest, highest = signal._errors
        state[there & (pattern >= np.uint64(lowest)) & (pattern <= np.uint64(highest))] = ERROR
    state[there & valid] = OK
    for selector in signal.selectors:
        choice, known = selector.bits.take_column(data, length)
        chosen = np.array([number for number in selector.chosen if number <= selector.bits.mask], np.uint64)
        state[~(known & np.isin(choice, chosen))] = ABSENT
    return raw, state


def value_column(signal: SignalLayout, raw: RawColumn) -> npt.NDArray[np.float64]:
    """`SignalLayout.value` of every raw value, float64 (n,). Means something only where the state is OK."""
    if signal.is_float:
        width = signal.bit_length // 8
        with np.errstate(over="ignore", invalid="ignore"):
            number = raw.astype(f"<u{width}").view(f"<f{width}").astype(np.float64)
            scaled: npt.NDArray[np.float64] = number * float(signal.scale) + float(signal.offset)
        return scaled
    largest = (signal.mask + 1) * abs(signal.step) + abs(signal.base)
    if largest < _EXACT_IN_FLOAT and signal.digits <= _EXACT_POWER_OF_TEN:
        # Every step is exact but the division, which rounds once, as the scalar does.
        return (raw.astype(np.float64) * signal.step + signal.base) / float(signal._one)
    distinct, position = np.unique(raw, return_inverse=True)
    table = np.array([signal.value(number) for number in distinct.tolist()], np.float64)
    exact: npt.NDArray[np.float64] = table[position]
    return exact


def _decimals(number: Decimal) -> int:
    """Fewest decimals that write the number exactly."""
    denominator = number.as_integer_ratio()[1]
    digits = 0
    while 10**digits % denominator:
        digits += 1
    return digits
