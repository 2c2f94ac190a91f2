"""A recording: every frame as a candump log line, in the file within half a second, on the disk within a second or so.

Rule: an existing file is never touched. Lines leave in whole ones, so that a kill costs the last second and leaves a
file that reads. When the disk refuses, the recording ends at its last whole line and says so; the watching goes on.

A recording in several files goes on in the next one before the file would become longer than wanted, or when it is
older than that. Nothing is lost between files: all of them in order, one behind the other, are the one recording.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from threading import Lock

from faultlamp.bus.disk_sync import DiskSync
from faultlamp.bus.log_file import LogFile, compression_of, first_taken, numbered, packed, taken
from faultlamp.capture.writing import format_candump_line
from faultlamp.errors import CaptureError
from faultlamp.frames import Frame
from faultlamp.text import printable

_FLUSH_EVERY_S = 0.5
_FLUSH_BYTES = 1 << 16


class Recorder:
    """An open recording. Raises CaptureError when the file exists or cannot be made.

    path: the file; its ending, .gz or .zst, compresses. most_bytes, longest_s: how large or old a file becomes, though
    one write goes into a file in any case; with either the files have numbers in their names, and it is an error when
    one of these names is there.
    clock: seconds of a clock that never steps back.

    path: the file that is written now. files: how many there are so far. frames: lines that are safely in them.
    error: why recording ended early, one line, or None; `failure` the same in few words.
    """

    def __init__(
        self,
        path: str,
        *,
        most_bytes: int | None = None,
        longest_s: float | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.frames = 0
        self.files = 1
        self.error: str | None = None
        self.failure = ""
        self._asked = path
        self._numbered = most_bytes is not None or longest_s is not None
        self._most_bytes = most_bytes
        self._longest_s = longest_s
        self._compression = compression_of(path)
        self._clock = clock
        self._lock = Lock()
        self._lines: list[bytes] = []
        self._waiting_bytes = 0
        self._before_bytes = 0
        self._due_s = clock() + _FLUSH_EVERY_S
        self._begun_s = clock()
        self._closed = False
        there = first_taken(path) if self._numbered else None
        if there is not None:
            raise taken(there)
        self._file = LogFile(self._name(1))
        self._disk = DiskSync()

    @property
    def path(self) -> str:
        """The file that is written now."""
        return self._file.path

    @property
    def paths(self) -> list[str]:
        """All its files, in order."""
        return [self._name(number) for number in range(1, self.files + 1)]

    @property
    def size_bytes(self) -> int:
        """How long the recording is, all its files together."""
        return self._before_bytes + self._file.size_bytes

    @property
    def where(self) -> str:
        """Its files in words, fit for a terminal."""
        last = printable(self.path)
        return last if self.files == 1 else f"{printable(self._name(1))} to {last}"

    def write(self, frames: Sequence[Frame]) -> None:
        """Take frames, none included: whatever has waited for half a second goes to the file. Never raises."""
        with self._lock:
            if self.error is not None or self._closed:
                return
            for frame in frames:
                line = format_candump_line(frame).encode() + b"\n"
                self._lines.append(line)
                self._waiting_bytes += len(line)
                if self._waiting_bytes >= _FLUSH_BYTES:
                    self._flush()
            if self._clock() >= self._due_s:
                self._flush()

    def flush(self) -> None:
        """Put all lines into the file. Never raises; `error` tells."""
        with self._lock:
            self._flush()

    def close(self) -> None:
        """Finish the file and wait until it is on the disk; harmless when repeated."""
        with self._lock:
            if self._closed:
                return
            self._flush()
            self._closed = True
            if self.error is None:
                self._disk.finish(self._file.descriptor)
            self._disk.close()
            if self.error is None:
                self._check_disk()
            self._file.close()

    def _flush(self) -> None:
        self._due_s = self._clock() + _FLUSH_EVERY_S
        if self.error is not None or self._closed or not self._lines:
            return
        lines, self._lines, self._waiting_bytes = self._lines, [], 0
        part = packed(b"".join(lines), self._compression)
        try:
            if self._full(len(part)):
                self._next()
            self._file.append(part)
            self._disk.ask(self._file.descriptor)
        except OSError as error:
            self._give_up(error.strerror or str(error))
        except CaptureError as error:
            reason = getattr(error.__cause__, "strerror", None) or str(error.__cause__)
            self._give_up(f"{printable(self._name(self.files + 1))}: {reason}")
        else:
            self.frames += len(lines)
            self._check_disk()

    def _full(self, more_bytes: int) -> bool:
        """Whether the lines that wait belong into the next file."""
        if not self._file.size_bytes:
            # A time in which nothing came makes no empty file.
            self._begun_s = self._clock()
            return False
        too_large = self._most_bytes is not None and self._file.size_bytes + more_bytes > self._most_bytes
        return too_large or (self._longest_s is not None and self._clock() - self._begun_s >= self._longest_s)

    def _next(self) -> None:
        """Go on in another file. Raises CaptureError when its name is taken or it cannot be made."""
        following = LogFile(self._name(self.files + 1))
        self._disk.finish(self._file.descriptor)
        self._file.close()
        self._before_bytes += self._file.size_bytes
        self._file = following
        self.files += 1
        self._begun_s = self._clock()

    def _name(self, number: int) -> str:
        return numbered(self._asked, number) if self._numbered else self._asked

    def _check_disk(self) -> None:
        if self._disk.error is not None:
            self._give_up(self._disk.error.strerror or str(self._disk.error))

    def _give_up(self, reason: str) -> None:
        if self._disk.error is None:
            self._disk.finish(self._file.descriptor)
        self._file.close()
        self.failure = reason
        self.error = (
            f"recording to {printable(self.path)} ended after {self.frames} frames: {reason}; "
            "the frames until then are in the file; make room and record to another one"
        )
