"""The lamps as words with a shape and a state each: one row a controller where they differ and there is room.

    ■ on   ◐ fast flash   ◑ slow flash   □ off   · n/a (not available)   ? reserved

Where there is not, one entry a lamp with those who ask for it: `■ AMBER on: engine 1, transmission 1`. In very few
cells those that nobody asks for are one entry, and at last only the shapes say how a lamp is asked for.

Rule: SAE J1939-73, section 5.7.1. The lamps of a DM1 belong to its sender as a whole, not to a single code.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from rich.cells import cell_len

from faultlamp.history.controllers import Controller
from faultlamp.j1939.diagnostics import LAMP_PLACES, Lamp, Lamps, LampState
from faultlamp.tui.head.sentence import name_of
from faultlamp.tui.job import Job
from faultlamp.tui.names import LAMP_WORDS, STATE_WORDS, title, together
from faultlamp.tui.paint import Line, Piece, Role, fit, fit_line, flow, line, wrap
from faultlamp.tui.wiggle.letters import large

SHAPES = {
    LampState.ON: "■",
    LampState.FAST_FLASH: "◐",
    LampState.SLOW_FLASH: "◑",
    LampState.OFF: "□",
    LampState.NOT_AVAILABLE: "·",
    LampState.RESERVED: "?",
}
SHORT_WORDS = {
    Lamp.RED_STOP: "RED STOP",
    Lamp.AMBER_WARNING: "AMBER",
    Lamp.PROTECT: "PROTECT",
    Lamp.MALFUNCTION_INDICATOR: "MALFUNCTION",
}
_UNKNOWN = "Lamps: no fault report (DM1) at present, so none is known."
_LABEL = 13
_GAP = 2
_BANNER_ROWS = 4

_Reporting = tuple[Controller, Lamps]
_Listing = Callable[[Sequence[str]], str]


def lamp_lines(job: Job, width: int, most: int) -> list[Line]:
    """At most `most` rows of exactly `width` cells; whoever asks for the gravest lamp comes first."""
    reporting = [
        (controller, controller.lamps)
        for _, controller in sorted(job.history.controllers.items())
        if controller.lamps is not None
    ]
    if not reporting:
        rows = [line(Piece(row, Role.DIM)) for row in wrap(_UNKNOWN, width)]
        return [fit_line(row, width) for row in rows[:most]]
    asking = sorted((item for item in reporting if _gravity(item[1]) < len(LAMP_WORDS)), key=lambda i: _gravity(i[1]))
    quiet = [controller for controller, lamps in reporting if _gravity(lamps) == len(LAMP_WORDS)]
    if len({lamps for _, lamps in reporting}) == 1:
        label = name_of(job, reporting[0][0]) if len(reporting) == 1 else f"{len(reporting)} controllers"
        rows, told, cells = _rows([(label, reporting[0][1])], width)
        if len(rows) > most and quiet:
            rows = _quiet(job, quiet, cells, others=False)
    else:
        rows, told, cells = _rows([(name_of(job, controller), lamps) for controller, lamps in asking], width)
        if quiet:
            rows += _quiet(job, quiet, cells, others=bool(asking))
    return _fitted(rows if told and len(rows) <= most else _merged(job, reporting, width, most), width, most)


def banner(lamp: Lamp, width: int) -> list[str]:
    """The lamp's word in letters for some metres, and a row to keep it from what follows; none where it is too wide."""
    rows = large(SHORT_WORDS[lamp], width, _BANNER_ROWS)
    return [*rows, ""] if len(rows) == _BANNER_ROWS else []


def gravest(lamps: Lamps | None) -> Lamp | None:
    """The gravest lamp that is asked to shine."""
    return next((lamp for lamp in LAMP_WORDS if lamps is not None and lamps[LAMP_PLACES[lamp]].lit), None)


def _gravity(lamps: Lamps) -> int:
    lamp = gravest(lamps)
    return len(LAMP_WORDS) if lamp is None else list(LAMP_WORDS).index(lamp)


def _rows(items: Sequence[tuple[str, Lamps]], width: int) -> tuple[list[Line], bool, int]:
    """A row or more for each controller; whether their labels tell them apart when cut; the cells of a label."""
    cells = [[_cell(lamp, lamps[LAMP_PLACES[lamp]]) for lamp in SHORT_WORDS] for _, lamps in items]
    names = [title(label) for label, _ in items]
    room = min((width - 1 - sum(cell_len(cell.text) + _GAP for cell in row) + _GAP for row in cells), default=0)
    label_cells = max(_LABEL, min(room, max(map(cell_len, names), default=0)))
    labels = [fit(name, label_cells) for name in names]
    drawn = []
    for label, row in zip(labels, cells, strict=True):
        for place, part in enumerate(flow(row, width, indent=label_cells + 1)):
            drawn.append(line(Piece((" " * label_cells if place else label) + " "), *part.pieces))
    return drawn, len(set(labels)) == len(set(names)), label_cells


