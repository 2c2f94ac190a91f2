"""The status line: where the frames come from, how many they are, what went wrong with them, what is recorded.

Rule: what tells of the bus, the adapter and the recording is never cut. Where all does not fit, first fewer words are
used; then what matters least is left out, the name of the source last but one.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from faultlamp.j1939.transport import TransportCounts
from faultlamp.text import printable
from faultlamp.tui.feed import FeedStatus
from faultlamp.tui.meter import Traffic
from faultlamp.tui.names import few
from faultlamp.tui.paint import Line, Piece, Role, fit, fit_line, line

_BETWEEN = " │ "
_SHORT_SOURCE = 8


class Note(NamedTuple):
    """What else is to be said, long and short. wrong: something is amiss."""

    words: str
    short: str
    wrong: bool = False


def status_line(
    status: FeedStatus, traffic: Traffic | None, transport: TransportCounts, width: int, notes: Sequence[Note] = ()
) -> Line:
    """One row of exactly `width` cells."""
    broken = transport.aborted + transport.timed_out + transport.out_of_order + transport.malformed
    source = printable(status.source)
    load = load_words(status.bit_rate, traffic) if status.live or status.bit_rate else ""
    wrong = broken or status.trouble or status.wrong or any(note.wrong for note in notes)
    rate = "" if traffic is None else f"{traffic.frames_per_s:.0f} frames/s"
    text = _joined([
        source, status.mode, _listed(rate, load), f"{broken} broken multi-packet messages" if broken else "",
        *status.notes, *(note.words for note in notes),
    ])
    if len(text) > width:
        text = _short(status, source, rate.replace(" frames", ""), load, broken, notes, width)
    return fit_line(line(Piece(text, Role.WARN if wrong else Role.DIM)), width)


def load_words(bit_rate: int | None, traffic: Traffic | None) -> str:
    """`load 23 %` where the bit rate is known, else how much there is: `58 kbit/s`. An estimate in both cases."""
    if traffic is None:
        return ""
    return f"load {traffic.load_percent(bit_rate):.0f} %" if bit_rate else f"{traffic.kbit_per_s:.0f} kbit/s"


def _short(
    status: FeedStatus, source: str, rate: str, load: str, broken: int, notes: Sequence[Note], width: int
) -> str:
    """In fewer words, and with less and less of them."""
    few_broken = f"{few(broken)} broken msgs" if broken else ""
    shared = [few_broken, *(status.short_notes or status.notes)]
    wrong = [note.short for note in notes if note.wrong]
    for mode, counted, others in (
        (status.short_mode, _listed(rate, load), [note.short for note in notes]),
        (status.short_mode, load, [note.short for note in notes]),
        (status.short_mode, load, wrong),
        ("", load, wrong),
    ):
        rest = _joined(["", mode, counted, *shared, *others])
        room = width - len(rest) - len(_BETWEEN)
        if room >= min(_SHORT_SOURCE, len(source)):
            return _joined([fit(source, min(room, len(source))), mode, counted, *shared, *others])
        # Where a recording is played to is worth more than what it is called.
        if not status.live and mode and len(rest) <= width:
            return rest
    return _joined([load, *shared, *wrong])


def _listed(*parts: str) -> str:
    return ", ".join(part for part in parts if part)


def _joined(parts: Sequence[str]) -> str:
    return " " + _BETWEEN.join(part for part in parts if part)
