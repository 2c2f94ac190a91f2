"""When the wanted controllers were heard at all: stretches without a second's silence between two frames."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise

import numpy as np

from faultlamp.frames import FrameBlock
from faultlamp.j1939.identifier_columns import j1939_frames
from faultlamp.prove.intervals import Interval

QUIET_NS = 1_000_000_000
MOST_STRETCHES = 1_000_000


class Presence:
    """Blocks in, stretches by channel and source address out. refused: stretches that found no room."""

    def __init__(self, addresses: Iterable[int]) -> None:
        self.refused = 0
        self._wanted = sorted(set(addresses))
        self._stretches: dict[tuple[str, int], list[Interval]] = {}
        self._kept = 0

    def feed_block(self, block: FrameBlock) -> None:
        """Take many frames."""
        if not self._wanted:
            return
        source = block.can_id & np.uint32(0xFF)
        rows = np.flatnonzero(j1939_frames(block) & np.isin(source, self._wanted))
        keys = block.channel[rows].astype(np.int64) << 8 | source[rows]
        for key in np.unique(keys).tolist():
            times = block.time_ns[rows[keys == key]]
            cuts = np.flatnonzero(np.diff(times) >= QUIET_NS) + 1
            for first, end in pairwise([0, *cuts.tolist(), len(times)]):
                self._note(block.channels[key >> 8], key & 0xFF, int(times[first]), int(times[end - 1]))

    def of(self, channel: str | None, address: int) -> list[Interval]:
        """When that controller was heard, in order on each channel."""
        return [
            stretch for (name, sender), stretches in sorted(self._stretches.items())
            if channel in (None, name) and sender == address for stretch in stretches
        ]

    def _note(self, channel: str, address: int, first_ns: int, last_ns: int) -> None:
        stretches = self._stretches.setdefault((channel, address), [])
        if stretches and first_ns - stretches[-1].end_ns < QUIET_NS:
            stretches[-1] = Interval(stretches[-1].start_ns, max(stretches[-1].end_ns, last_ns))
        elif self._kept >= MOST_STRETCHES:
            self.refused += 1
        else:
            self._kept += 1
            stretches.append(Interval(first_ns, last_ns))
