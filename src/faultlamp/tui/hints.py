"""What stands where there is nothing to show yet: why that may be, and what to do next.

Rule: nothing is claimed that was not heard, and each text ends in something to do. The checks of a silent bus are
those of `doctor` (common practice, no source), the cheapest first; the maker's manual decides.
"""

from __future__ import annotations

from collections.abc import Sequence

from faultlamp.doctor.checks import CAUTION, SILENT_BUS, SOURCE
from faultlamp.tui.head.sentence import name_of
from faultlamp.tui.job import Job
from faultlamp.tui.names import title
from faultlamp.tui.paint import Line, Piece, Role, fit_line, line, wrap
from faultlamp.tui.times import NS_PER_S

SILENT_AFTER_NS = 3 * NS_PER_S
FIRST_TIME = "First time here? ? lists all keys and words, Ctrl+P finds a command, q leaves."

_MOST_NAMES = 6
_SOCKET = SILENT_BUS[1].how[1]
_OTHER_BUS = (
    "Frames come, but none of J1939: only 11-bit identifiers, or another protocol. Most likely another network of the "
    "machine."
)
_OTHER_BUS_SHORT = "Frames come, but none of J1939: another network?"
_NO_DM1 = (
    "No fault report (DM1) heard yet. That is no proof that there is no fault: some controllers send it only while "
    "they have one (SAE J1939-73, section 5.7.1, from memory)."
)
_NO_DM1_SHORT = "No fault report (DM1) heard yet: no proof that there is no fault."
_NO_FRAME = "Nothing was recorded: there is nothing to play and to jump to."
_NO_FRAME_NEXT = (
    "1. Is the bus alive? Key on, then `faultlamp doctor` with -i and -c of the adapter.",
    "2. Record again: `faultlamp record -o FILE`, or `faultlamp watch --record FILE`.",
)
# What to do next: on a bus, and in a recording.
_OTHER_BUS_NEXT = (
    (
        f"1. Other pins? {_SOCKET}",
        "2. Other channel? `faultlamp doctor` with -i and -c says what is on each.",
        "3. A gateway may let nothing through to here: look for the bus behind it.",
    ),
    ("Record again at the engine's J1939 socket.", _SOCKET),
)
_NO_DM1_NEXT = (
    (
        "1. Key on? Off and on again since something was unplugged?",
        "2. b shows who talks: is the engine's controller among them?",
        "3. Stored faults come only when asked for: `faultlamp ask stored`.",
    ),
    (
        "1. At a later moment? n jumps to the next change of a fault or lamp.",
        "2. None at all? Was the key on? Was it the engine's bus?",
    ),
)
_NO_FAULT_NEXT = (
    (
        "Comes and goes? Leave this open and move the wiring; m marks a moment.",
        "Stored ones (DM2) come only when asked for: `faultlamp ask stored`.",
    ),
    ("At a later moment? n jumps to the next change of a fault or lamp.",),
)


def silent_lines(width: int, height: int) -> list[Line]:
    """The checks of a silent bus in `height` rows: with all their explanations, with as many as there is room for."""
    heading = f"NOTHING HEARD. Check in this order ({SOURCE}):"
    if len(heading) > width - 1:
        heading = "NOTHING HEARD. Check in this order:"
    title_row = line(Piece(heading, Role.TITLE))
    caution = [line(Piece(row, Role.WARN)) for row in wrap(CAUTION, width - 2)]
    rows = [_numbered(number, check.what, width) for number, check in enumerate(SILENT_BUS, 1)]
    room = height - 1 - len(caution) - sum(map(len, rows))
    for place, check in enumerate(SILENT_BUS):
        how = [line(f"    {row}") for text in check.how for row in wrap(text, width - 6)]
        if len(how) > room:
            break
        rows[place] = [*rows[place], *how]
        room -= len(how)
    # Where not even the checks fit, the caution has its place before the last of them.
    drawn = [title_row, *(row for check in rows for row in check)]
    kept = drawn[: max(height - len(caution), 1)]
    return [fit_line(line(" ", *row.pieces), width) for row in (*kept, *caution)][:height]


def empty_lines(job: Job, width: int, height: int = 0, *, live: bool = True) -> list[Line]:
    """Where the lanes would be while there is no fault, in fewer words where `height` rows do not hold all.

    live: heard now, not replayed. height: 0 for as many as it takes.
    """
    place = 0 if live else 1
    if not live and not job.history.frames:
        return _text((_NO_FRAME, *_NO_FRAME_NEXT), width)
    if job.history.frames and not job.nodes.nodes:
        return _in_room((_OTHER_BUS, *_OTHER_BUS_NEXT[place]), _OTHER_BUS_SHORT, width, height)
    senders = [controller for controller in job.history.controllers.values() if controller.last_dm1_ns]
    if not senders:
        return _in_room((_NO_DM1, *_NO_DM1_NEXT[place]), _NO_DM1_SHORT, width, height)
    names = [title(name_of(job, controller)) for controller in senders]
    listed = ", ".join(names[:_MOST_NAMES]) + (", ..." if len(names) > _MOST_NAMES else "")
    several = f"{len(senders)} controllers that send" if len(senders) > 1 else "one controller that sends"
    short = f"No fault reported by the {several} DM1."
    return _in_room((f"{short[:-1]}: {listed}.", *_NO_FAULT_NEXT[place]), short, width, height)


def _numbered(number: int, text: str, width: int) -> list[Line]:
    first, *more = wrap(text, width - 6)
    return [line(Piece(f"{number}. {first}", Role.STRONG)), *(line(Piece(f"   {row}", Role.STRONG)) for row in more)]


def _in_room(paragraphs: Sequence[str], short: str, width: int, height: int) -> list[Line]:
    """What to do next goes before explanations: where they do not all fit, the first paragraph is the short one."""
    rows = _text(paragraphs, width)
    return rows if not height or len(rows) <= height else _text((short, *paragraphs[1:]), width)


def _text(paragraphs: Sequence[str], width: int) -> list[Line]:
    return [line(f"   {row}") for text in paragraphs for row in wrap(text, width - 4)]
