"""The stretch of time that the lanes show: a row of columns, each of them the same length of time.

Columns begin at whole multiples of their length, counted from the epoch or, in recordings without a date, from their
start; so what is drawn moves by whole columns and does not flicker.
"""

from __future__ import annotations

from typing import NamedTuple

from faultlamp.stamps import has_clock
from faultlamp.tui.times import NS_PER_S

_MS = 1_000_000
STEPS_NS = (
    100 * _MS, 200 * _MS, 500 * _MS,
    *(seconds * NS_PER_S for seconds in (1, 2, 5, 10, 30, 60, 120, 300, 600, 1800, 3600, 7200, 21_600, 86_400)),
)
"""Lengths of a column that the zoom offers."""
NORMAL_STEP = STEPS_NS.index(NS_PER_S)
ROOMY_STEP = STEPS_NS.index(10 * NS_PER_S)

_TICKS_S = (
    1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10_800, 21_600, 43_200,
    *(days * 86_400 for days in (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000)),
)
_CELLS_A_LABEL = 10


class Window(NamedTuple):
    """`width` columns of `step_ns`; column 0 begins at `first_ns`. origin_ns: from where columns are counted."""

    first_ns: int
    step_ns: int
    width: int
    origin_ns: int

    def column(self, time_ns: int) -> int:
        """The column of a moment; it may lie outside."""
        return (time_ns - self.first_ns) // self.step_ns

    def time(self, column: int) -> int:
        """When a column begins."""
        return self.first_ns + column * self.step_ns

    @property
    def end_ns(self) -> int:
        """When the last column ends."""
        return self.time(self.width)

    def ticks(self) -> list[tuple[int, int]]:
        """(column, moment) of the labels of the axis: round moments, at least ten columns apart."""
        tick_ns = next((s * NS_PER_S for s in _TICKS_S if s * NS_PER_S >= _CELLS_A_LABEL * self.step_ns), 0)
        if not tick_ns:
            return []
        at = self.origin_ns - (self.origin_ns - self.first_ns) // tick_ns * tick_ns
        found = []
        while at < self.end_ns:
            found.append((self.column(at), at))
            at += tick_ns
        return found


def step_words(step_ns: int) -> str:
    """A length of a column, short: `500 ms`, `10 s`, `5 min`, `2 h`, `1 d`."""
    for unit_ns, unit in ((86_400 * NS_PER_S, "d"), (3600 * NS_PER_S, "h"), (60 * NS_PER_S, "min"), (NS_PER_S, "s")):
        if step_ns >= unit_ns:
            return f"{step_ns // unit_ns} {unit}"
    return f"{step_ns // _MS} ms"


def window_at(end_ns: int, start_ns: int, step_ns: int, width: int) -> Window:
    """The window whose last column holds `end_ns`; one that would begin before the job begins with the job.

    After the clock was set back to before the job's first frame there is no such beginning.
    """
    origin_ns = 0 if has_clock(start_ns) else start_ns
    last = (end_ns - origin_ns) // step_ns
    begin = (start_ns - origin_ns) // step_ns
    first = max(last - width + 1, begin) if begin <= last else last - width + 1
    return Window(origin_ns + first * step_ns, step_ns, width, origin_ns)


def step_for_all(length_ns: int, width: int) -> int:
    """Index of the shortest step with which `length_ns` fits into `width` columns; the longest when none does."""
    fitting = (place for place, step_ns in enumerate(STEPS_NS) if length_ns // step_ns + 2 <= width)
    return next(fitting, len(STEPS_NS) - 1)
