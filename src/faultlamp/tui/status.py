"""The status line: where the frames come from, how many, and what went wrong with them."""

from __future__ import annotations

from faultlamp.j1939.transport import TransportCounts
from faultlamp.text import printable
from faultlamp.tui.feed import FeedStatus
from faultlamp.tui.paint import Line, Piece, Role, fit, fit_line, line

_BETWEEN = " │ "
_SHORT_SOURCE = 18


def status_line(status: FeedStatus, frames_per_s: float | None, transport: TransportCounts, width: int) -> Line:
    """One row of exactly `width` cells; where all does not fit, the same in fewer words."""
    broken = transport.aborted + transport.timed_out + transport.out_of_order + transport.malformed
    source = printable(status.source)
    rate = "" if frames_per_s is None else f"{frames_per_s:.0f} frames/s"
    full = [source, status.mode, rate, f"{broken} broken multi-packet messages" if broken else "", *status.notes]
    text = _joined(full)
    if len(text) > width:
        short = ["", status.short_mode, rate.replace(" frames", ""), f"{broken} broken msgs" if broken else ""]
        notes = status.short_notes or status.notes
        rest = _joined([*short, *notes])
        room = max(width - len(rest) - len(_BETWEEN), _SHORT_SOURCE)
        text = _joined([fit(source, min(room, len(source))), *short, *notes])
    wrong = broken or status.trouble or status.wrong
    return fit_line(line(Piece(text, Role.WARN if wrong else Role.DIM)), width)


def _joined(parts: list[str]) -> str:
    return " " + _BETWEEN.join(part for part in parts if part)
