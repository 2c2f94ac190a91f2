"""Frames in, decoded values out, as columns in the order of the recording.

Single-frame groups are decoded a column at a time; a group that arrives as a multi-packet message is decoded when the
packet that completes it arrives. Within a message the order is that of the layout.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from faultlamp.frames import FrameBlock
from faultlamp.j1939.identifier_columns import TRANSPORT, GroupTable
from faultlamp.j1939.readings import (
    ABSENT,
    ERROR,
    NOT_AVAILABLE,
    OK,
    STATES,
    GroupLayout,
    Layouts,
    RawColumn,
    SignalLayout,
    decode,
    decode_columns,
    value_column,
)
from faultlamp.j1939.transport import Reassembler
from faultlamp.values.digits import format_texts

WRITTEN = np.dtype(np.object_)
NUMBER = np.dtype(np.float64)

_TABLE_BITS = 16
_PAGE = 64
_FRAME_BYTES = 8


@dataclass(frozen=True, slots=True)
class Parameter:
    """One decoded signal: the columns of it that do not change. `spn` is None for a user's signal without one."""

    pgn: int
    spn: int | None
    name: str
    unit: str


@dataclass(frozen=True, slots=True, eq=False)
class ValueColumns:
    """n decoded values.

    time_ns: int64 (n,). channel: int32 (n,), index into `channels`. source_address: uint8 (n,).
    parameter: int32 (n,), index into `Decoder.parameters`. state: uint8 (n,), index into `readings.STATES`.
    value: (n,), `NUMBER` with NaN where it is not OK, or `WRITTEN`: bytes objects as the decoder's `write` made them.
    """

    time_ns: npt.NDArray[np.int64]
    channel: npt.NDArray[np.int32]
    source_address: npt.NDArray[np.uint8]
    parameter: npt.NDArray[np.int32]
    state: npt.NDArray[np.uint8]
    value: npt.NDArray[Any]
    channels: tuple[str, ...]

    def __len__(self) -> int:
        return len(self.time_ns)

    def take(self, which: npt.NDArray[np.intp] | npt.NDArray[np.bool_]) -> ValueColumns:
        """The values that an index array or mask picks."""
        return ValueColumns(
            self.time_ns[which], self.channel[which], self.source_address[which], self.parameter[which],
            self.state[which], self.value[which], self.channels,
        )

    @classmethod
    def joined(cls, parts: list[ValueColumns]) -> ValueColumns:
        """The values of the parts, one after the other; the last part knows all channel names."""
        return cls(
            np.concatenate([part.time_ns for part in parts]), np.concatenate([part.channel for part in parts]),
            np.concatenate([part.source_address for part in parts]), np.concatenate([part.parameter for part in parts]),
            np.concatenate([part.state for part in parts]), np.concatenate([part.value for part in parts]),
            parts[-1].channels,
        )


Write = Callable[[Parameter, Sequence[bytes], str], list[bytes]]
"""How values of one parameter in one state are written: their digits in (nothing unless it is OK), pieces out."""


