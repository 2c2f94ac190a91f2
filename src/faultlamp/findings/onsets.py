"""When each fault began, and whether anybody saw it begin.

Rule: SAE J1939-73, section 5.7.1: DM1 is repeated each second and when the list changes. So a beginning was seen when
the same controller sent a DM1 without the fault shortly before. A fault in a controller's first DM1 after silence, or
one that comes up just after key on, was there before or came with the key: its true beginning is not known. One that
stood in the last DM1 before the silence and stands in the first after it has gone on over the silence (a controller
keeps its faults while the key is off), so it began when it began then.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

from faultlamp.history.controllers import Controller, Fault
from faultlamp.history.history import History
from faultlamp.history.spans import EndReason, Span

MOST_ONSETS = 8
"""Beginnings of one fault that are looked at, the latest ones."""
MOST_FAULTS = 10_000
"""More at once are no machine in trouble but a damaged or hostile bus; sorting them would only hold up the screen."""

_FOREVER_NS = 1 << 63


class FaultId(NamedTuple):
    """Which fault of which controller."""

    channel: str
    source_address: int
    spn: int
    fmi: int


class Onset(NamedTuple):
    """One beginning. end_ns: None while the fault is active. seen: whether a DM1 without it came shortly before."""

    time_ns: int
    fault: FaultId
    end_ns: int | None
    seen: bool


def by_time(onset: Onset) -> tuple[int, FaultId]:
    """The order of onsets."""
    return onset.time_ns, onset.fault


class Silence(NamedTuple):
    """A node said nothing from after `start_ns` until `end_ns`, None while that lasts."""

    channel: str
    source_address: int
    start_ns: int
    end_ns: int | None


@dataclass(frozen=True, slots=True)
class Onsets:
    """The beginnings known at one moment, in order of time and then of fault.

    considered: every fault that is active or was recently. active: those that are active.
    listening_ns: when the listening began, None before the first frame. crowded: more than MOST_FAULTS faults are
    considered, so no beginnings were looked at.
    """

    all: tuple[Onset, ...]
    considered: tuple[FaultId, ...]
    active: frozenset[FaultId]
    listening_ns: int | None
    crowded: bool


def horizon_ns(history: History, at_ns: int) -> int:
    """Up to when the history counts: to a moment before its last frame; from then on all of it.

    Stamps may step back a little, so the last frame's is not always the latest.
    """
    return at_ns if history.end_ns is not None and at_ns < history.end_ns else _FOREVER_NS


def report_stretches(controller: Controller) -> list[tuple[int, int | None]]:
    """From the first to the last DM1 of each stretch without silence; the end is None for one that goes on.

    Every lamp gets a span with the first DM1 after a silence, and the next span of a stretch starts where the one
    before ends; so a lamp's spans draw the stretches.
    """
    stretches: list[tuple[int, int | None]] = []
    spans = max(controller.lamp_spans.values(), key=len)
    for span in spans:
        if stretches and stretches[-1][1] == span.start_ns:
            stretches[-1] = stretches[-1][0], span.end_ns
        else:
            stretches.append((span.start_ns, span.end_ns))
    return stretches


def dm1_silences(history: History, at_ns: int) -> list[Silence]:
    """Every silence of a controller that reports faults, as far as it is known at `at_ns`."""
    at_ns = horizon_ns(history, at_ns)
    found = []
    for (channel, address), controller in sorted(history.controllers.items()):
        stretches = report_stretches(controller)
        for (_, end_ns), (start_ns, _) in pairwise(stretches):
            # After a clock step the next stretch starts earlier: no length of silence is known.
            if end_ns is not None and end_ns < at_ns and start_ns > end_ns:
                found.append(Silence(channel, address, end_ns, start_ns if start_ns <= at_ns else None))
        last_ns = stretches[-1][1] if stretches else None
        if last_ns is not None and last_ns < at_ns:
            found.append(Silence(channel, address, last_ns, None))
    return found


def onsets_at(history: History, at_ns: int, *, key_on_ns: int, recent_ns: int | None) -> Onsets:
    """The beginnings of all faults that are active at `at_ns` or ended at most `recent_ns` before; None: ever."""
    oldest_ns = None if recent_ns is None else at_ns - recent_ns
    at_ns = horizon_ns(history, at_ns)
    considered: list[tuple[FaultId, Fault]] = []
    active: set[FaultId] = set()
    for (channel, address), controller in sorted(history.controllers.items()):
        for pair, fault in sorted(controller.faults.items()):
            span = next(_latest_first(fault.spans, at_ns), None)
            end_ns = _end(span, at_ns) if span else None
            if span is not None and (end_ns is None or oldest_ns is None or end_ns >= oldest_ns):
                which = FaultId(channel, address, *pair)
                considered.append((which, fault))
                if end_ns is None:
                    active.add(which)
    crowded = len(considered) > MOST_FAULTS
    found = [] if crowded else [
        onset for onset in _all(history, considered, at_ns, key_on_ns)
        if onset.end_ns is None or oldest_ns is None or onset.end_ns >= oldest_ns
    ]
    return Onsets(
        tuple(sorted(found, key=by_time)), tuple(which for which, _ in considered), frozenset(active),
        history.start_ns, crowded,
    )


def _all(history: History, faults: Sequence[tuple[FaultId, Fault]], at_ns: int, key_on_ns: int) -> Iterator[Onset]:
    starts: list[int] = []
    keys: list[int] = []
    of: tuple[str, int] | None = None
    for which, fault in faults:
        if of != which[:2]:
            of = which[:2]
            starts = sorted(start_ns for start_ns, _ in report_stretches(history.controllers[of]) if start_ns <= at_ns)
            cycles = history.key_cycles.get(which.channel)
            keys = sorted(cycle.start_ns for cycle in cycles.cycles if cycle.start_ns <= at_ns) if cycles else []
        yield from _of_fault(which, fault, at_ns, starts, keys, key_on_ns, history.clock_steps > 0)


def _of_fault(
    which: FaultId, fault: Fault, at_ns: int, starts: Sequence[int], keys: Sequence[int], key_on_ns: int,
    stepped: bool,
) -> list[Onset]:
    """The latest beginnings of one fault, oldest first; spans that a silence divides are one."""
    onsets: list[Onset] = []
    later: Span | None = None  # the earliest span of the fault's present stretch of being active, so far
    end_ns: int | None = None
    for span in _latest_first(fault.spans, at_ns):
        if stepped and span.end_ns is not None:
            break  # what ended may lie before a step of the clock: its times compare with nothing
        if later is not None:
            if not stepped and span.reason is EndReason.SILENT and _soon_after(later.start_ns, starts, key_on_ns):
                later = span
                continue
            onsets.append(_onset(which, later, end_ns, starts, keys, key_on_ns))
            if len(onsets) == MOST_ONSETS:
                return onsets[::-1]
        later = span
        end_ns = _end(span, at_ns)
    if later is not None:
        onsets.append(_onset(which, later, end_ns, starts, keys, key_on_ns))
    return onsets[::-1]


def _latest_first(spans: Sequence[Span], at_ns: int) -> Iterator[Span]:
    return (span for span in reversed(spans) if span.start_ns <= at_ns)


def _end(span: Span, at_ns: int) -> int | None:
    """When the span ended, None while it lasts."""
    return span.end_ns if span.end_ns is not None and span.end_ns <= at_ns else None


def _onset(
    which: FaultId, span: Span, end_ns: int | None, starts: Sequence[int], keys: Sequence[int], key_on_ns: int
) -> Onset:
    known = bool(starts) and not any(_soon_after(span.start_ns, moments, key_on_ns) for moments in (starts, keys))
    return Onset(span.start_ns, which, end_ns, known)


def _soon_after(time_ns: int, moments: Sequence[int], limit_ns: int) -> bool:
    """Whether the time lies at one of the moments or at most so long after it."""
    place = bisect_right(moments, time_ns)
    return place > 0 and time_ns - moments[place - 1] <= limit_ns
