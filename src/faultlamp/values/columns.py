"""Frames in, decoded values out, as columns in the order of the recording.

Single-frame groups are decoded a column at a time; a group that arrives as a multi-packet message is decoded when the
packet that completes it arrives. Within a message the order is that of the layout.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from faultlamp.frames import EXTENDED, FrameBlock
from faultlamp.j1939.readings import (
    ABSENT,
    OK,
    STATES,
    GroupLayout,
    Layouts,
    SignalLayout,
    decode,
    decode_columns,
    format_column,
    value_column,
)
from faultlamp.j1939.transport import TRANSPORT_PGNS, Reassembler

TEXT = np.dtype("S32")
"""Wide enough for every number that a value can be written as."""
NUMBER = np.dtype(np.float64)

_PGNS = 1 << 18
_NO_GROUP, _TRANSPORT = -1, -2
_MOST_SIGNALS = 1 << 16


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
    value: (n,), as `TEXT` with the digits that the resolution needs or as `NUMBER`; empty or NaN where it is not OK.
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


class Decoder:
    """Turns blocks of frames into values.

    layouts: the parameter groups to decode. spns: decode these alone; None: all. name_of: name of an SPN, or None.
    value_type: `TEXT` or `NUMBER`.
    """

    def __init__(
        self,
        layouts: Layouts,
        *,
        spns: Collection[int] | None = None,
        name_of: Callable[[int], str | None],
        value_type: np.dtype[Any] = TEXT,
    ) -> None:
        self.parameters: list[Parameter] = []
        self._value_type = value_type
        self._groups: list[_Group] = []
        self._by_pgn: dict[int, _Group] = {}
        self._table = np.full(_PGNS, _NO_GROUP, np.int16)
        for pgn in TRANSPORT_PGNS:
            self._table[pgn : pgn + 256] = _TRANSPORT
        for pgn, layout in sorted(layouts.groups.items()):
            signals = [signal for signal in layout.signals if spns is None or signal.spn in spns]
            if signals:
                self._add_group(pgn, layout, signals, name_of)
        self._transport = Reassembler(frozenset(self._by_pgn))

    def decode(self, block: FrameBlock) -> ValueColumns:
        """The values of a block, in its order."""
        if block.starts_stretch:
            self._transport.close_all(0)
        group = self._table[block.can_id >> np.uint32(8) & np.uint32(_PGNS - 1)]
        group[(block.flags != EXTENDED) | (block.can_id & np.uint32(0x03000000) == np.uint32(0x03000000))] = _NO_GROUP
        parts = [
            part
            for number in np.flatnonzero(np.bincount(group[group >= 0])).tolist()
            for part in self._single(block, self._groups[number], np.flatnonzero(group == number))
        ]
        parts.extend(self._multi(block, np.flatnonzero(group == _TRANSPORT)))
        if not parts:
            return self._columns(block, np.empty(0, np.intp), _Part.nothing(self._value_type))
        whole = _Part.joined(parts)
        order = np.argsort(whole.frame * _MOST_SIGNALS + whole.parameter, kind="stable")
        return self._columns(block, whole.frame[order], whole.take(order))

    def _add_group(
        self, pgn: int, layout: GroupLayout, signals: list[SignalLayout], name_of: Callable[[int], str | None]
    ) -> None:
        first = len(self.parameters)
        group = _Group(layout, tuple((first + place, signal) for place, signal in enumerate(signals)))
        for signal in signals:
            name = (name_of(signal.spn) if signal.spn is not None else None) or signal.name
            self.parameters.append(Parameter(pgn, signal.spn, name, signal.unit))
        self._table[pgn : pgn + (256 if pgn & 0xFF00 < 0xF000 else 1)] = len(self._groups)
        self._groups.append(group)
        self._by_pgn[pgn] = group

    def _single(self, block: FrameBlock, group: _Group, frame: npt.NDArray[np.intp]) -> Iterator[_Part]:
        data, length = block.data[frame], block.length[frame]
        for parameter, signal in group.signals:
            raw, state = decode_columns(signal, data, length)
            if self._value_type == NUMBER:
                value = value_column(signal, raw)
                value[state != OK] = np.nan
            else:
                value = format_column(signal, raw, TEXT)
                value[state != OK] = b""
            source = block.can_id[frame] & np.uint32(0xFF)
            part = _Part(frame, np.full(len(frame), parameter, np.int64), source, state, value)
            yield part.take(state != ABSENT) if signal.selectors else part

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
            missing: float | bytes = np.nan if self._value_type == NUMBER else b""
            yield _Part(
                np.full(len(readings), frame, np.intp),
                np.array([wanted[reading.signal.name] for reading in readings], np.int64),
                np.full(len(readings), transfer.source, np.uint32),
                np.array([STATES.index(reading.state) for reading in readings], np.uint8),
                np.array(
                    [missing if reading.value is None else reading.value if self._value_type == NUMBER
                     else reading.text.encode() for reading in readings],
                    self._value_type,
                ),
            )

    def _columns(self, block: FrameBlock, frame: npt.NDArray[np.intp], part: _Part) -> ValueColumns:
        return ValueColumns(
            block.time_ns[frame], block.channel[frame], part.source.astype(np.uint8), part.parameter.astype(np.int32),
            part.state, part.value, block.channels,
        )


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
    def nothing(cls, value_type: np.dtype[Any]) -> _Part:
        return cls(np.empty(0, np.intp), np.empty(0, np.int64), np.empty(0, np.uint32), np.empty(0, np.uint8),
                   np.empty(0, value_type))

    @classmethod
    def joined(cls, parts: list[_Part]) -> _Part:
        return cls(
            np.concatenate([part.frame for part in parts]), np.concatenate([part.parameter for part in parts]),
            np.concatenate([part.source for part in parts]), np.concatenate([part.state for part in parts]),
            np.concatenate([part.value for part in parts]),
        )

    def take(self, which: npt.NDArray[np.intp] | npt.NDArray[np.bool_]) -> _Part:
        return _Part(self.frame[which], self.parameter[which], self.source[which], self.state[which], self.value[which])