class Decoder:
    """Turns blocks of frames into values.

    layouts: the parameter groups to decode. spns: decode these alone; None: all. name_of: name of an SPN, or None.
    write: how values are written, each distinct one once; None: they stay numbers.
    """

    def __init__(
        self,
        layouts: Layouts,
        *,
        spns: Collection[int] | None = None,
        name_of: Callable[[int], str | None],
        write: Write | None = None,
    ) -> None:
        self.parameters: list[Parameter] = []
        self._value_type = NUMBER if write is None else WRITTEN
        self._write = write
        self._groups: list[_Group] = []
        self._by_pgn: dict[int, _Group] = {}
        for pgn, layout in sorted(layouts.groups.items()):
            signals = [signal for signal in layout.signals if spns is None or signal.spn in spns]
            if signals:
                self._add_group(pgn, layout, signals, name_of)
        self._table = GroupTable(list(self._by_pgn))
        self._transport = Reassembler(frozenset(self._by_pgn))
        signals = [signal for group in self._groups for _, signal in group.signals]
        self._has_selectors = any(signal.selectors for signal in signals)
        self._texts: list[_Texts] = []
        if write is not None:
            self._texts = [_Texts(signal, one, write) for signal, one in zip(signals, self.parameters, strict=True)]

    def decode(self, block: FrameBlock) -> ValueColumns:
        """The values of a block, in its order."""
        if block.starts_stretch:
            self._transport.close_all(0)
        group = self._table.find(block)
        single = self._single(block, group)
        whole = list(self._multi(block, np.flatnonzero(group == TRANSPORT)))
        if not whole:
            return self._columns(block, single)
        part = _Part.joined([single, *whole])
        return self._columns(block, part.take(np.argsort(part.frame, kind="stable")))

    def _add_group(
        self, pgn: int, layout: GroupLayout, signals: list[SignalLayout], name_of: Callable[[int], str | None]
    ) -> None:
        first = len(self.parameters)
        group = _Group(layout, tuple((first + place, signal) for place, signal in enumerate(signals)))
        for signal in signals:
            name = (name_of(signal.spn) if signal.spn is not None else None) or signal.name
            self.parameters.append(Parameter(pgn, signal.spn, name, signal.unit))
        self._groups.append(group)
        self._by_pgn[pgn] = group

    def _single(self, block: FrameBlock, group: npt.NDArray[np.int16]) -> _Part:
        """The values of single-frame messages: each frame has a row for every signal of its group, side by side."""
        sizes = np.array([len(one.signals) for one in self._groups] + [0, 0])  # none for the two negative numbers
        count = sizes[group]
        place = np.cumsum(count) - count
        frame = np.repeat(np.arange(len(block)), count)
        firsts = np.array([one.signals[0][0] for one in self._groups] + [0, 0])
        parameter = firsts[group[frame]] + np.arange(len(frame)) - place[frame]
        state = np.empty(len(frame), np.uint8)
        value = np.empty(len(frame), self._value_type)
        for number in np.flatnonzero(np.bincount(group[group >= 0])).tolist():
            frames = np.flatnonzero(group == number)
            data, length, rows = block.data[frames], block.length[frames], place[frames]
            lengths = None if length.min() >= _FRAME_BYTES else length
            for offset, (parameter_number, signal) in enumerate(self._groups[number].signals):
                if self._write is None:
                    raw, states = decode_columns(signal, data, lengths)
                    values = value_column(signal, raw)
                    values[states != OK] = np.nan
                else:
                    values, states = self._texts[parameter_number].of(data, lengths)
                state[rows + offset] = states
                value[rows + offset] = values
        source = block.can_id[frame] & np.uint32(0xFF)
        part = _Part(frame, parameter, source, state, value)
        return part.take(state != ABSENT) if self._has_selectors else part

    def _multi(self, block: FrameBlock, frames: npt.NDArray[np.intp]) -> Iterator[_Part]:
        rows = zip(
            frames.tolist(), block.time_ns[frames].tolist(), block.channel[frames].tolist(),
            block.can_id[frames].tolist(), block.data[frames].tolist(), block.length[frames].tolist(), strict=True,
        )
        for frame, time_ns, channel, can_id, word, length in rows:
            transfer = self._transport.feed(time_ns, block.channels[channel], can_id, word, length)
            if transfer is None or transfer.payload is None:
                continue
            group = self._by_pgn[transfer.pgn]
            wanted = {signal.name: parameter for parameter, signal in group.signals}
            readings = [reading for reading in decode(group.layout, transfer.payload) if reading.signal.name in wanted]
            values = np.empty(len(readings), self._value_type)
            for place, reading in enumerate(readings):
                if self._write is not None:
                    parameter = self.parameters[wanted[reading.signal.name]]
                    values[place] = self._write(parameter, [reading.text.encode()], reading.state)[0]
                else:
                    values[place] = np.nan if reading.value is None else reading.value
            yield _Part(
                np.full(len(readings), frame, np.intp),
                np.array([wanted[reading.signal.name] for reading in readings], np.int64),
                np.full(len(readings), transfer.source, np.uint32),
                np.array([STATES.index(reading.state) for reading in readings], np.uint8),
                values,
            )

    def _columns(self, block: FrameBlock, part: _Part) -> ValueColumns:
        return ValueColumns(
            block.time_ns[part.frame], block.channel[part.frame], part.source.astype(np.uint8),
            part.parameter.astype(np.int32), part.state, part.value, block.channels,
        )


