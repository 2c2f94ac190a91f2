"""Everything the dashboard knows at one moment: faults, lamps, key cycles, values, who talks.

It only gathers: frames go in by blocks, and the bands draw what is there. Starting anew makes a fresh one.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Mapping
from typing import Any

from faultlamp.frames import FrameBlock
from faultlamp.history.changes import Change, What
from faultlamp.history.history import History
from faultlamp.history.latest import LatestValues
from faultlamp.history.nodes import Nodes
from faultlamp.j1939.transport import TransportCounts
from faultlamp.tui.times import NS_PER_S

_RATE_OVER_NS = 2 * NS_PER_S
_NEWS = frozenset({What.FAULT_ACTIVE, What.FAULT_CLEARED, What.FAULT_SILENT})


class Job:
    """The state behind the screen.

    wanted: parameter groups whose values may be shown. options: keyword arguments of `History`.
    newest: the latest change of a fault. changes: how many changes there have been.
    """

    def __init__(self, wanted: Iterable[int], options: Mapping[str, Any]) -> None:
        self.history = History(**options, on_change=self._note)
        self.nodes = Nodes()
        self.newest: Change | None = None
        self.changes = 0
        self._wanted = frozenset(wanted)
        self.latest = LatestValues(self._wanted)
        self._counted: deque[tuple[int, int]] = deque()
        self._transport = TransportCounts()
        self._transport_ns: int | None = None

    def take(self, blocks: Iterable[FrameBlock]) -> None:
        """The frames that came, in order."""
        for block in blocks:
            if block.starts_stretch:
                # The stamps begin again: ages and trends over the step would be wrong.
                self.latest = LatestValues(self._wanted)
                self.nodes = Nodes()
                self.newest = None
            self.history.feed_block(block)
            self.latest.feed_block(block)
            self.nodes.feed_block(block)

    def advance(self, settled_ns: int) -> None:
        """Nothing older than this is still to come."""
        self.history.advance(settled_ns)

    def frames_per_s(self, now_ns: int) -> float | None:
        """Frames a second over the last two; None until a second has been seen. To be asked regularly."""
        counted = self._counted
        if counted and now_ns < counted[-1][0]:
            counted.clear()
        if not counted or now_ns > counted[-1][0]:
            counted.append((now_ns, self.history.frames))
        while len(counted) > 2 and counted[1][0] <= now_ns - _RATE_OVER_NS:
            counted.popleft()
        passed_ns = now_ns - counted[0][0]
        if passed_ns < NS_PER_S:
            return None
        return (self.history.frames - counted[0][1]) * NS_PER_S / passed_ns

    def transport(self, now_ns: int) -> TransportCounts:
        """Multi-packet messages by ending, looked up at most once a second."""
        known = self._transport_ns
        if known is None or not known <= now_ns < known + NS_PER_S:
            self._transport = self.history.transport_counts()
            self._transport_ns = now_ns
        return self._transport

    def _note(self, change: Change) -> None:
        self.changes += 1
        # A silence is noticed late: what happened after it may be known already.
        if change.what in _NEWS and (self.newest is None or change.time_ns >= self.newest.time_ns):
            self.newest = change
