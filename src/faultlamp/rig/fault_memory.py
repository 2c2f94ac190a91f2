"""When each code is active: what a controller remembers about a cause that comes and goes.

Rules:
- A code becomes active when its cause is there and the controller is awake, and then counts one occurrence more
  (SAE J1939-73, section 5.7.1: the count is of changes from not active to active; it stops at 126).
- It stays active over key off. It goes when the cause has gone: at once, or after a number of good starts. A good
  start is an engine that ran for 2 s in a key cycle that has not seen the cause (common practice, no source).
- A code changes its state at most once a second (SAE J1939-73, section 5.7.1, from memory).
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from heapq import heapify, heappop, heappush

from faultlamp.rig.scenario import Fault, PowerSpan, inside

GOOD_START_NS = 2_000_000_000
SLOWEST_CHANGE_NS = 1_000_000_000

_MOST_OCCURRENCES = 126


@dataclass(frozen=True, slots=True)
class Change:
    """From `time_ns` on the code is active or not, with this occurrence count."""

    time_ns: int
    active: bool
    occurrence_count: int


def remember(fault: Fault, spans: Sequence[PowerSpan]) -> tuple[Change, ...]:
    """The changes of one code over the scenario's key cycles, in order of time."""
    changes: list[Change] = []
    active, count, starts, last_ns = False, fault.count_before, 0, -SLOWEST_CHANGE_NS
    for span in spans:
        good = {at + GOOD_START_NS for at, until in span.running if at + GOOD_START_NS <= until}
        edges = {edge for window in fault.present for edge in window if span.on_ns < edge < span.off_ns}
        instants = [span.on_ns, *edges, *good]
        heapify(instants)
        seen = counted = False
        while instants:
            now_ns = heappop(instants)
            present = inside(fault.present, now_ns)
            if present:
                seen, starts = True, 0
            elif now_ns in good and not seen and not counted:
                starts, counted = starts + 1, True
            wanted = present or (active and fault.good_starts > 0 and starts < fault.good_starts)
            if wanted == active:
                continue
            allowed_ns = last_ns + SLOWEST_CHANGE_NS
            if now_ns < allowed_ns:
                if allowed_ns < span.off_ns:
                    heappush(instants, allowed_ns)
                continue
            active, last_ns = wanted, now_ns
            count = min(count + 1, _MOST_OCCURRENCES) if active else count
            changes.append(Change(now_ns, active, count))
    return tuple(changes)


def state_at(fault: Fault, changes: Sequence[Change], time_ns: int) -> Change | None:
    """The last change up to that time; before any, what was stored at the start, None for a code never seen."""
    place = bisect_right(changes, time_ns, key=lambda change: change.time_ns)
    if place:
        return changes[place - 1]
    return Change(0, False, fault.count_before) if fault.count_before else None
