"""Parameter groups that are heard but of which no layout is known: who sends them, how often, and the latest bytes.

Rule: a group counts as known when a layout has it or when faultlamp reads it in another way (transport, diagnostic
messages, address claims, requests and their answers). Of a multi-packet message only the announcement is looked at
(SAE J1939-21, section 5.10): which group it carries and how long it is.

A hostile bus can claim any sender and group: at most `MOST_GROUPS` are kept, and what found no room is counted.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from faultlamp.frames import FrameBlock
from faultlamp.j1939.diagnostics import DM_BY_PGN
from faultlamp.j1939.identifier_columns import TABLE_SIZE, group_bits, j1939_frames, places_of, rows_by_key
from faultlamp.j1939.transport import TRANSPORT_PGNS

MOST_GROUPS = 1024

_NS_PER_S = 1_000_000_000
_RATE_OVER_NS = 10 * _NS_PER_S
# Acknowledgement, request, commanded address: SAE J1939-21 and J1939-81 (from memory).
_OTHERWISE_READ = frozenset({59392, 59904, 65240, *DM_BY_PGN, *TRANSPORT_PGNS})
# Below that format the low byte of the group holds a destination.
_FIRST_BROADCAST = 0xF000
_CONNECTION = 60416
_ANNOUNCEMENTS = (16, 32)  # RTS, BAM
_LONGEST = 1785
_BYTES = 8


class Group(NamedTuple):
    """One parameter group of one sender."""

    channel: str
    source_address: int
    pgn: int


@dataclass(slots=True)
class Heard:
    """What was heard of it.

    frames: how often, announcements of a multi-packet message count once. word: the latest bytes, the first in the
    lowest eight bits; `length` of them. size: bytes of a multi-packet message, 0 for one that fits into a frame.
    """

    first_ns: int
    last_ns: int
    frames: int = 0
    word: int = 0
    length: int = 0
    size: int = 0
    _since_ns: int = 0
    _since_frames: int = 0
    _rate: float | None = None

    @property
    def payload(self) -> bytes:
        """The latest bytes."""
        return self.word.to_bytes(_BYTES, "little")[: self.length]

    @property
    def rate(self) -> float | None:
        """Messages a second over the last ten seconds in which it was heard; None after the first one."""
        passed_ns = self.last_ns - self.first_ns
        if self._rate is None and passed_ns > 0:
            return (self.frames - 1) * _NS_PER_S / passed_ns
        return self._rate

    def add(self, time_ns: int, count: int, word: int, length: int, size: int) -> None:
        """Some more of them; the bytes are those of the last."""
        if not self.frames:
            self._since_ns = self.first_ns
            self._since_frames = 1
        self.frames += count
        self.last_ns = max(self.last_ns, time_ns)
        self.word, self.length, self.size = word, length, size
        passed_ns = self.last_ns - self._since_ns
        if passed_ns >= _RATE_OVER_NS:
            self._rate = (self.frames - self._since_frames) * _NS_PER_S / passed_ns
            self._since_ns, self._since_frames = self.last_ns, self.frames


class UnknownGroups:
    """All of them. known: parameter groups with a layout. refused: messages of groups for which there was no room."""

    def __init__(self, known: Iterable[int]) -> None:
        self.groups: dict[Group, Heard] = {}
        self.refused = 0
        self._with_layout = frozenset(known)

    def feed_block(self, block: FrameBlock) -> None:
        """Take many frames."""
        groups, j1939 = group_bits(block), j1939_frames(block)
        rows = np.flatnonzero(j1939 & ~self._known[groups])
        if len(rows):
            pgns = groups[rows].astype(np.int64)
            pgns[pgns & 0xFF00 < _FIRST_BROADCAST] &= 0x3FF00
            self._take(block, rows, pgns, np.zeros(len(rows), np.int64))
        rows = np.flatnonzero(j1939 & (groups & np.uint32(0x3FF00) == _CONNECTION) & (block.length == _BYTES))
        if len(rows):
            words = block.data[rows]
            carried = (words >> np.uint64(40)).astype(np.int64) & 0x3FFFF
            sizes = (words >> np.uint64(8)).astype(np.int64) & 0xFFFF
            told = np.isin(words & np.uint64(0xFF), _ANNOUNCEMENTS) & ~self._known[carried]
            told &= (sizes > 0) & (sizes <= _LONGEST)
            if told.any():
                self._take(block, rows[told], carried[told], sizes[told])

    @cached_property
    def _known(self) -> npt.NDArray[np.bool_]:
        """True at the places of known groups; made with the first frames, as what it loads is not needed sooner."""
        from faultlamp.j1939.reports.groups import GROUPS

        table = np.zeros(TABLE_SIZE, np.bool_)
        for pgn in {*self._with_layout, *_OTHERWISE_READ, *GROUPS}:
            table[places_of(pgn)] = True
        return table

    def _take(
        self, block: FrameBlock, rows: npt.NDArray[np.intp], pgns: npt.NDArray[np.int64], sizes: npt.NDArray[np.int64]
    ) -> None:
        """The rows by channel, sender and group: how many, and the last of each."""
        sources = block.can_id[rows].astype(np.int64) & 0xFF
        keys = block.channel[rows].astype(np.int64) << 26 | pgns << 8 | sources
        found = rows_by_key(keys)
        for key, first_row, last_row, count, size in zip(
            found.keys.tolist(), rows[found.first].tolist(), rows[found.last].tolist(), found.counts.tolist(),
            sizes[found.last].tolist(), strict=True,
        ):
            group = Group(block.channels[key >> 26], key & 0xFF, key >> 8 & 0x3FFFF)
            heard = self.groups.get(group)
            if heard is None:
                if len(self.groups) >= MOST_GROUPS:
                    self.refused += count
                    continue
                first_ns = int(block.time_ns[first_row])
                heard = self.groups[group] = Heard(first_ns, first_ns)
            heard.add(
                int(block.time_ns[last_row]), count, int(block.data[last_row]),
                min(int(block.length[last_row]), _BYTES), size,
            )

