"""One or more recordings as one stream of frame blocks, in the order of time."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager

import numpy as np

from faultlamp.capture.merge import merge_blocks
from faultlamp.capture.opening import find
from faultlamp.capture.recording import Recording
from faultlamp.capture.sharing import Reduce, Workers, worth_sharing
from faultlamp.capture.stats import CaptureStats
from faultlamp.errors import CaptureError
from faultlamp.frames import FrameBlock

# Progress in bytes done and, when every size is known, of how many.
Progress = Callable[[int, int | None], None]

# glibc gives the memory of large arrays back to the system at every free; the page faults then cost as much as the
# parsing. Freeing one large piece raises that limit (mallopt(3), M_MMAP_THRESHOLD); untouched, it costs nothing.
_RAISES_LIMIT = 24 << 20


class Capture:
    """Recordings that are read once, from front to back.

    paths: file names; "-" is standard input, demo:NAME a shipped recording.
    strict: the first line that is no frame is an error that names it.
    on_progress: called after each read.
    reduce: applied to every block; frames that it leaves out are counted all the same.
    jobs: how many processes may share the reading; more than one needs `reduce`, because all they send travels.

    Raises CaptureError when a recording is missing, a directory or not permitted; blocks() raises it for the rest.
    """

    def __init__(
        self,
        paths: Sequence[str],
        *,
        strict: bool = False,
        on_progress: Progress | None = None,
        reduce: Reduce | None = None,
        jobs: int = 1,
    ) -> None:
        if sum(path == "-" for path in paths) > 1:
            raise CaptureError("-: standard input can be read only once; name it once")
        self.stats = CaptureStats()
        self._sources = [find(path) for path in paths]
        self._strict = strict
        self._on_progress = on_progress
        self._reduce = reduce
        self._jobs = jobs
        self._done = 0
        sizes = [source.size for source in self._sources]
        self._total = None if None in sizes else sum(size for size in sizes if size is not None)

    def blocks(self) -> Iterator[FrameBlock]:
        """The frames; no block is empty. Several recordings are merged by time, ties to the one named first.

        A block starts a stretch where a clock steps back by more than a second. Raises CaptureError.
        """
        np.empty(_RAISES_LIMIT, np.uint8)
        stats = self.stats
        known: tuple[str, ...] = ()
        with self._recordings() as recordings:
            for block in recordings[0] if len(recordings) == 1 else merge_blocks(recordings):
                if block.channels != known:
                    known = block.channels
                    stats.channels = sorted({*stats.channels, *known})
                if stats.start_ns is None:
                    stats.start_ns = int(block.time_ns[0])
                stats.end_ns = int(block.time_ns[-1])
                yield block

    @contextmanager
    def _recordings(self) -> Iterator[list[Iterator[FrameBlock]]]:
        """The blocks of each recording, read here or by other processes."""
        if self._reduce is not None and not self._strict and worth_sharing(self._sources, self._jobs):
            with Workers(self._jobs, self._reduce, self.stats, self._count) as workers:
                yield [workers.blocks(source) for source in self._sources]
            return
        recordings = [Recording(source, self.stats, self._strict, self._count).blocks() for source in self._sources]
        reduce = self._reduce
        yield recordings if reduce is None else [map(reduce, blocks) for blocks in recordings]

    def _count(self, size: int) -> None:
        self._done += size
        if self._on_progress is not None:
            self._on_progress(self._done, self._total)
