"""Several recordings as one, by time, column by column.

The order is that of `heapq.merge` over the recordings' heads: the earliest head first, of equal ones that of the
recording named first, and the order inside a recording never changes, also where its time steps back. A frame behind a
step back comes at once, because its time is below everything that waits. So its place is that of the highest time so
far in its recording, and rows sort by (highest time so far, recording, position).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from faultlamp.frames import FrameBlock

# Rows and their keys, equally many.
_Part = tuple[FrameBlock, npt.NDArray[np.int64]]


def merge_blocks(recordings: Sequence[Iterable[FrameBlock]]) -> Iterator[FrameBlock]:
    """One recording out of several. At most one block of each is held.

    Channels are merged by name. Where a block of a recording starts a stretch, a block of the result does.
    """
    channels: dict[str, int] = {}
    heads = [_Head(index, iter(blocks), channels) for index, blocks in enumerate(recordings)]
    heads = [head for head in heads if head.refill()]
    while heads:
        # Nothing that is still to come sorts before the end of the block that ends first.
        bound, index = min((head.last_key, head.index) for head in heads)
        parts = [head.take_until(bound, index) for head in heads if head.first_key <= bound]
        yield from _merged(parts, tuple(channels))
        heads = [head for head in heads if head.filled or head.refill()]


class _Head:
    """The block of one recording that is next to be merged, and the highest time so far at each of its rows."""

    def __init__(self, index: int, blocks: Iterator[FrameBlock], channels: dict[str, int]) -> None:
        self.index = index
        self.first_key = self.last_key = np.iinfo(np.int64).min
        self.filled = False
        self._blocks = blocks
        self._channels = channels

    def refill(self) -> bool:
        """Take the next block; False when there is none."""
        for block in self._blocks:
            if len(block):
                known = self._channels
                number = np.array([known.setdefault(name, len(known)) for name in block.channels], np.int32)
                self._keep(
                    replace(block, channel=number[block.channel]),
                    np.maximum.accumulate(np.maximum(block.time_ns, self.last_key)),
                )
                return True
        return False

    def take_until(self, bound: int, index: int) -> _Part:
        """The rows, and their keys, that sort no later than the last row of recording `index` with key `bound`."""
        count = int(np.searchsorted(self._keys, bound, side="right" if self.index <= index else "left"))
        part = self._block.take(slice(count)), self._keys[:count]
        if count:
            self._keep(replace(self._block.take(slice(count, None)), starts_stretch=False), self._keys[count:])
        return part

    def _keep(self, block: FrameBlock, keys: npt.NDArray[np.int64]) -> None:
        self._block, self._keys = block, keys
        self.filled = len(keys) > 0
        if self.filled:
            self.first_key, self.last_key = int(keys[0]), int(keys[-1])


def _merged(parts: Sequence[_Part], channels: tuple[str, ...]) -> Iterator[FrameBlock]:
    """The rows of the parts, which are in the order of the recordings, sorted by key and divided into stretches."""
    blocks = [block for block, keys in parts if len(keys)]
    if len(blocks) == 1:
        yield replace(blocks[0], channels=channels)
        return
    order = np.argsort(np.concatenate([keys for _, keys in parts]), kind="stable")

    def column(name: str) -> Any:
        return np.concatenate([getattr(block, name) for block in blocks])[order]

    whole = FrameBlock(
        column("time_ns"), column("channel"), column("can_id"), column("flags"), column("length"), column("data"),
        channels,
    )
    stretches = np.zeros(len(whole), np.bool_)
    stretches[np.cumsum([0, *(len(block) for block in blocks[:-1])])] = [block.starts_stretch for block in blocks]
    yield from divide(whole, np.flatnonzero(stretches[order]))


def divide(block: FrameBlock, stretch_starts: npt.NDArray[np.intp]) -> Iterator[FrameBlock]:
    """The block in parts, each but perhaps the first beginning at one of the rows `stretch_starts` (ascending)."""
    starting = set(stretch_starts.tolist())
    edges = sorted({0, *starting, len(block)})
    for low, high in pairwise(edges):
        yield replace(block.take(slice(low, high)), starts_stretch=low in starting)
