"""When the faults changed: the moment before or after another one at which a lane began or ended."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator, Sequence

from faultlamp.history.spans import Span
from faultlamp.tui.lanes.lane import Lane

_MOST_UNSORTED = 2000

Moment = tuple[int, Lane]
"""A time and the lane that changed then."""


def change_before(lanes: Iterable[Lane], time_ns: int, *, in_order: bool = True) -> Moment | None:
    """The latest change before that time, None when there is none. in_order: the spans' times never step back."""
    found: Moment | None = None
    for lane in lanes:
        for at_ns in _around(lane.fault.spans, time_ns, in_order):
            if at_ns < time_ns and (found is None or at_ns > found[0]):
                found = at_ns, lane
    return found


def change_after(lanes: Iterable[Lane], time_ns: int, *, in_order: bool = True) -> Moment | None:
    """The first change after that time, None when there is none. in_order: the spans' times never step back."""
    found: Moment | None = None
    for lane in lanes:
        for at_ns in _around(lane.fault.spans, time_ns, in_order):
            if at_ns > time_ns and (found is None or at_ns < found[0]):
                found = at_ns, lane
    return found


def _around(spans: Sequence[Span], time_ns: int, in_order: bool) -> Iterator[int]:
    """Beginnings and ends of the spans around that time. Out of order, only so many of the newest are looked at."""
    near = spans[-_MOST_UNSORTED:]
    if in_order:
        first = bisect_left(spans, time_ns, key=_start)
        near = spans[max(first - 2, 0) : bisect_right(spans, time_ns, lo=first, key=_start) + 1]
    for span in near:
        yield span.start_ns
        if span.end_ns is not None:
            yield span.end_ns


def _start(span: Span) -> int:
    return span.start_ns