class _Texts:
    """What a parameter's values are written as.

    A narrow signal has a table by its bits, filled as values turn up and kept for the life of the decoder; the values
    of other signals are written once a column.
    """

    def __init__(self, signal: SignalLayout, parameter: Parameter, write: Write) -> None:
        self._signal = signal
        self._parameter = parameter
        self._write = write
        # By state code; what a multiplexer leaves out is dropped later, whatever stands here.
        self._no_value = [write(parameter, [b""], state)[0] for state in (*STATES, "")]
        self._narrow = signal.bit_length <= _TABLE_BITS and not (
            signal.is_float or signal.signed or signal.big_endian or signal.selectors
        )
        patterns = signal.mask + 1 if self._narrow else 0
        self._written = np.full(patterns, None, WRITTEN)
        self._state = np.zeros(patterns, np.uint8)
        self._known = np.zeros(patterns, np.bool_)

    def of(
        self, data: npt.NDArray[np.uint64], length: npt.NDArray[np.uint8] | None
    ) -> tuple[npt.NDArray[Any], npt.NDArray[np.uint8]]:
        """The values of a column of frames, written, and their states; `length` as `decode_columns` takes it."""
        if not self._narrow:
            raw, states = decode_columns(self._signal, data, length)
            # The state hangs on more than the raw value: a short frame or a multiplexer decides too.
            distinct: RawColumn
            distinct, which = np.unique(raw, return_inverse=True)  # type: ignore[assignment] # keeps the dtype of raw
            written = self._write_each(distinct)[which]
            return self._without_values(written, states), states
        pattern, there = self._signal.take_column(data, length)
        place = pattern.astype(np.intp)
        known = self._known[place]
        if not known.all():
            # Values wander, so their neighbours will come too.
            pages = np.unique(place[~known] // _PAGE)
            near = (pages[:, np.newaxis] * _PAGE + np.arange(_PAGE)).ravel()
            self._learn(near[near <= self._signal.mask])
        texts, states = self._written[place], self._state[place]
        if not there.all():
            states[~there] = NOT_AVAILABLE
            texts[~there] = self._no_value[NOT_AVAILABLE]
        return texts, states

    def _learn(self, place: npt.NDArray[np.intp]) -> None:
        """Fill the table for bits not met before."""
        shifted = place.astype(np.uint64) << np.uint64(self._signal.start_bit)
        raw, states = decode_columns(self._signal, shifted)
        self._written[place] = self._without_values(self._write_each(raw), states)
        self._state[place] = states
        self._known[place] = True

    def _write_each(self, raw: RawColumn) -> npt.NDArray[Any]:
        """Every raw value of a column, written as if it were OK."""
        written = np.empty(len(raw), WRITTEN)
        written[:] = self._write(self._parameter, format_texts(self._signal, raw), STATES[OK])
        return written

    def _without_values(self, written: npt.NDArray[Any], states: npt.NDArray[np.uint8]) -> npt.NDArray[Any]:
        for code in (NOT_AVAILABLE, ERROR, ABSENT):
            written[states == code] = self._no_value[code]
        return written


@dataclass(frozen=True, slots=True)
class _Group:
    layout: GroupLayout
    signals: tuple[tuple[int, SignalLayout], ...]


@dataclass(frozen=True, slots=True, eq=False)
class _Part:
    """Values that are not yet in order: columns of equal length, `frame` being the row of the block."""

    frame: npt.NDArray[np.intp]
    parameter: npt.NDArray[np.int64]
    source: npt.NDArray[np.uint32]
    state: npt.NDArray[np.uint8]
    value: npt.NDArray[Any]

    @classmethod
    def joined(cls, parts: list[_Part]) -> _Part:
        return cls(
            np.concatenate([part.frame for part in parts]), np.concatenate([part.parameter for part in parts]),
            np.concatenate([part.source for part in parts]), np.concatenate([part.state for part in parts]),
            np.concatenate([part.value for part in parts]),
        )

    def take(self, which: npt.NDArray[np.intp] | npt.NDArray[np.bool_]) -> _Part:
        return _Part(self.frame[which], self.parameter[which], self.source[which], self.state[which], self.value[which])
