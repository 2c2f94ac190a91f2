"""The moments that somebody marked, with a note each, and the file in which they are kept.

Rule: a mark goes into the file at once, as a line of its own, so that nothing is lost with the dashboard. The file is
made anew and only ever added to. Where it cannot be written the marks hold until the dashboard is left, and that is
said.

    2026-05-04 09:12:31  (1777885951.250000)  bucket of the wheel loader lifted

The stamp is the frame's own, as in a candump log; a job without a date has the time since its start before it.
"""

from __future__ import annotations

import os
import time
from collections.abc import Sequence
from typing import NamedTuple

from faultlamp.errors import CaptureError
from faultlamp.stamps import elapsed, has_clock
from faultlamp.text import printable
from faultlamp.tui.export.new_file import write_new
from faultlamp.tui.times import NS_PER_S

MOST_MARKS = 1000
LONGEST_NOTE = 200


class Mark(NamedTuple):
    """A moment of the job, and what somebody said about it."""

    time_ns: int
    note: str = ""


class Notes:
    """All marks of one job. marks: in the order of their moments. path: their file, None while there is none."""

    def __init__(self) -> None:
        self.marks: list[Mark] = []
        self.path: str | None = None
        self.asked = False
        self._start_ns = 0

    def add(self, time_ns: int, note: str, start_ns: int) -> Mark:
        """Mark a moment. Raises CaptureError when there are too many, or when the file cannot be written."""
        if len(self.marks) >= MOST_MARKS:
            raise CaptureError(f"{MOST_MARKS} moments are marked already: no more are kept")
        mark = Mark(time_ns, printable(note.strip(), longest=LONGEST_NOTE))
        self._start_ns = start_ns
        self.marks = sorted([*self.marks, mark])
        if self.path is not None:
            self._append(mark)
        return mark

    def begin_file(self, path: str, about: str) -> None:
        """Keep the marks there from now on. about: which job they belong to. Raises CaptureError."""
        write_new(path, [f"Marked moments of {printable(about)}\n".encode(), *map(self._line, self.marks)])
        self.path = path

    def around(self, at_ns: int) -> tuple[Mark, Mark] | None:
        """The marks before and after a moment, or else the last two; None where there are not two."""
        pairs = list(zip(self.marks, self.marks[1:], strict=False))
        enclosing = (pair for pair in pairs if pair[0].time_ns <= at_ns < pair[1].time_ns)
        return next(enclosing, pairs[-1] if pairs else None)

    def _append(self, mark: Mark) -> None:
        path = self.path or ""
        try:
            # Not made anew: a file that was taken away is not to come back with half of its lines.
            handle = os.open(path, os.O_WRONLY | os.O_APPEND)
            try:
                os.write(handle, self._line(mark))
                os.fsync(handle)
            finally:
                os.close(handle)
        except OSError as error:
            self.path = None
            raise CaptureError(
                f"cannot add to {printable(path)}: {error.strerror}; the marks hold until you leave: save them to "
                "another file with k"
            ) from error

    def _line(self, mark: Mark) -> bytes:
        at = day_and_time(mark.time_ns, self._start_ns)
        return f"{at}  ({stamp(mark.time_ns)})  {mark.note}".rstrip().encode() + b"\n"


def day_and_time(time_ns: int, start_ns: int) -> str:
    """A moment with its date, or the time since the start where the stamps have none."""
    if not has_clock(start_ns):
        return elapsed(time_ns - start_ns)
    return time.strftime("%Y-%m-%d %H:%M:%S", time.localtime(time_ns // NS_PER_S))


def stamp(time_ns: int) -> str:
    """Seconds and microseconds, as a candump log writes them."""
    seconds, fraction = divmod(time_ns, NS_PER_S)
    return f"{seconds:010d}.{fraction // 1000:06d}"


def columns_of(marks: Sequence[Mark], first_ns: int, step_ns: int, width: int) -> list[int]:
    """The columns of a time axis in which there is a mark."""
    columns = {(mark.time_ns - first_ns) // step_ns for mark in marks}
    return sorted(column for column in columns if 0 <= column < width)
