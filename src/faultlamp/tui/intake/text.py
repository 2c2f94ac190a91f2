"""What the page of the intake says before the yes, and while controllers are asked."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from faultlamp.asking.intake import BUSY_PAUSE_NS, MOST_BUSY, PAUSE_NS
from faultlamp.asking.pending import MOST_TRIES
from faultlamp.asking.plan import wanted
from faultlamp.tui.intake.asker import ASKED, TOOL_ADDRESS, Progress
from faultlamp.tui.names import count_of, title, who
from faultlamp.tui.paint import Line, Piece, Role, flow, hung, line, wrap
from faultlamp.tui.times import NS_PER_S, length

_LABEL = 12
# Off-board service tools 1 and 2: SAE J1939, preferred addresses (knowledge/data/addresses.csv).
_TOOLS = frozenset({249, 250})
_MOST_NAMED = 6
_BAR = 30
_QUESTIONS_PER_S = NS_PER_S // PAUSE_NS

CHOICES = ("No, send nothing", "Yes, ask now")
CAUTION = (
    "Only a machine that stands: key on, engine off, is the usual state (common practice, no source). The controllers "
    "of one that moves or works have other things to do, and what a tool sends may disturb them. No second tool on the "
    "bus meanwhile."
)


class Situation(NamedTuple):
    """What the yes is about.

    bus: in words. heard: source addresses that talk. engine, vehicle: their speeds in words; moving: either is above
    zero. objection: why nothing can be asked, or empty. reopens: the adapter is opened anew to send.
    """

    bus: str
    heard: Sequence[int]
    engine: str
    vehicle: str
    moving: bool
    objection: str = ""
    reopens: bool = False


def consent_lines(about: Situation, width: int) -> list[Line]:
    """What would be sent, to whom, how often, where, and what to mind."""
    rows = [
        *flow([Piece("ASK ALL CONTROLLERS", Role.TITLE), Piece("nothing has been sent yet", Role.CALM)], width), Line()
    ]
    if about.objection:
        return [*rows, *(line(Piece(row, Role.WARN)) for row in wrap(f"Cannot ask: {about.objection}", width))]
    names = [who(address) for address in about.heard]
    heard = ", ".join(names[:_MOST_NAMED]) + (", ..." if len(names) > _MOST_NAMED else "") or "nobody yet"
    rows += _row("Sent", (
        f"a claim of address {TOOL_ADDRESS}, one request to all for their address claims, then requests for identity, "
        f"hours, stored and other codes, freeze frames, readiness, counts, test results: {len(wanted(ASKED))} and more "
        "for each controller. Nothing is cleared, no test is started"
    ), width)
    rows += _row("To", f"whoever is there, one after the other; heard so far: {heard}", width)
    rows += _row("How often", (
        f"one question at a time, {PAUSE_NS // 1_000_000} ms between two, {_QUESTIONS_PER_S} a second at most; without "
        f"an answer {MOST_TRIES} times in all, {MOST_BUSY} more, {length(BUSY_PAUSE_NS)} apart, where one is busy"
    ), width)
    rows += _row("Bus", about.bus + (
        "; the adapter is opened anew, to send: a gap of some seconds before and after" if about.reopens else ""
    ), width)
    now = f"engine speed {about.engine}, vehicle speed {about.vehicle}"
    rows += hung(_label("Right now"), now, width, Role.ALARM if about.moving else Role.PLAIN, begin_role=Role.STRONG)
    rows += hung(_label("CAUTION"), CAUTION, width, Role.WARN)
    tools = [who(address) for address in about.heard if address in _TOOLS]
    if tools:
        rows += hung(_label(""), f"Another tool was heard: {', '.join(tools)}. Unplug it first.", width, Role.ALARM)
    return rows


def choice_line(chosen: int, width: int, *, possible: bool) -> tuple[Line, list[tuple[int, int]]]:
    """The answers side by side, the chosen one marked; and from which cell to which each reaches."""
    answers = CHOICES if possible else CHOICES[:1]
    # Both answers stand whole, also where there is little room.
    pad, gap = (" ", "  ") if sum(len(words) + 7 for words in answers) <= width else ("", " ")
    pieces: list[Piece] = [Piece(" ")]
    places = []
    used = 1
    for number, words in enumerate(answers):
        mark = "▸" if number == chosen else " "
        text = f"{mark}[{pad}{words}{pad}]"
        pieces += [Piece(text, Role.CURSOR if number == chosen else Role.PLAIN), Piece(gap)]
        places.append((used, used + len(text)))
        used += len(text) + len(gap)
    hint = "Tab chooses, Enter does it" if possible else "Enter goes back"
    if used + len(hint) <= width:
        pieces.append(Piece(hint, Role.DIM))
    return Line(tuple(pieces)), places


def progress_lines(bus: str, progress: Progress, width: int, *, opening: bool, stopping: bool) -> list[Line]:
    """How far it is."""
    if stopping:
        said = "  nothing is asked any more; transfers under way are aborted"
        return [line(Piece("STOPPING", Role.TITLE), Piece(said))]
    rows = [
        line(Piece("ASKING", Role.TITLE), Piece("  transmits", Role.WARN), f"; {_so_far(progress)}"),
        *(line(Piece(text, Role.DIM)) for text in wrap(f"on {bus}", width)),
    ]
    if opening:
        return [*rows, Line(), line("Opening the bus to send ...")]
    if not progress.of:
        return [*rows, Line(), line("Claiming an address and looking who is there ...")]
    full = _BAR * progress.done // progress.of
    rows += [Line(), line(Piece("█" * full + "░" * (_BAR - full)), f" {progress.done} of {progress.of} questions")]
    if progress.asking is not None:
        address, question = progress.asking
        rows += [line(text) for text in wrap(f"{title(who(address))}: {question.title} ({question.key})", width)]
    return rows


def _so_far(progress: Progress) -> str:
    passed = length(round(progress.passed_s * NS_PER_S))
    return f"{count_of(progress.sent, 'frame')} sent in {passed}"


def outcome_words(progress: Progress, trouble: str, *, stopped: bool) -> str:
    """How it ended."""
    said = f"{progress.done} of {progress.of} questions settled, {_so_far(progress)}"
    if trouble:
        return f"ended early: {trouble}; {said}"
    return f"stopped by you; {said}" if stopped else said


def _row(label: str, text: str, width: int) -> list[Line]:
    return hung(_label(label), text, width, begin_role=Role.STRONG)


def _label(label: str) -> str:
    return f"{label:<{_LABEL}}"
