"""A recording made while watching: every frame as a candump log line, on disk at least once a second.

Rule: an existing file is never touched. Lines leave in whole ones, so that a kill costs the last second and leaves a
file that reads. When the disk refuses, the recording ends at its last whole line and says so; the watching goes on.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from io import FileIO

from faultlamp.capture.writing import format_candump_line
from faultlamp.errors import CaptureError
from faultlamp.frames import Frame
from faultlamp.text import printable

_FLUSH_EVERY_S = 0.5
_FLUSH_BYTES = 1 << 16


class Recorder:
    """An open recording. Raises CaptureError when the file exists or cannot be made.

    frames: lines that are safely in the file. error: why recording ended early, one line, or None.
    clock: seconds of a clock that never steps back.
    """

    def __init__(self, path: str, *, clock: Callable[[], float] = time.monotonic) -> None:
        self.path = path
        self.frames = 0
        self.error: str | None = None
        self._clock = clock
        self._lines: list[bytes] = []
        self._waiting_bytes = 0
        self._good_bytes = 0
        self._due_s = clock() + _FLUSH_EVERY_S
        try:
            # Unbuffered: what a failed write leaves in the file must be known to the byte.
            self._file = FileIO(path, "x")
        except FileExistsError as error:
            raise CaptureError(f"{printable(path)} is there already and stays as it is: choose another name") from error
        except (OSError, ValueError) as error:
            reason = error.strerror if isinstance(error, OSError) else str(error)
            raise CaptureError(
                f"cannot record to {printable(path)}: {reason}; choose another folder or name"
            ) from error

    def write(self, frames: Sequence[Frame]) -> None:
        """Take frames, none included: whatever has waited for half a second goes to disk. Never raises."""
        if self.error is not None:
            return
        for frame in frames:
            line = format_candump_line(frame).encode() + b"\n"
            self._lines.append(line)
            self._waiting_bytes += len(line)
        if self._waiting_bytes >= _FLUSH_BYTES or self._clock() >= self._due_s:
            self.flush()

    def flush(self) -> None:
        """Put all lines into the file. Never raises; `error` tells."""
        self._due_s = self._clock() + _FLUSH_EVERY_S
        if not self._lines or self.error is not None:
            return
        waiting = memoryview(b"".join(self._lines))
        try:
            while waiting:
                waiting = waiting[self._file.write(waiting) :]
        except OSError as error:
            self._give_up(error)
            return
        self._good_bytes += self._waiting_bytes
        self.frames += len(self._lines)
        self._lines, self._waiting_bytes = [], 0

    def close(self) -> None:
        """Finish the file; harmless when repeated."""
        self.flush()
        with suppress(OSError):
            self._file.close()

    def _give_up(self, error: OSError) -> None:
        with suppress(OSError):
            os.ftruncate(self._file.fileno(), self._good_bytes)
            self._file.close()
        self._lines, self._waiting_bytes = [], 0
        self.error = (
            f"recording to {printable(self.path)} ended after {self.frames} frames: {error.strerror or error}; "
            "the frames until then are in the file; make room and record to another one"
        )
