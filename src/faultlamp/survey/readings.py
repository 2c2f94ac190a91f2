"""What each sender's parameters did over one recording: counts of states, extremes, mean, first and last value.

Rule: every decoded value counts once, with the state that SAE J1939-71, section 5.1.4 (from memory) gives it; extremes,
mean, first and last are of the values that are ok. Frames wait until there are many, are sorted by parameter group and
sender, and each signal is then reduced in one go: no row a value is ever built. Raw values are summed as whole
numbers, so that the mean is the one nearest to the exact one, however the recording was cut into blocks.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import pairwise
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
    SignalLayout,
    decode,
    decode_columns,
    value_column,
)
from faultlamp.j1939.transport import Reassembler

MOST_SENDERS = 4096
"""Parameter groups times senders that one recording may have; what finds no room is counted."""

_ENOUGH = 1 << 18
# Sums of whole numbers stay exact in 64 bits up to this width.
_EXACT_SUM_BITS = 40

_Rows = tuple[npt.NDArray[np.int64], npt.NDArray[np.int64], npt.NDArray[np.uint64], npt.NDArray[np.uint8]]


@dataclass(slots=True)
class Tally:
    """One signal of one sender so far.

    counts: values by state, as in `readings.STATES`. lowest, highest, first, last, total: raw values that are ok, or
    for a float signal physical ones; None before there are any. first_at, last_at: number of the frame.
    """

    signal: SignalLayout
    counts: list[int] = field(default_factory=lambda: [0, 0, 0])
    lowest: Any = None
    highest: Any = None
    total: Any = 0
    first: Any = None
    last: Any = None
    first_at: int = 0
    last_at: int = -1

    def add(self, counts: list[int], ok: npt.NDArray[Any], first_at: int, last_at: int) -> None:
        """More values: how many of each state, those that are ok in order, frames of the first and last of these."""
        for state, count in enumerate(counts):
            self.counts[state] += count
        if not len(ok):
            return
        lowest, highest = ok.min().item(), ok.max().item()
        exact = self.signal.bit_length <= _EXACT_SUM_BITS
        with np.errstate(over="ignore"):
            self.total += (ok if exact else ok.astype(np.float64)).sum().item()
        if self.first is None:
            self.lowest, self.highest = lowest, highest
        else:
            self.lowest, self.highest = min(self.lowest, lowest), max(self.highest, highest)
        if self.first is None or first_at < self.first_at:
            self.first, self.first_at = ok[0].item(), first_at
        if last_at > self.last_at:
            self.last, self.last_at = ok[-1].item(), last_at

    def values(self) -> dict[str, float | None]:
        """`min`, `mean`, `max`, `first` and `last` in the signal's unit; None where no value was ok."""
        if self.first is None:
            return dict.fromkeys(("min", "mean", "max", "first", "last"))
        count, signal = self.counts[OK], self.signal
        mean: float = self.total / count
        raws = self.lowest, self.highest, self.first, self.last
        values: list[float] = [*raws] if signal.is_float else [signal.value(raw) for raw in raws]
        if not signal.is_float:
            mean = float(Fraction(self.total) * Fraction(signal.scale) / count + Fraction(signal.offset))
        return {
            "min": min(values[:2]), "mean": mean if math.isfinite(mean) else None, "max": max(values[:2]),
            "first": values[2], "last": values[3],
        }


