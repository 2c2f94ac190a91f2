"""Whether a lamp check at key on was seen, and which lamps were asked for only by such a check.

Rule (common practice, no source): all lamps that a controller speaks for are asked for together shortly after key on,
and soon at least one of them no longer.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Sequence

from faultlamp.history.controllers import Controller, LampSpan
from faultlamp.history.history import History
from faultlamp.history.key_cycles import KeyCycle
from faultlamp.j1939.diagnostics import LampState
from faultlamp.report.words import NS_PER_S, count_of

_MOST_CYCLES = 1000
_MOST_FLASHES = 20
_CHECK_WITHIN_NS = 5 * NS_PER_S
_CHECK_AT_MOST_NS = 15 * NS_PER_S


def lamp_check(history: History) -> str:
    """Whether a lamp check at key on was seen."""
    cycles = [(channel, cycle) for channel, found in sorted(history.key_cycles.items()) for cycle in found.cycles]
    if not cycles:
        return "No key on was seen, so there was no lamp check to see either."
    starts: dict[str, list[_Starts]] = {}
    for (channel, _), controller in sorted(history.controllers.items()):
        starts.setdefault(channel, []).append(_starts(controller))
    looked_at = cycles[-_MOST_CYCLES:]
    seen = sum(any(_checked(one, cycle) for one in starts.get(channel, ())) for channel, cycle in looked_at)
    if not seen:
        return (
            "No lamp check at key on was seen: all lamps on, and soon off again. Not every machine sends one, and the "
            "recording may have begun after it."
        )
    return f"A lamp check at key on was seen in {seen} of {count_of(len(looked_at), 'key cycle')}."


_Starts = list[list[LampSpan]]
"""For each lamp that a controller speaks for, its spans by their beginning, which a step of the clock may mix up."""


def _starts(controller: Controller) -> _Starts:
    spoken = (
        [span for span in spans if span.state is not LampState.NOT_AVAILABLE]
        for spans in controller.lamp_spans.values()
    )
    return [sorted(spans, key=_start_ns) for spans in spoken if spans]


def checks_of(controller: Controller, cycles: Iterable[KeyCycle]) -> list[int]:
    """The beginnings of the key cycles of its channel, in order, at which it had a lamp check."""
    starts = _starts(controller)
    return [cycle.start_ns for cycle in list(cycles)[-_MOST_CYCLES:] if _checked(starts, cycle)]


def part_of_check(span: LampSpan, checks: Sequence[int]) -> bool:
    """Whether a lamp was asked for only by one of these checks."""
    place = bisect_right(checks, span.start_ns) - 1
    return place >= 0 and span.start_ns - checks[place] <= _CHECK_WITHIN_NS and _brief(span)


def _start_ns(span: LampSpan) -> int:
    return span.start_ns


def _checked(lamps: _Starts, cycle: KeyCycle) -> bool:
    """Whether all lamps of a controller were asked for just after key on, and one of them soon no longer."""
    asked = []
    for spans in lamps:
        first = bisect_left(spans, cycle.start_ns, key=_start_ns)
        end = bisect_right(spans, cycle.start_ns + _CHECK_WITHIN_NS, key=_start_ns)
        lit = next((span for span in spans[first:min(end, first + _MOST_FLASHES)] if span.state.lit), None)
        if lit is None:
            return False
        asked.append(lit)
    return len(asked) >= 2 and any(map(_brief, asked))


def _brief(span: LampSpan) -> bool:
    return span.end_ns is not None and span.end_ns - span.start_ns <= _CHECK_AT_MOST_NS
