"""Which stretches of time can be saved, at the moment that is shown."""

from __future__ import annotations

from typing import NamedTuple

from faultlamp.tui.board import Board
from faultlamp.tui.marks.notes import day_and_time
from faultlamp.tui.times import NS_PER_S, length, moment

_MINUTE_NS = 60 * NS_PER_S
_EVER_NS = 1 << 62


class Span(NamedTuple):
    """A stretch on offer. what: in words. None for its ends: not to be had now, `what_to_do` says how to get it."""

    what: str
    from_ns: int | None
    to_ns: int | None
    what_to_do: str = ""

    def words(self, start_ns: int) -> str:
        """From when to when."""
        if self.from_ns is None or self.to_ns is None or self.what_to_do:
            return self.what_to_do
        took = length(self.to_ns - self.from_ns)
        return f"{moment(self.from_ns, start_ns)} to {moment(self.to_ns, start_ns)}, {took}"


def spans(board: Board, width: int) -> list[Span]:
    """Mark to mark, what the lanes show, the last minute, the whole job. width: of the screen."""
    history, now_ns = board.job.history, board.now_ns
    if not history.frames or now_ns is None:
        nothing = "no frame so far"
        return [Span(what, None, None, nothing) for what in _WORDS]
    pair = board.notes.around(board.at_ns)
    window = board.window(width)
    first_ns, last_ns = board.start_ns, max(now_ns, history.end_ns or now_ns)
    at_ns = board.at_ns
    whole = Span(_WORDS[3], first_ns, last_ns)
    if history.clock_steps:
        whole = Span(_WORDS[3], -_EVER_NS, _EVER_NS, "all of it, the clock having stepped back")
    return [
        Span(_WORDS[0], pair[0].time_ns, pair[1].time_ns) if pair
        else Span(_WORDS[0], None, None, "mark two moments with m first"),
        Span(_WORDS[1], max(window.first_ns, first_ns), min(window.end_ns - 1, last_ns)),
        Span(_WORDS[2], max(at_ns - _MINUTE_NS, first_ns), at_ns),
        whole,
    ]


_WORDS = ("From mark to mark", "What the time axis shows", "The last minute", "The whole job so far")


def let_go(board: Board, from_ns: int) -> str:
    """What to say where the beginning is no longer there."""
    since_ns = board.stock.since_ns
    if since_ns is None or since_ns <= from_ns:
        return ""
    return (
        f"; frames before {day_and_time(since_ns, board.start_ns)} are no longer held: with --record all are kept"
    )
