"""Everything the dashboard knows at one moment: faults, lamps, key cycles, values, who talks.

It only gathers: frames go in by blocks, and the bands draw what is there. Starting anew makes a fresh one.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

from faultlamp.frames import FrameBlock
from faultlamp.frames.load import block_bits
from faultlamp.history.changes import Change, OnChange, What, ignore_change
from faultlamp.history.history import History
from faultlamp.history.latest import LatestValues
from faultlamp.history.nodes import Nodes
from faultlamp.j1939.transport import TransportCounts
from faultlamp.knowledge.spn_table import SpnNames
from faultlamp.tui.meter import Meter, Traffic
from faultlamp.tui.preferences.machine import EngineName
from faultlamp.tui.times import NS_PER_S
from faultlamp.tui.unknown.groups import UnknownGroups

if TYPE_CHECKING:
    from faultlamp.findings.make_and_break import ReadingContacts

_NEWS = frozenset({What.FAULT_ACTIVE, What.FAULT_CLEARED, What.FAULT_SILENT})


class Job:
    """The state behind the screen.

    wanted: parameter groups whose values may be shown. options: keyword arguments of `History`.
    newest: the latest change of a fault. changes: how many changes there have been. unknown: groups without a layout.
    on_change: told of each change as well. names: what parameters are called. contacts: a reading that is watched for
    makes and breaks.
    """

    def __init__(self, wanted: Iterable[int], options: Mapping[str, Any]) -> None:
        self.history = History(**options, on_change=self._note)
        self.nodes = Nodes()
        self.newest: Change | None = None
        self.on_change: OnChange = ignore_change
        self.changes = 0
        self.names = SpnNames()
        self.contacts: ReadingContacts | None = None
        self._wanted = frozenset(wanted)
        self.latest = LatestValues(self._wanted)
        self.unknown = UnknownGroups(self._wanted)
        self.engine_name = EngineName(self.history.engine_address)
        self._meter = Meter()
        self._transport = TransportCounts()
        self._transport_ns: int | None = None

    def take(self, blocks: Iterable[FrameBlock]) -> None:
        """The frames that came, in order."""
        for block in blocks:
            if block.starts_stretch:
                # The stamps begin again: ages and trends over the step would be wrong.
                self.latest = LatestValues(self._wanted)
                self.nodes = Nodes()
                self.unknown = UnknownGroups(self._wanted)
                self.newest = None
            self.history.feed_block(block)
            self.latest.feed_block(block)
            self.nodes.feed_block(block)
            self.unknown.feed_block(block)
            self.engine_name.feed_block(block)
            if self.contacts is not None:
                self.contacts.feed_block(block)
            self._meter.add(len(block), block_bits(block))

    def advance(self, settled_ns: int) -> None:
        """Nothing older than this is still to come."""
        self.history.advance(settled_ns)
        if self.contacts is not None:
            self.contacts.advance(settled_ns)

    def traffic(self, now_ns: int) -> Traffic | None:
        """How fast frames come; None until a second has been seen. To be asked regularly."""
        return self._meter.traffic(now_ns)

    def transport(self, now_ns: int) -> TransportCounts:
        """Multi-packet messages by ending, looked up at most once a second."""
        known = self._transport_ns
        if known is None or not known <= now_ns < known + NS_PER_S:
            self._transport = self.history.transport_counts()
            self._transport_ns = now_ns
        return self._transport

    def _note(self, change: Change) -> None:
        self.changes += 1
        self.on_change(change)
        newest = self.newest
        # A silence is noticed late: what happened after it may be known already. All else is told in its order, also
        # after the clock was set back.
        late = change.what is What.FAULT_SILENT and newest is not None and change.time_ns < newest.time_ns
        if change.what in _NEWS and not late:
            self.newest = change
