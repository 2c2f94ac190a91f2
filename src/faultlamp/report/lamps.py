"""The four lamps: what each controller asks for at the end, and when it asked before.

Rule: SAE J1939-73, section 5.7.1. A lamp is what a controller asks for; whether a bulb shines, the bus does not tell.
A lamp check at key on (common practice, no source): all lamps that a controller speaks for are asked for together
shortly after key on, and soon at least one of them no longer.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import replace

from faultlamp.history.controllers import Controller, LampSpan
from faultlamp.history.history import History
from faultlamp.history.key_cycles import KeyCycle
from faultlamp.j1939.diagnostics import Lamp, LampState
from faultlamp.knowledge.crosswalk import LAMP_WORDS
from faultlamp.report.paper import LampRow
from faultlamp.report.words import NS_PER_S, Clock, Senders, count_of, length, title, together

SHAPES = {
    LampState.ON: "■", LampState.FAST_FLASH: "◐", LampState.SLOW_FLASH: "◑", LampState.OFF: "□",
    LampState.NOT_AVAILABLE: "·", LampState.RESERVED: "?",
}
_WORDS = {
    LampState.ON: "on", LampState.FAST_FLASH: "fast flash", LampState.SLOW_FLASH: "slow flash", LampState.OFF: "off",
    LampState.NOT_AVAILABLE: "not available", LampState.RESERVED: "reserved",
}
_PLACES = {lamp: place for place, lamp in enumerate(Lamp)}
_MOST_TIMES = 4
_NEVER = "never asked for"
_MOST_SENDERS = 40
_MOST_CYCLES = 1000
_MOST_FLASHES = 20
_CHECK_WITHIN_NS = 5 * NS_PER_S
_CHECK_AT_MOST_NS = 15 * NS_PER_S


def lamp_rows(history: History, at_ns: int, clock: Clock, senders: Senders) -> tuple[tuple[LampRow, ...], str]:
    """A row for each lamp and who asked for it, the gravest lamp first; and what else is to be said."""
    speaking = [one for _, one in sorted(history.controllers.items()) if one.last_dm1_ns is not None]
    rows = []
    for lamp in LAMP_WORDS:
        alike: dict[tuple[str, str], list[LampRow]] = {}
        for one in speaking[:_MOST_SENDERS]:
            if any(span.state is not LampState.NOT_AVAILABLE for span in one.lamp_spans[lamp]):
                row = _row(lamp, one, at_ns, clock, senders)
                # Those who never asked for it would only be noise, one by one.
                key = (row.state, "") if row.when == _NEVER else (row.state, row.sender)
                alike.setdefault(key, []).append(row)
        rows += [replace(some[0], sender=together([row.sender for row in some])) for some in alike.values()]
    absent = [words for lamp, words in LAMP_WORDS.items() if not any(row.lamp == title(words) for row in rows)]
    notes = []
    if speaking and absent:
        notes.append(f"Nobody speaks for: {', '.join(absent)}.")
    if len(speaking) > _MOST_SENDERS:
        notes.append(f"{count_of(len(speaking) - _MOST_SENDERS, 'further sender')} not shown.")
    return tuple(rows), " ".join(notes)


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


def _row(lamp: Lamp, controller: Controller, at_ns: int, clock: Clock, senders: Senders) -> LampRow:
    spans = controller.lamp_spans[lamp]
    lamps = controller.lamps
    if lamps is None:
        shape, state, lit = "?", f"not known (silent); last {_WORDS[spans[-1].state]}", False
    else:
        now = lamps[_PLACES[lamp]]
        shape, state, lit = SHAPES[now], _WORDS[now], now.lit
    return LampRow(
        title(LAMP_WORDS[lamp]), senders.cell(controller.channel, controller.source_address), shape, state, lit,
        _when([span for span in spans if span.state.lit], at_ns, clock),
    )


def _when(spans: list[LampSpan], at_ns: int, clock: Clock) -> str:
    if not spans:
        return _NEVER
    total_ns = sum((at_ns if span.end_ns is None else span.end_ns) - span.start_ns for span in spans)
    times = "; ".join(
        f"{clock.moment(span.start_ns)} to {'the end' if span.end_ns is None else clock.moment(span.end_ns)}"
        + ("" if span.state is LampState.ON else f" ({_WORDS[span.state]})")
        for span in spans[-_MOST_TIMES:]
    )
    earlier = f"{len(spans) - _MOST_TIMES:,} earlier; " if len(spans) > _MOST_TIMES else ""
    return f"{count_of(len(spans), 'time')}, {length(total_ns)} in all: {earlier}{times}"
