"""The four lamps: what each controller asks for at the end, and when it asked before.

Rule: SAE J1939-73, section 5.7.1. A lamp is what a controller asks for; whether a bulb shines, the bus does not tell.
"""

from __future__ import annotations

from dataclasses import replace

from faultlamp.history.controllers import Controller, LampSpan
from faultlamp.history.history import History
from faultlamp.j1939.diagnostics import LAMP_PLACES, Lamp, LampState
from faultlamp.knowledge.crosswalk import LAMP_WORDS
from faultlamp.report.paper import LampRow
from faultlamp.report.words import Clock, Senders, count_of, length, title, together

SHAPES = {
    LampState.ON: "■", LampState.FAST_FLASH: "◐", LampState.SLOW_FLASH: "◑", LampState.OFF: "□",
    LampState.NOT_AVAILABLE: "·", LampState.RESERVED: "?",
}
_WORDS = {
    LampState.ON: "on", LampState.FAST_FLASH: "fast flash", LampState.SLOW_FLASH: "slow flash", LampState.OFF: "off",
    LampState.NOT_AVAILABLE: "not available", LampState.RESERVED: "reserved",
}
_MOST_TIMES = 4
_NEVER = "never asked for"
_MOST_SENDERS = 40


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


def _row(lamp: Lamp, controller: Controller, at_ns: int, clock: Clock, senders: Senders) -> LampRow:
    spans = controller.lamp_spans[lamp]
    lamps = controller.lamps
    if lamps is None:
        shape, state, lit = "?", f"not known (silent); last {_WORDS[spans[-1].state]}", False
    else:
        now = lamps[LAMP_PLACES[lamp]]
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
