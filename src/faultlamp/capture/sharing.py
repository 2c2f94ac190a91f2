"""Recordings read by several processes: a large candump log in pieces that end at line ends, other files whole.

A piece is read as if it were a recording of its own, reduced to the frames that matter, and sent back in order. What
depends on the piece before it is put right here: channel numbers, a step back of the clock at the seam, and lines
without a time stamp, whose piece is read again in this process.
"""

from __future__ import annotations

import os
import signal
from collections import Counter, deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from faultlamp.capture.opening import Source
from faultlamp.capture.recording import MOST_CHANNELS, STEP_NS, Recording, no_frame_warning
from faultlamp.capture.stats import CaptureStats
from faultlamp.errors import CaptureError
from faultlamp.frames import FrameBlock

if TYPE_CHECKING:
    from concurrent.futures import Future
    from types import TracebackType

Reduce = Callable[[FrameBlock], FrameBlock]

PIECE = 8 << 20
# Starting processes takes longer than reading less than this.
_WORTH_STARTING = 12 * PIECE
# A piece begins with a line that cannot explain an error frame in the piece before.
_LINE_BEGINS = b"\n("
_SEARCHED = 1 << 16
_AHEAD = 2


@dataclass(frozen=True, slots=True, eq=False)
class _Extract:
    """What is left of a piece. frames: how many there were by channel."""

    blocks: list[FrameBlock]
    stats: CaptureStats
    frames: Counter[str]


def worth_sharing(sources: Sequence[Source], jobs: int) -> bool:
    """Whether several processes can be faster than one."""
    sizes = [source.size or 0 for source in sources if source.path is not None]
    if jobs < 2 or len(sizes) < len(sources):
        return False
    return sum(sizes) >= _WORTH_STARTING and (len(sources) > 1 or _divisible(sources[0]))


class Workers:
    """Processes that read for this one. `on_read` hears the size of each piece when it is done."""

    def __init__(self, jobs: int, reduce: Reduce, stats: CaptureStats, on_read: Callable[[int], None]) -> None:
        self._jobs = jobs
        self._reduce = reduce
        self._stats = stats
        self._on_read = on_read
        # Loaded only when they are wanted: most recordings are short.
        import multiprocessing
        from concurrent.futures import ProcessPoolExecutor

        # A forked process has numpy and the parser loaded already.
        methods = multiprocessing.get_all_start_methods()
        context = multiprocessing.get_context("fork" if "fork" in methods else None)
        self._pool = ProcessPoolExecutor(jobs, mp_context=context, initializer=_leave_ctrl_c_to_the_parent)

    def __enter__(self) -> Workers:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, where: TracebackType | None
    ) -> None:
        self._pool.shutdown(cancel_futures=True)

    def blocks(self, source: Source) -> Iterator[FrameBlock]:
        """The reduced blocks of a recording, in order. Raises CaptureError."""
        from concurrent.futures.process import BrokenProcessPool

        recording = _Seams(source, self._stats)
        waiting: deque[tuple[Source, Future[_Extract]]] = deque()
        pieces = iter(_pieces(source))
        while True:
            while len(waiting) < self._jobs + _AHEAD and (piece := next(pieces, None)) is not None:
                waiting.append((piece, self._pool.submit(_extract, piece, self._reduce)))
            if not waiting:
                break
            piece, future = waiting.popleft()
            try:
                extract = future.result()
            except BrokenProcessPool as error:
                raise CaptureError(f"{source.name}: a process reading it was killed; try --jobs 1") from error
            if extract.stats.untimed:
                yield from recording.read_again(piece, self._reduce)
            else:
                yield from recording.joined(extract)
            self._on_read(piece.size or 0)
        recording.finish()


