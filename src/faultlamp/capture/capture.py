"""One or more recordings as one stream of frame blocks, in the order of time."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

import numpy as np

from faultlamp.capture.merge import merge_blocks
from faultlamp.capture.opening import find
from faultlamp.capture.recording import Recording
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

    Raises CaptureError when a recording is missing, a directory or not permitted; blocks() raises it for the rest.
    """

    def __init__(self, paths: Sequence[str], *, strict: bool = False, on_progress: Progress | None = None) -> None:
        if sum(path == "-" for path in paths) > 1:
            raise CaptureError("-: standard input can be read only once; name it once")
        self.stats = CaptureStats()
        self._sources = [find(path) for path in paths]
        self._strict = strict
        self._on_progress = on_progress
        self._done = 0
        sizes = [source.size for source in self._sources]
        self._total = None if None in sizes else sum(size for size in sizes if size is not None)

    def blocks(self) -> Iterator[FrameBlock]:
        """The frames; no block is empty. Several recordings are merged by time, ties to the one named first.

        A block starts a stretch where a clock steps back by more than a second. Raises CaptureError.
        """
        np.empty(_RAISES_LIMIT, np.uint8)
        stats = self.stats
        recordings = [Recording(source, stats, self._strict, self._count).blocks() for source in self._sources]
        known: tuple[str, ...] = ()
        for block in recordings[0] if len(recordings) == 1 else merge_blocks(recordings):
            if block.channels != known:
                known = block.channels
                stats.channels = sorted({*stats.channels, *known})
            stats.frames += len(block)
            if stats.start_ns is None:
                stats.start_ns = int(block.time_ns[0])
            stats.end_ns = int(block.time_ns[-1])
            yield block

    def _count(self, size: int) -> None:
        self._done += size
        if self._on_progress is not None:
            self._on_progress(self._done, self._total)
