"""Spans as bars: what one lane, the key-cycle row and the axis look like as exact strings.

A fault's columns            A key cycle's columns
    █   active all through       ─   key on
    ▐   began in this column     ━   key on, and the engine ran in this key cycle
    ▌   ended in this column     ├ ┤ key on, key off
    ▞   came and went in it      │   both within one column

Where the bus was lost
    ░   not heard
    ▒   part of this column was not heard; in the rest the fault was active, or the key on
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence

from faultlamp.bus.gaps import Gap
from faultlamp.history.key_cycles import KeyCycle
from faultlamp.history.spans import SILENCE_NS, EndReason, Span
from faultlamp.tui.lanes.window import Window
from faultlamp.tui.times import moment

WHOLE, BEGAN, ENDED, FLICKERED = "█", "▐", "▌", "▞"
UNHEARD, PARTLY_HEARD = "░", "▒"
_MOST_UNSORTED = 2000
_END_WORDS = {EndReason.CLEARED: "cleared", EndReason.SILENT: "fell silent"}


def bar(
    spans: Sequence[Span], window: Window, now_ns: int, *, in_order: bool = True, gaps: Sequence[Gap] = ()
) -> str:
    """One lane's columns, exactly `window.width` characters. in_order: the spans' times never step back."""
    columns = [" "] * window.width
    seen = _within(spans, window, in_order)
    for span in seen:
        end_ns = now_ns if span.end_ns is None else span.end_ns
        first, last = window.column(span.start_ns), window.column(end_ns)
        for column in range(max(first, 0), min(last, window.width - 1) + 1):
            shape = WHOLE
            if first == last and span.end_ns is not None:
                shape = FLICKERED
            elif column == first and span.start_ns > window.time(column):
                shape = BEGAN
            elif column == last and span.end_ns is not None:
                shape = ENDED
            columns[column] = shape if columns[column] == " " else FLICKERED
    if seen and seen[-1].end_ns is not None and not lost_after(seen[-1], gaps):
        _write(columns, _END_WORDS.get(seen[-1].reason, ""), window.column(seen[-1].end_ns) + 2)
    _mark(columns, gaps, window, now_ns)
    return "".join(columns)


def lost_after(span: Span, gaps: Sequence[Gap]) -> bool:
    """Whether the silence that ended the span is one in which nobody could be heard."""
    return span.end_ns is not None and span.reason is EndReason.SILENT and silent_by_loss(span.end_ns, gaps)


def silent_by_loss(since_ns: int, gaps: Sequence[Gap]) -> bool:
    """Whether a controller's silence since then is one in which nobody could be heard."""
    return any(gap.touches(since_ns, since_ns + SILENCE_NS) for gap in gaps)


def key_strip(cycles: Sequence[KeyCycle], window: Window, now_ns: int = 0, gaps: Sequence[Gap] = ()) -> str:
    """The key cycles' columns."""
    columns = [" "] * window.width
    for cycle in reversed(cycles):
        if cycle.last_ns < window.first_ns:
            break
        first, last = window.column(cycle.start_ns), window.column(cycle.last_ns)
        for column in range(max(first, 0), min(last, window.width - 1) + 1):
            shape = "━" if cycle.engine_ran else "─"
            if column == first:
                shape = "│" if column == last and cycle.over else "├"
            elif column == last and cycle.over:
                shape = "┤"
            columns[column] = shape if columns[column] == " " else "│"
    _mark(columns, gaps, window, now_ns)
    return "".join(columns)


def axis(window: Window, start_ns: int, taken: tuple[int, str] = (0, "")) -> str:
    """The time labels' columns; a label begins at the column of its moment. taken: a text that stands there first."""
    columns = [" "] * window.width
    _write(columns, taken[1], taken[0])
    for column, at in window.ticks():
        _write(columns, "╷" + moment(at, start_ns), column)
    return "".join(columns)


def unheard(gaps: Sequence[Gap], window: Window) -> bool:
    """Whether the window shows a gap."""
    return any(gap.touches(window.first_ns, window.end_ns - 1) for gap in gaps)


def _mark(columns: list[str], gaps: Sequence[Gap], window: Window, now_ns: int) -> None:
    """Take back what the columns claim about gaps."""
    for gap in gaps:
        if not gap.touches(window.first_ns, window.end_ns - 1):
            continue
        end_ns = now_ns if gap.end_ns is None else gap.end_ns
        first, last = window.column(gap.start_ns), window.column(end_ns)
        for column in range(max(first, 0), min(last, window.width - 1) + 1):
            whole = gap.start_ns <= window.time(column) and end_ns >= window.time(column + 1) - 1
            columns[column] = UNHEARD if whole or columns[column] in (" ", UNHEARD) else PARTLY_HEARD


def _within(spans: Sequence[Span], window: Window, in_order: bool) -> list[Span]:
    """The spans that touch the window. Out of order, only so many of the newest are looked at."""
    if in_order:
        begin = bisect_left(spans, window.first_ns, key=lambda span: span.start_ns)
        # The one before may reach into the window.
        spans = spans[max(begin - 1, 0) : bisect_left(spans, window.end_ns, key=lambda span: span.start_ns)]
    else:
        spans = spans[-_MOST_UNSORTED:]
    return [
        span for span in spans
        if span.start_ns < window.end_ns and (span.end_ns is None or span.end_ns >= window.first_ns)
    ]


def _write(columns: list[str], word: str, at: int) -> None:
    """The word over the columns from `at`, when it fits and nothing else is there."""
    if word and at >= 0 and at + len(word) <= len(columns) and not "".join(columns[at : at + len(word)]).strip():
        columns[at : at + len(word)] = word