class _Seams:
    """The pieces of one recording put together."""

    def __init__(self, source: Source, stats: CaptureStats) -> None:
        self._source = source
        self._stats = stats
        self._channels: dict[str, int] = {}
        self._last_ns: int | None = None
        self._frames = 0
        self._bad_lines = 0

    def joined(self, extract: _Extract) -> Iterator[FrameBlock]:
        """The blocks of the next piece as blocks of the recording."""
        self._count(extract.stats.bad_lines, extract.stats.clock_steps, extract.frames.total())
        self._stats.warnings += extract.stats.warnings
        for name, frames in extract.frames.items():
            if self._number(name) is None:
                self._count(frames, 0, -frames)
        for block in extract.blocks:
            yield from self._delivered(block)

    def read_again(self, piece: Source, reduce: Reduce) -> Iterator[FrameBlock]:
        """The blocks of a piece whose times depend on what was before."""
        stats = CaptureStats()
        for block in Recording(piece, stats, False, lambda _: None, self._last_ns).blocks():
            yield from self._delivered(reduce(block), seam_known=True)
        self._count(stats.bad_lines, stats.clock_steps, stats.frames)
        self._stats.untimed = True
        self._stats.warnings += [warning for warning in stats.warnings if warning not in self._stats.warnings]

    def finish(self) -> None:
        """Say what only the whole recording tells."""
        if _divisible(self._source) and self._bad_lines and not self._frames:
            self._stats.warnings.append(no_frame_warning(self._source))

    def _delivered(self, block: FrameBlock, *, seam_known: bool = False) -> Iterator[FrameBlock]:
        numbers = [self._number(name) for name in block.channels]
        number = np.array([-1 if one is None else one for one in numbers], np.int32)
        block = replace(block, channel=number[block.channel], channels=tuple(self._channels))
        if None in numbers:
            block = block.take(block.channel >= 0)
        if not len(block):
            return
        first_ns = int(block.time_ns[0])
        last_ns = first_ns if self._last_ns is None else self._last_ns
        if last_ns - first_ns > STEP_NS and not (seam_known or block.starts_stretch):
            block = replace(block, starts_stretch=True)
            self._count(0, 1, 0)
        self._last_ns = int(block.time_ns[-1])
        yield block

    def _number(self, name: str) -> int | None:
        """The number of a channel; None for a new one when there are too many."""
        if name not in self._channels and len(self._channels) < MOST_CHANNELS:
            self._channels[name] = len(self._channels)
        return self._channels.get(name)

    def _count(self, bad_lines: int, clock_steps: int, frames: int) -> None:
        self._bad_lines += bad_lines
        self._frames += frames
        self._stats.bad_lines += bad_lines
        self._stats.clock_steps += clock_steps
        self._stats.frames += frames


def _divisible(source: Source) -> bool:
    return not source.by_library and not source.compression and (source.size or 0) > PIECE


def _pieces(source: Source) -> Iterator[Source]:
    """The source in pieces of about PIECE bytes, or whole when it cannot be divided."""
    if not _divisible(source) or source.path is None or source.size is None:
        yield source
        return
    first = 0
    with open(source.path, "rb") as file:
        while first < source.size:
            stop = _line_after(file.fileno(), first + PIECE, source.size)
            yield replace(source, first=first, size=stop - first, piece=True)
            first = stop


def _line_after(file: int, place: int, size: int) -> int:
    """Where the next line that opens with a time stamp begins, or the end of the file."""
    while place < size:
        found = os.pread(file, _SEARCHED, place).find(_LINE_BEGINS)
        if found >= 0:
            return place + found + 1
        place += _SEARCHED - 1
    return size


def _extract(source: Source, reduce: Reduce) -> _Extract:
    """Read a piece, in another process."""
    stats = CaptureStats()
    frames: Counter[str] = Counter()
    blocks = []
    for block in Recording(source, stats, False, lambda _: None).blocks():
        for number, count in enumerate(np.bincount(block.channel).tolist()):
            frames[block.channels[number]] += count
        blocks.append(reduce(block))
    return _Extract(blocks, stats, frames)


def _leave_ctrl_c_to_the_parent() -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)
