"""A recording held in memory, with the map between places in it and times.

Rule: the place of a frame in the file is the master, its time stamp is not. Stamps may step back a little inside a
stretch, and by more than a second between stretches (`FrameBlock.starts_stretch`). So playing goes by *elapsed*
time, which never steps back: within a stretch the highest stamp so far, and stretches joined end to end.

    position    0 .. frames      how many frames have been played
    elapsed     0 .. length_ns   how long that took; frame k is due when elapsed reaches its `elapsed_at(k + 1)`
    time        what the stamps say
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from faultlamp.frames import FrameBlock

BYTES_PER_FRAME = 26

_Column = npt.NDArray[np.int64]


@dataclass(slots=True)
class _Place:
    """Where one block lies.

    position: frames before it. shift: elapsed minus time, the same all through a stretch. highest: highest stamp
    of its stretch before it. least_after: lowest stamp of the later blocks of its stretch, None without any.
    first_due, last_due: elapsed time of its first and last frame.
    """

    position: int
    shift: int
    highest: int
    first_due: int
    last_due: int
    least_after: int | None = None


@dataclass(frozen=True, slots=True)
class _Columns:
    """Of one block, computed when needed: when each frame is due, and the lowest stamp from each frame on."""

    index: int
    due: _Column
    least: _Column


class Recording:
    """The blocks of one job, in order. Raises nothing; an empty recording has length 0."""

    def __init__(self, blocks: Iterable[FrameBlock]) -> None:
        self.blocks: list[FrameBlock] = []
        self.frames = 0
        self._places: list[_Place] = []
        self._columns: _Columns | None = None
        starts = False
        for block in blocks:
            starts |= block.starts_stretch
            if len(block):
                self._append(block if block.starts_stretch == starts else replace(block, starts_stretch=starts))
                starts = False
        self._look_ahead()
        self._first_dues = [place.first_due for place in self._places]
        self._positions = [place.position for place in self._places]

    @property
    def length_ns(self) -> int:
        """How long it takes to play all of it."""
        return self._places[-1].last_due if self._places else 0

    @property
    def start_ns(self) -> int | None:
        """Stamp of the first frame."""
        return int(self.blocks[0].time_ns[0]) if self.blocks else None

    def position_at(self, elapsed_ns: int) -> int:
        """How many frames are due by then."""
        index = bisect_right(self._first_dues, elapsed_ns) - 1
        if index < 0:
            return 0
        due = self._of(index).due
        return self._places[index].position + int(np.searchsorted(due, elapsed_ns, side="right"))

    def elapsed_at(self, position: int) -> int:
        """When the last of the first `position` frames is due; 0 before the first."""
        if position <= 0:
            return 0
        index = self._block_of(position - 1)
        return int(self._of(index).due[position - 1 - self._places[index].position])

    def time_at(self, elapsed_ns: int, position: int) -> int | None:
        """What a clock that goes with the stamps shows; None in an empty recording."""
        settled = self.settled_ns(position)
        if settled is None:
            return None
        place = self._places[self._block_of(max(position - 1, 0))]
        return min(elapsed_ns - place.shift, settled)

    def settled_ns(self, position: int) -> int | None:
        """No frame after the first `position` ones, in their stretch, is older than this.

        So nothing that a later frame would show is judged too early: to call somebody silent up to this moment gives
        the same history as waiting for the next frame.
        """
        if not self.blocks:
            return None
        if position >= self.frames:
            return int(self.blocks[-1].time_ns[-1])
        index = self._block_of(position)
        block, place = self.blocks[index], self._places[index]
        if position == place.position and block.starts_stretch and index:
            return int(self.blocks[index - 1].time_ns[-1])
        least = int(self._of(index).least[position - place.position])
        return least if place.least_after is None else min(least, place.least_after)

    def elapsed_of(self, time_ns: int) -> int | None:
        """When the stamps show this time for the first time; None when they never do."""
        begins = 0
        for block, place in zip(self.blocks, self._places, strict=True):
            if block.starts_stretch:
                begins = place.first_due
            elapsed = time_ns + place.shift
            if begins <= elapsed <= place.last_due:
                return elapsed
        return None

    def place_of(self, index: int, time_ns: int) -> tuple[int, int]:
        """(elapsed, position) just after the last frame of block `index` that bears this stamp.

        A stamp that the block does not have is taken as a time in its stretch.
        """
        at = np.flatnonzero(self.blocks[index].time_ns == time_ns)
        if len(at):
            position = self._places[index].position + int(at[-1]) + 1
            return self.elapsed_at(position), position
        elapsed = min(max(time_ns + self._places[index].shift, 0), self.length_ns)
        return elapsed, self.position_at(elapsed)

    def slices(self, first: int, last: int) -> list[FrameBlock]:
        """Frames `first` to `last` - 1 as blocks; of a block's parts only its first one starts a stretch."""
        parts: list[FrameBlock] = []
        while first < last:
            index = self._block_of(first)
            block, before = self.blocks[index], self._places[index].position
            start, end = first - before, min(last - before, len(block))
            part = block.take(slice(start, end))
            parts.append(replace(part, starts_stretch=False) if start and part.starts_stretch else part)
            first = before + end
        return parts

    def _append(self, block: FrameBlock) -> None:
        first, top = int(block.time_ns[0]), int(block.time_ns.max())
        if self._places and not block.starts_stretch:
            before = self._places[-1]
            shift = before.shift
            highest = max(before.highest, before.last_due - shift)
        else:
            shift = self.length_ns - first
            highest = first
        place = _Place(self.frames, shift, highest, max(first, highest) + shift, max(top, highest) + shift)
        self._places.append(place)
        self.blocks.append(block)
        self.frames += len(block)

    def _look_ahead(self) -> None:
        least: int | None = None
        for block, place in zip(reversed(self.blocks), reversed(self._places), strict=True):
            place.least_after = least
            lowest = int(block.time_ns.min())
            least = None if block.starts_stretch else lowest if least is None else min(least, lowest)

    def _block_of(self, frame: int) -> int:
        return bisect_right(self._positions, frame) - 1

    def _of(self, index: int) -> _Columns:
        columns = self._columns
        if columns is None or columns.index != index:
            times, place = self.blocks[index].time_ns, self._places[index]
            due = np.maximum(np.maximum.accumulate(times), place.highest) + place.shift
            columns = self._columns = _Columns(index, due, np.minimum.accumulate(times[::-1])[::-1])
        return columns
