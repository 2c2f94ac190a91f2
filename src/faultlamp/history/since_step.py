"""Who was heard, and the latest values, since the clock stepped back last: ages over a step would be wrong."""

from __future__ import annotations

from collections.abc import Iterable

from faultlamp.frames import FrameBlock
from faultlamp.history.latest import LatestValues
from faultlamp.history.nodes import Nodes


class SinceStep:
    """Blocks in, as they came. groups: the parameter groups whose values are kept."""

    def __init__(self, groups: Iterable[int]) -> None:
        self._groups = frozenset(groups)
        self._begin()

    def feed_block(self, block: FrameBlock) -> None:
        """The next frames."""
        if block.starts_stretch:
            self._begin()
        self.nodes.feed_block(block)
        self.latest.feed_block(block)

    def _begin(self) -> None:
        self.nodes, self.latest = Nodes(), LatestValues(self._groups)
