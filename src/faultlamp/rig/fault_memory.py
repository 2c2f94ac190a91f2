"""When each code is active: what a controller remembers about a cause that comes and goes.

Rules:
- A code becomes active when its cause is there and the controller is awake, and then counts one occurrence more
  (SAE J1939-73, section 5.7.1: the count is of changes from not active to active; it stops at 126).
- It stays active over key off. It goes when the cause has gone: at once, or after a number of good starts. A good
  start is an engine that ran for 2 s in a key cycle that has not seen the cause (common practice, no source).
- A code changes its state at most once a second (SAE J1939-73, section 5.7.1, from memory).
- Clearing forgets the code and its count (SAE J1939-73, sections 5.7.3 and 5.7.11). Where the cause is still there
  the controller finds it again half a second later, and counts from one (common practice, no source).
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from heapq import heapify, heappop, heappush

from faultlamp.rig.scenario import Fault, PowerSpan, inside

GOOD_START_NS = 2_000_000_000
SLOWEST_CHANGE_NS = 1_000_000_000
BACK_AFTER_CLEARING_NS = 500_000_000

_MOST_OCCURRENCES = 126


@dataclass(frozen=True, slots=True)
class Change:
    """From `time_ns` on the code is active or not, with this occurrence count; not active and 0 is forgotten."""

    time_ns: int
    active: bool
    occurrence_count: int


@dataclass(frozen=True, slots=True)
class Clearing:
    """At `time_ns` the code is forgotten: `wipes_active` whatever it is, otherwise only where it is not active."""

    time_ns: int
    wipes_active: bool


def remember(
    fault: Fault, spans: Sequence[PowerSpan], clearings: Sequence[Clearing] = ()
) -> tuple[Change, ...]:
    """The changes of one code over the scenario's key cycles, in order of time; `clearings` in order of time, too."""
    changes: list[Change] = []
    active, count, starts, last_ns = False, fault.count_before, 0, -SLOWEST_CHANGE_NS
    for span in spans:
        good = {at + GOOD_START_NS for at, until in span.running if at + GOOD_START_NS <= until}
        edges = {edge for window in fault.present for edge in window if span.on_ns < edge < span.off_ns}
        cleared = {clearing.time_ns: clearing for clearing in clearings if span.on_ns <= clearing.time_ns < span.off_ns}
        instants = [span.on_ns, *edges, *good, *cleared]
        heapify(instants)
        seen = counted = False
        while instants:
            now_ns = heappop(instants)
            present = inside(fault.present, now_ns)
            if present:
                seen, starts = True, 0
            elif now_ns in good and not seen and not counted:
                starts, counted = starts + 1, True
            clearing = cleared.pop(now_ns, None)
            if clearing is not None and (clearing.wipes_active or not active):
                if active or count:
                    changes.append(Change(now_ns, False, 0))
                if clearing.wipes_active:
                    starts, last_ns = 0, now_ns + BACK_AFTER_CLEARING_NS - SLOWEST_CHANGE_NS
                active, count = False, 0
            wanted = present or (active and fault.good_starts > 0 and starts < fault.good_starts)
            if wanted == active:
                continue
            allowed_ns = last_ns + SLOWEST_CHANGE_NS
            if now_ns < allowed_ns:
                if allowed_ns < span.off_ns:
                    heappush(instants, allowed_ns)
                continue
            active, last_ns = wanted, now_ns
            if active:
                count = min(count + 1, _MOST_OCCURRENCES)
            elif clearing is not None:
                # It goes in the very instant of a clearing that takes what is not active.
                count = 0
            changes.append(Change(now_ns, active, count))
    return tuple(changes)


def state_at(fault: Fault, changes: Sequence[Change], time_ns: int) -> Change | None:
    """The last change up to that time; before any, what was stored at the start. None for a code not known."""
    place = bisect_right(changes, time_ns, key=lambda change: change.time_ns)
    now = changes[place - 1] if place else Change(0, False, fault.count_before)
    return now if now.active or now.occurrence_count else None
