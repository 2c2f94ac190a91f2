"""The values of the wanted readings, every one of them, as columns."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from faultlamp.frames import FrameBlock
from faultlamp.history.key_cycles import GAP_NS, RUNNING_RPM
from faultlamp.j1939.readings import OK, Layouts
from faultlamp.prove.intervals import Interval
from faultlamp.values.columns import Decoder, ValueColumns

MOST_VALUES = 10_000_000
"""Values that are kept, about 300 MB; what finds no room is counted, and nothing is proved about readings then."""


@dataclass(frozen=True, slots=True, eq=False)
class Values:
    """n messages that carry one reading, oldest first.

    time_ns: int64 (n,). value: float64 (n,) in `unit`, NaN where it is no number. state: uint8 (n,), index into
    `readings.STATES`. sender: uint8 (n,), source addresses. stale_after_ns: int64 (n,), how long each counts.
    """

    time_ns: npt.NDArray[np.int64]
    value: npt.NDArray[np.float64]
    state: npt.NDArray[np.uint8]
    sender: npt.NDArray[np.uint8]
    stale_after_ns: npt.NDArray[np.int64]
    unit: str

    def __len__(self) -> int:
        return len(self.time_ns)

    def within(self, pieces: Sequence[Interval]) -> Values:
        """Those that lie in one of the pieces, at least one."""
        first, last = np.searchsorted(self.time_ns, [pieces[0].start_ns, pieces[-1].end_ns + 1]).tolist()
        times = self.time_ns[first:last]
        starts = np.array([piece.start_ns for piece in pieces], np.int64)
        ends = np.array([piece.end_ns for piece in pieces], np.int64)
        # Nothing of the range lies before the first piece.
        chosen = first + np.flatnonzero(times <= ends[np.searchsorted(starts, times, "right") - 1])
        return Values(
            self.time_ns[chosen], self.value[chosen], self.state[chosen], self.sender[chosen],
            self.stale_after_ns[chosen], self.unit,
        )


class Series:
    """Blocks in, values by reading out; `close` before asking. refused: values that found no room."""

    def __init__(self, layouts: Layouts, spns: Collection[int]) -> None:
        self.refused = 0
        self._layouts = layouts
        self._decoder = Decoder(layouts, spns=spns, name_of=lambda _: None)
        self._parts: list[ValueColumns] = []
        self._kept = 0
        self._all: ValueColumns | None = None

    def feed_block(self, block: FrameBlock) -> None:
        """Take many frames."""
        values = self._decoder.decode(block)
        if not len(values):
            return
        if self._kept + len(values) > MOST_VALUES:
            self.refused += len(values)
            return
        self._kept += len(values)
        self._parts.append(values)

    def close(self) -> None:
        """All was fed."""
        self._all = ValueColumns.joined(self._parts) if self._parts else None
        self._parts = []

    def of(self, spn: int, channel: str | None = None, address: int | None = None, pgn: int | None = None) -> Values:
        """The values of a reading, of one sender or of all."""
        parameters = [
            number for number, one in enumerate(self._decoder.parameters)
            if one.spn == spn and pgn in (None, one.pgn)
        ]
        unit = self._decoder.parameters[parameters[0]].unit if parameters else ""
        every = self._all
        if every is None:
            none = np.empty(0, np.int64)
            return Values(none, none.astype(np.float64), none.astype(np.uint8), none.astype(np.uint8), none, unit)
        chosen = np.isin(every.parameter, parameters)
        if channel is not None:
            # A channel that was never heard has no index.
            index = every.channels.index(channel) if channel in every.channels else -1
            chosen &= every.channel == index
        if address is not None:
            chosen &= every.source_address == address
        rows = np.flatnonzero(chosen)
        # Small steps back in time are taken as they come; whoever looks for a moment needs them in order.
        picked = every.take(rows[np.argsort(every.time_ns[rows], kind="stable")])
        stale = np.array([
            self._layouts.groups[one.pgn].stale_after_ns for one in self._decoder.parameters
        ], np.int64)
        return Values(
            picked.time_ns, picked.value, picked.state, picked.source_address, stale[picked.parameter], unit
        )

    def running(self, spn: int, pgn: int, channel: str, address: int) -> list[Interval]:
        """When the engine ran: messages in a row with 400 rpm or more, at most 2 s apart (as a key cycle)."""
        speed = self.of(spn, channel, address, pgn)
        if not len(speed):
            return []
        runs = (speed.state == OK) & (np.nan_to_num(speed.value) >= RUNNING_RPM)
        cuts = (np.diff(runs.astype(np.int8)) != 0) | (np.diff(speed.time_ns) >= GAP_NS)
        firsts = np.flatnonzero(np.append(True, cuts))
        lasts = np.append(firsts[1:], len(speed)) - 1
        return [
            Interval(int(speed.time_ns[first]), int(speed.time_ns[last]))
            for first, last in zip(firsts.tolist(), lasts.tolist(), strict=True) if runs[first]
        ]