def _merged(job: Job, reporting: Sequence[_Reporting], width: int, most: int) -> list[Line]:
    """An entry for each lamp and state with who asks for it; with as many names as find room in `most` rows."""
    rows: list[Line] = []
    for cells in (
        *(_entries(job, reporting, listed, listed_quiet) for listed, listed_quiet in _WAYS_TO_LIST),
        *_short_entries(job, reporting),
    ):
        rows = flow(cells, width)
        if len(rows) <= most and all(cell_len(cell.text) <= width for cell in cells):
            break
    return rows


def _short_entries(job: Job, reporting: Sequence[_Reporting]) -> list[list[Piece]]:
    """Only the lamps that are asked for, the others in one entry: with their states in words, then in shapes alone."""
    lit = [cell for cell in _entries(job, reporting, None, None) if cell.role is not Role.DIM]
    shapes = []
    for lamp in LAMP_WORDS:
        found = {lamps[LAMP_PLACES[lamp]] for _, lamps in reporting}
        states = " ".join(shape for state, shape in SHAPES.items() if state.lit and state in found)
        if states:
            shapes.append(Piece(f"{states} {SHORT_WORDS[lamp]}", _lit_role(lamp)))
    rest = [Piece("no other asked for", Role.DIM)] if len(shapes) < len(LAMP_WORDS) else []
    return [[*lit, *rest], lit, [*shapes, *rest], shapes]


def _entries(
    job: Job, reporting: Sequence[_Reporting], listed: _Listing | None, listed_quiet: _Listing | None
) -> list[Piece]:
    cells, unlit = [], []
    for lamp in LAMP_WORDS:
        senders: dict[LampState, list[str]] = {}
        for controller, lamps in reporting:
            senders.setdefault(lamps[LAMP_PLACES[lamp]], []).append(name_of(job, controller))
        lit = [state for state in SHAPES if state.lit and state in senders]
        for state in lit:
            cell = _cell(lamp, state)
            cells.append(cell if listed is None else cell._replace(text=f"{cell.text}: {listed(senders[state])}"))
        if not lit:
            states = [state for state in SHAPES if state in senders]
            words = " or ".join(STATE_WORDS[state] for state in states)
            unlit.append(Piece(f"{SHAPES[states[0]]} {SHORT_WORDS[lamp]} {words}", Role.DIM))
    quiet = [name_of(job, controller) for controller, lamps in reporting if gravest(lamps) is None]
    if quiet and listed_quiet is not None:
        unlit.append(Piece(f"□ no lamp asked for: {listed_quiet(quiet)}", Role.DIM))
    return cells + unlit


def _counted(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{len(names)} controllers"


# Those who ask for a lamp, and those who ask for none, in fewer and fewer words; None: not named.
_WAYS_TO_LIST: tuple[tuple[_Listing | None, _Listing | None], ...] = (
    (", ".join, ", ".join), (", ".join, _counted), (", ".join, None), (together, None), (_counted, None), (None, None),
)


def _quiet(job: Job, quiet: list[Controller], cells: int, *, others: bool) -> list[Line]:
    """Controllers that ask for no lamp: their states in full would only be noise."""
    label = name_of(job, quiet[0]) if len(quiet) == 1 else f"{len(quiet)} {'others' if others else 'controllers'}"
    return [line(Piece(fit(title(label), cells) + " "), Piece("□ no lamp asked for", Role.DIM))]


def _cell(lamp: Lamp, state: LampState) -> Piece:
    role = _lit_role(lamp) if state.lit else Role.DIM
    return Piece(f"{SHAPES[state]} {SHORT_WORDS[lamp]} {STATE_WORDS[state]}", role)


def _lit_role(lamp: Lamp) -> Role:
    return Role.STOP if lamp is Lamp.RED_STOP else Role.WARN


def _fitted(rows: list[Line], width: int, most: int) -> list[Line]:
    if len(rows) > most > 1:
        more = line(Piece(f"and {len(rows) - most + 1} more rows of lamps", Role.WARN))
        rows = [*rows[: most - 1], more]
    return [fit_line(row, width) for row in rows[:most]]
