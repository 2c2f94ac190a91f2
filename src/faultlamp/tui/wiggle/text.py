"""The page for finding a loose wire by hand, as rows of text: a word that is read from across the bay, and a log.

    ██████████████████        ██████████████████      a wire: whole, cut, or not seen
    BROKEN, in letters seven rows high and more
    3 breaks   2 makes
    since 12:03:04.120, for 7 s
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import islice
from typing import NamedTuple

from faultlamp.findings.make_and_break import Contact, ContactLog, Event
from faultlamp.tui.paint import Line, Piece, Role, fit, fit_line, hung, line
from faultlamp.tui.times import age, exact_moment, length
from faultlamp.tui.wiggle.letters import large

WORDS = {Contact.WHOLE: "WHOLE", Contact.BROKEN: "BROKEN", Contact.UNKNOWN: "NOT KNOWN"}
CAUTION = (
    "Engine off, key on. Keep clear of hot and moving parts; key off before a connector is pulled. "
    "The maker's manual decides."
)

_ROLES = {Contact.WHOLE: Role.CALM, Contact.BROKEN: Role.STOP, Contact.UNKNOWN: Role.HELD}
_GROUNDS = {Contact.BROKEN: Role.ALARM}
_VERBS = {Contact.WHOLE: "make", Contact.BROKEN: "BREAK", Contact.UNKNOWN: "not known"}
_SHAPES = {Contact.WHOLE: "━━━", Contact.BROKEN: "━ ━", Contact.UNKNOWN: "░?░"}
_LEAST_LOG = 4
_ROOMY = 40
_GAP_SHARE = 5


class Shown(NamedTuple):
    """What is on the page.

    what: what is watched. said: how it stands in words. notes: why it answers slowly or at once. bell: what the bell
    does.
    """

    what: str
    state: Contact
    log: ContactLog
    said: str
    notes: Sequence[str]
    bell: str


def wiggle_lines(shown: Shown, now_ns: int, start_ns: int, width: int, height: int) -> list[Line]:
    """Exactly `height` rows of exactly `width` cells. What there is no room for goes, the word last of all."""
    roomy = height >= _ROOMY
    caution = hung("! ", CAUTION, width, Role.STRONG)
    advice = caution + [row for note in shown.notes for row in hung("  ", note, width)]
    top = [*hung("", shown.what, width, Role.STRONG)[:2], *_wire(shown.state, width, 2 if roomy else 1)]
    counts = _counts(shown.log, width, 7 if roomy else 4)
    since = hung("", _since(shown, now_ns, start_ns), width, _ROLES[shown.state])[:2]
    room = height - len(top) - len(since) - len(counts) - len(advice) - _LEAST_LOG
    word_rows = 14 if roomy and room >= 14 else 7
    if room < word_rows:
        counts = _counts(shown.log, width, 1)
        room = height - len(top) - len(since) - 1 - len(advice) - _LEAST_LOG
    if room < word_rows:
        # Letters that are less high leave room for the caution, which goes before the log.
        word_rows = min(word_rows, max(len(large(word, width - 2, word_rows)) for word in WORDS.values()))
        spare = height - len(top) - word_rows - 1 - len(since)
        advice = advice[: max(len(advice) - (word_rows - room), min(len(caution), spare), 0)]
    word = _word(shown.state, width, min(word_rows, max(height - len(top) - 1, 1)))
    rows = [*top, *word, *counts, *since, *advice]
    rows += _log(shown, start_ns, height - len(rows))
    rows = rows[:height] + [Line()] * (height - len(rows))
    return [fit_line(row, width) for row in rows]


def _wire(state: Contact, width: int, rows: int) -> list[Line]:
    """The shape of the state, drawn through the whole width."""
    gap = width // _GAP_SHARE
    left = (width - gap) // 2
    text = {
        Contact.WHOLE: "█" * width,
        Contact.BROKEN: "█" * left + " " * gap + "█" * (width - left - gap),
        Contact.UNKNOWN: "░" * left + "?".center(gap) + "░" * (width - left - gap),
    }[state]
    return [line(Piece(text, _ROLES[state]))] * rows


def _word(state: Contact, width: int, rows: int) -> list[Line]:
    """The word in the middle of `rows` rows, so that nothing below it moves when it changes."""
    letters = large(WORDS[state], width - 2, rows)
    above = (rows - len(letters)) // 2
    texts = [""] * above + letters + [""] * (rows - len(letters) - above)
    ground = _GROUNDS.get(state, Role.PLAIN)
    role = ground if ground is not Role.PLAIN else _ROLES[state]
    left = max((width - max(map(len, letters))) // 2, 0)
    return [line(Piece(fit(" " * left + text, width), role), ground=ground) for text in texts]


def _counts(log: ContactLog, width: int, rows: int) -> list[Line]:
    """Breaks and makes in large figures where there is room, else in words."""
    counts = [("breaks", log.breaks), ("makes", log.makes)] + ([("jumps", log.jumps)] if log.jumps else [])
    column = width // 3
    drawn = [(name, large(str(number), column - len(name) - 2, rows)) for name, number in counts]
    if rows < 4 or any(len(figures) < 4 for _, figures in drawn):
        return [line(Piece("   ".join(f"{number} {name}" for name, number in counts), Role.STRONG))]
    height = max(len(figures) for _, figures in drawn)
    found = []
    for row in range(height):
        pieces = []
        for name, figures in drawn:
            place = row - height + len(figures)
            figure = figures[place] if place >= 0 else ""
            label = f" {name}" if row == height - 1 else ""
            pieces.append(Piece(fit(figure + label, column), Role.STRONG))
        found.append(line(*pieces))
    return found


def _since(shown: Shown, now_ns: int, start_ns: int) -> str:
    log = shown.log
    since_ns = log.since_ns
    words = f"{WORDS[shown.state]}: {shown.said}"
    if since_ns is not None and shown.state is log.state:
        first = log.events[0] if log.events and not log.forgotten else None
        # It may have been like that for long when it was looked at first.
        found = first is not None and not first.number and first.time_ns == since_ns
        words += f", {'found so at' if found else 'since'} {exact_moment(since_ns, start_ns)}, "
        past = length(max(now_ns - since_ns, 0))
        words += f"{past} ago" if found else f"for {past}"
    last = next((event for event in reversed(log.events) if event.number), None)
    if last is None:
        return f"{words}. No make or break so far."
    return f"{words}. Last {_VERBS[last.state]} {age(max(now_ns - last.time_ns, 0))} ago."


def _log(shown: Shown, start_ns: int, height: int) -> list[Line]:
    """Makes and breaks, the newest first."""
    log = shown.log
    older = f", {log.forgotten} older ones are not kept" if log.forgotten else ""
    rows = [line(Piece("LOG, newest first", Role.TITLE), Piece(f"  {shown.bell}{older}", Role.DIM))]
    if not log.events:
        rows.append(line("Nothing yet."))
    # One more than is shown: what was before it tells what the last one is.
    newest = list(islice(reversed(log.events), max(height, 0)))
    rows += [
        _event(event, None if place + 1 == len(newest) else newest[place + 1], start_ns)
        for place, event in enumerate(newest)
    ]
    return rows[: max(height, 0)]


def _event(event: Event, before: Event | None, start_ns: int) -> Line:
    if event.number:
        what = f"{_VERBS[event.state]} {event.number}"
    elif event.state is Contact.UNKNOWN:
        what = _VERBS[event.state]
    else:
        # No make and no break: how it was found, or that the same goes on in another way.
        what = f"{'still' if before is not None and before.state is event.state else 'found'} {event.state}"
    return line(
        f"{exact_moment(event.time_ns, start_ns)}  ",
        Piece(f"{_SHAPES[event.state]} {fit(what, 13)} ", _ROLES[event.state]), event.text,
    )
