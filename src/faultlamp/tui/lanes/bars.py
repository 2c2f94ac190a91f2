"""Spans as bars: what one lane, the key-cycle row and the axis look like as exact strings.

A fault's columns            A key cycle's columns
    █   active all through       ─   key on
    ▐   began in this column     ━   key on, and the engine ran in this key cycle
    ▌   ended in this column     ├ ┤ key on, key off
    ▞   came and went in it      │   both within one column
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence

from faultlamp.history.key_cycles import KeyCycle
from faultlamp.history.spans import EndReason, Span
from faultlamp.tui.lanes.window import Window
from faultlamp.tui.times import moment

WHOLE, BEGAN, ENDED, FLICKERED = "█", "▐", "▌", "▞"
_MOST_UNSORTED = 2000
_END_WORDS = {EndReason.CLEARED: "cleared", EndReason.SILENT: "fell silent"}


def bar(spans: Sequence[Span], window: Window, now_ns: int, *, in_order: bool = True) -> str:
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
    if seen and seen[-1].end_ns is not None:
        _write(columns, _END_WORDS.get(seen[-1].reason, ""), window.column(seen[-1].end_ns) + 2)
    return "".join(columns)


def key_strip(cycles: Sequence[KeyCycle], window: Window) -> str:
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
    return "".join(columns)


def axis(window: Window, start_ns: int, taken: tuple[int, str] = (0, "")) -> str:
    """The time labels' columns; a label begins at the column of its moment. taken: a text that stands there first."""
    columns = [" "] * window.width
    _write(columns, taken[1], taken[0])
    for column, at in window.ticks():
        _write(columns, "╷" + moment(at, start_ns), column)
    return "".join(columns)


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