class ReadingsSummary:
    """Takes the blocks of one recording in order.

    layouts: the parameter groups to decode. name_of: name of an SPN, or None. refused: groups that found no room.
    """

    def __init__(self, layouts: Layouts, *, name_of: Callable[[int], str | None]) -> None:
        self.refused = 0
        self._name_of = name_of
        self._groups = [group for _, group in sorted(layouts.groups.items()) if group.signals]
        self._table = GroupTable([group.pgn for group in self._groups])
        self._by_pgn = {group.pgn: group for group in self._groups}
        self._transport = Reassembler(frozenset(self._by_pgn))
        self._tallies: dict[tuple[str, int, int], list[Tally]] = {}
        self._channels: tuple[str, ...] = ()
        self._waiting: list[_Rows] = []
        self._rows = 0
        self._frames = 0

    def feed(self, block: FrameBlock) -> None:
        """Take the next block."""
        if block.starts_stretch:
            self._transport.close_all(0)
        self._channels = block.channels
        group = self._table.find(block)
        rows = np.flatnonzero(group >= 0)
        key = (block.channel[rows].astype(np.int64) * len(self._groups) + group[rows]) << 8
        key |= block.can_id[rows] & np.uint32(0xFF)
        self._waiting.append((key, rows + self._frames, block.data[rows], block.length[rows]))
        self._rows += len(rows)
        self._feed_transport(block, np.flatnonzero(group == TRANSPORT))
        self._frames += len(block)
        if self._rows >= _ENOUGH:
            self._reduce()

    def rows(self) -> list[dict[str, Any]]:
        """One row a channel, source address, parameter group and signal that was heard, in that order."""
        self._reduce()
        return [
            {
                "channel": channel, "source_address": source, "pgn": pgn, "spn": tally.signal.spn,
                "name": (None if tally.signal.spn is None else self._name_of(tally.signal.spn)) or tally.signal.name,
                "unit": tally.signal.unit, "n_ok": tally.counts[OK],
                "n_not_available": tally.counts[NOT_AVAILABLE], "n_error": tally.counts[ERROR], **tally.values(),
            }
            for (channel, source, pgn), tallies in sorted(self._tallies.items())
            for tally in tallies
            if any(tally.counts)
        ]

    def _reduce(self) -> None:
        """Work off the frames that wait."""
        waiting, self._waiting, self._rows = self._waiting, [], 0
        if not waiting:
            return
        keys = np.concatenate([rows[0] for rows in waiting])
        if not len(keys):
            return
        # Sixteen bits sort in linear time.
        order = np.argsort(keys.astype(np.uint16) if keys.max() < 1 << 16 else keys, kind="stable")
        keys = keys[order]
        at, data, length = (np.concatenate([rows[column] for rows in waiting])[order] for column in (1, 2, 3))
        edges = [0, *(np.flatnonzero(keys[1:] != keys[:-1]) + 1).tolist(), len(keys)]
        for first, end in pairwise(edges):
            rest, source = divmod(int(keys[first]), 256)
            channel, number = divmod(rest, len(self._groups))
            tallies = self._tallies_of(self._channels[channel], source, self._groups[number])
            part = slice(first, end)
            for tally in tallies:
                _reduce_signal(tally, at[part], data[part], length[part])

    def _feed_transport(self, block: FrameBlock, rows: npt.NDArray[np.intp]) -> None:
        """Multi-packet messages, decoded when they are whole."""
        columns = zip(
            rows.tolist(), block.time_ns[rows].tolist(), block.channel[rows].tolist(), block.can_id[rows].tolist(),
            block.data[rows].tolist(), block.length[rows].tolist(), strict=True,
        )
        for row, time_ns, channel, can_id, word, length in columns:
            name = block.channels[channel]
            transfer = self._transport.feed(time_ns, name, can_id, word, length)
            if transfer is None or transfer.payload is None:
                continue
            group = self._by_pgn[transfer.pgn]
            readings = {reading.signal: reading for reading in decode(group, transfer.payload)}
            for tally in self._tallies_of(name, transfer.source, group):
                if (reading := readings.get(tally.signal)) is None:
                    continue
                kept = [] if reading.value is None else [reading.value if tally.signal.is_float else reading.raw]
                counts = [int(reading.state is state) for state in STATES]
                tally.add(counts, np.array(kept), self._frames + row, self._frames + row)

    def _tallies_of(self, channel: str, source: int, group: GroupLayout) -> list[Tally]:
        key = channel, source, group.pgn
        tallies = self._tallies.get(key)
        if tallies is None:
            if len(self._tallies) >= MOST_SENDERS:
                self.refused += 1
                return []
            tallies = self._tallies[key] = [Tally(signal) for signal in group.signals]
        return tallies


def _reduce_signal(
    tally: Tally, at: npt.NDArray[np.int64], data: npt.NDArray[np.uint64], length: npt.NDArray[np.uint8]
) -> None:
    """Single frames of one sender, in order."""
    raw, state = decode_columns(tally.signal, data, length)
    counts = np.bincount(state, minlength=ABSENT + 1).tolist()
    if not counts[OK]:
        tally.add(counts[:ABSENT], raw[:0], 0, -1)
        return
    if counts[OK] < len(raw):
        ok = np.flatnonzero(state == OK)
        raw, at = raw[ok], at[ok]
    values = value_column(tally.signal, raw) if tally.signal.is_float else raw
    tally.add(counts[:ABSENT], values, int(at[0]), int(at[-1]))
