"""Who is on the bus: each source address with when it was heard and how often."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from faultlamp.frames import EXTENDED, Frame, FrameBlock
from faultlamp.j1939.identifier import is_j1939


@dataclass(slots=True)
class Node:
    """One source address on one channel."""

    channel: str
    source_address: int
    first_ns: int
    last_ns: int
    frames: int


class Nodes:
    """All nodes heard, by channel and source address."""

    def __init__(self) -> None:
        self.nodes: dict[tuple[str, int], Node] = {}

    def feed(self, frame: Frame) -> None:
        """Take one frame, of any kind."""
        if frame.flags == EXTENDED and is_j1939(frame.can_id):
            self._heard(frame.channel, frame.can_id & 0xFF, frame.time_ns, frame.time_ns, 1)

    def feed_block(self, block: FrameBlock) -> None:
        """Take many frames."""
        j1939 = (block.flags == EXTENDED) & (block.can_id & np.uint32(0x03000000) != np.uint32(0x03000000))
        times = block.time_ns[j1939]
        keys = block.channel[j1939].astype(np.int64) << 8 | block.can_id[j1939] & np.uint32(0xFF)
        values, first, counts = np.unique(keys, return_index=True, return_counts=True)
        last = len(keys) - 1 - np.unique(keys[::-1], return_index=True)[1]
        for key, first_ns, last_ns, count in zip(
            values.tolist(), times[first].tolist(), times[last].tolist(), counts.tolist(), strict=True
        ):
            self._heard(block.channels[key >> 8], key & 0xFF, first_ns, last_ns, count)

    def _heard(self, channel: str, address: int, first_ns: int, last_ns: int, frames: int) -> None:
        node = self.nodes.get((channel, address))
        if node is None:
            self.nodes[channel, address] = Node(channel, address, first_ns, last_ns, frames)
        else:
            node.last_ns = last_ns
            node.frames += frames
