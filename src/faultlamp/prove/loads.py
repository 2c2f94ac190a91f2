"""How many bits each second had on each channel: `frames.load` says how they are counted and estimated."""

from __future__ import annotations

import numpy as np

from faultlamp.frames import FrameBlock
from faultlamp.frames.load import Bits, Load, block_bits, bus_load

MOST_SECONDS = 1_000_000
_SECOND_NS = 1_000_000_000


class Loads:
    """Blocks in, the fullest second out. Seconds are counted from the first frame. refused: seconds without room."""

    def __init__(self) -> None:
        self.refused = 0
        self._bits: dict[tuple[str, int], Bits] = {}

    def feed_block(self, block: FrameBlock, start_ns: int) -> None:
        """Take many frames. start_ns: the first frame."""
        second = (block.time_ns - start_ns) // _SECOND_NS
        order = np.lexsort((second, block.channel))
        channel, second = block.channel[order], second[order]
        cuts = np.flatnonzero((np.diff(channel) != 0) | (np.diff(second) != 0)) + 1
        for rows in np.split(order, cuts):
            row = int(rows[0])
            key = block.channels[int(block.channel[row])], int((block.time_ns[row] - start_ns) // _SECOND_NS)
            if key not in self._bits and len(self._bits) >= MOST_SECONDS:
                self.refused += 1
                continue
            self._bits[key] = self._bits.get(key, Bits()) + block_bits(block.take(rows))

    def fullest(self, bit_rate: int, channel: str | None) -> tuple[int, Load] | None:
        """The fullest second, as nanoseconds after the first frame, and its load; None when nothing was heard."""
        found = {key: bits for key, bits in self._bits.items() if channel in (None, key[0])}
        if not found:
            return None
        key = max(found, key=lambda one: (found[one].least, -one[1]))
        return key[1] * _SECOND_NS, bus_load(found[key], 1.0, bit_rate)
