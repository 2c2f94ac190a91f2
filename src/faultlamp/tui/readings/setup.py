"""The page of one reading's settings: its place, unit, low and high mark; and what holds for all readings.

Rows of a name and a setting. Up and down pick a row, left and right change it; in the rows of the marks a number is
typed. Each change holds at once.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import ClassVar, TypeVar

from textual import events
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.screen import Screen

from faultlamp.knowledge.units import System, quantity_of
from faultlamp.tui.board import Board
from faultlamp.tui.canvas import Canvas
from faultlamp.tui.key_line import KeyLine
from faultlamp.tui.paint import Line, Piece, Role, fit, fit_line, line, wrap
from faultlamp.tui.readings.choice import ABOVE, BELOW, TRENDS_MIN, Choice, Mark
from faultlamp.tui.readings.value import Pick, Value

PLACE, UNIT, QUANTITY, SYSTEM, LOW, HIGH, TRENDS = range(7)
_MARKS = {LOW: "low", HIGH: "high"}
_FIRST_ROW = 3
_LONGEST_NUMBER = 12
_NAME_CELLS = 27
_T = TypeVar("_T")


def setup_lines(board: Board, pick: Pick, row: int, typed: str | None, width: int) -> list[Line]:
    """The page, with `row` picked. typed: what was typed for its mark so far, None when nothing was."""
    value, choice = _now(board, pick)
    shown = board.choices.presented(value, choice)
    rows = [
        line(Piece(f"SPN {value.spn}", Role.TITLE), " ", Piece(value.name, Role.STRONG)),
        line(f"Now {shown.words}", *([Piece(f"  {said}", Role.WARN)] if (said := _beyond(board, pick)) else [])),
        Line(),
    ]
    for place, (name, setting) in enumerate(_settings(board, value, choice, row, typed)):
        here = place == row
        arrow = "▸" if here else " "
        setting_row = line(
            Piece(f"{arrow} {fit(name, _NAME_CELLS)} ", Role.STRONG if here else Role.PLAIN), Piece(setting),
            ground=Role.PICKED if here else Role.PLAIN,
        )
        rows.append(fit_line(setting_row, width))
    low, high = (_limit(mark, value.unit) for mark in (choice.low, choice.high))
    if low is not None and high is not None and low > high:
        text = "The low mark is above the high one: every number is beyond one of them."
        rows += [Line(), line(Piece(text, Role.WARN))]
    help_text = (
        "A number beyond its mark is called out beside the reading. Marks are your own: what is right for this "
        "machine, its manual says."
    )
    rows += [Line(), *(line(Piece(text, Role.DIM)) for text in wrap(help_text, width))]
    return [fit_line(one, width) for one in rows]


def _settings(board: Board, value: Value, choice: Choice, row: int, typed: str | None) -> list[tuple[str, str]]:
    choices = board.choices
    quantity = quantity_of(value.unit)
    unit = choices.unit(choice, value.unit)
    own = "no other unit" if quantity is None else f"{unit}{', its own' if choice.unit else ''}"
    of_all = "-" if quantity is None else choices.quantity_unit(value.unit)
    marks = []
    for place, shape, mark in ((LOW, BELOW, choice.low), (HIGH, ABOVE, choice.high)):
        if _is_word(value):
            marks.append("none: this reading is a word")
        elif place == row and typed is not None:
            marks.append(f"{shape} {typed}_ {unit}")
        elif mark is None:
            marks.append("none, type a number" if place == row else "none")
        else:
            marks.append(f"{shape} {mark.text(unit, board.choices.presented(value, choice).step)} {unit}")
    where = choices.picks.index(choice.pick) + 1
    return [
        ("Place on the screen", f"{where} of {len(choices.picks)}"),
        ("Unit of this reading", own if unit or quantity else "none"),
        (f"Unit of all {quantity.name if quantity else 'such readings'}", of_all),
        ("Units of everything", f"{choices.system}"),
        ("Low mark", marks[0]),
        ("High mark", marks[1]),
        ("Length of all trends", f"{choices.trend_min} min"),
    ]


class Setup(Screen[None]):
    """Settings of the reading `pick`; None while it is not open."""

    DEFAULT_CSS = """
    Setup { background: $background; }
    Setup #setup { height: 1fr; margin: 0 1; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "leave", "Done", tooltip="Back to the readings"),
        Binding("enter,tab", "leave", "Done", show=False, tooltip="Back to the readings"),
        Binding("up", "row(-1)", "Row above", show=False, tooltip="Row above"),
        Binding("down", "row(1)", "Row below", show=False, tooltip="Row below"),
        Binding("left", "change(-1)", "Change", tooltip="Change the setting"),
        Binding("right", "change(1)", "Change", show=False, tooltip="Change the setting"),
        Binding("backspace,delete", "erase", "Remove the mark", tooltip="Remove the mark of the row"),
    ]

    def __init__(self, board: Board) -> None:
        super().__init__()
        self._board = board
        self.pick: Pick | None = None
        self._row = UNIT
        self._typed: str | None = None

    def compose(self) -> ComposeResult:
        """The rows over the keys."""
        yield Canvas(id="setup")
        yield KeyLine()

    def on_mount(self) -> None:
        """The present value goes on."""
        self.set_interval(1.0, self.redraw)

    def on_screen_resume(self) -> None:
        """Opened again."""
        self._row, self._typed = UNIT, None
        self.redraw()

    def on_resize(self) -> None:
        """Another width."""
        self.redraw()

    def redraw(self) -> None:
        """Draw what is true now."""
        if self.pick is None or self.pick not in self._board.picks:
            return
        for canvas in self.query("#setup").results(Canvas):
            width = max(self.app.size.width - 2, 20)
            canvas.show(setup_lines(self._board, self.pick, self._row, self._typed, width))

    def action_leave(self) -> None:
        """Back to the chooser."""
        self.dismiss()

    def action_row(self, by: int) -> None:
        """Another row."""
        self._row, self._typed = (self._row + by) % (TRENDS + 1), None
        self.redraw()

    def action_change(self, by: int) -> None:
        """The next or previous of what the row can be."""
        board, pick = self._board, self.pick
        if pick is None or pick not in board.picks:
            return
        choices = board.choices
        value, choice = _now(board, pick)
        quantity = quantity_of(value.unit)
        if self._row == PLACE:
            board.choose(choices.moved(pick, by))
        elif self._row == UNIT and quantity is not None:
            unit = _next(list(quantity.units), choices.unit(choice, value.unit), by)
            usual = choices.quantity_unit(value.unit)
            board.choose(choices.changed(replace(choice, unit="" if unit == usual else unit)))
        elif self._row == QUANTITY and quantity is not None:
            unit = _next(list(quantity.units), choices.quantity_unit(value.unit), by)
            board.choose(choices.with_unit(value.unit, unit))
        elif self._row == SYSTEM:
            board.choose(choices.with_system(_next(list(System), choices.system, by)))
        elif self._row == TRENDS:
            board.choose(replace(choices, trend_min=_next(TRENDS_MIN, choices.trend_min, by)))
        elif self._row in _MARKS:
            self.notify("Type a number; Backspace removes it.", timeout=3, markup=False)
        else:
            self.notify("It has one unit only.", timeout=3, markup=False)
        self.redraw()

    def action_erase(self) -> None:
        """One character of what is being typed; else the whole mark."""
        if self._row in _MARKS:
            self._type((self._typed or "")[:-1])

    def on_key(self, event: events.Key) -> None:
        """Figures make a mark."""
        figure = {",": "."}.get(event.character or "", event.character or "")
        if self._row in _MARKS and figure and figure in "0123456789.-":
            event.stop()
            self._type(((self._typed or "") + figure)[:_LONGEST_NUMBER])

    def on_click(self, event: events.Click) -> None:
        """A click picks a row."""
        row = event.y - _FIRST_ROW
        if isinstance(event.widget, Canvas) and event.widget.id == "setup" and 0 <= row <= TRENDS:
            self.action_row(row - self._row)

    def _type(self, text: str) -> None:
        board, pick = self._board, self.pick
        if pick is None or pick not in board.picks:
            return
        value, choice = _now(board, pick)
        if _is_word(value):
            return
        self._typed = text or None
        number = number_of(text)
        if number is not None or not text:
            mark = None if number is None else Mark(number, board.choices.unit(choice, value.unit))
            low, high = (mark, choice.high) if self._row == LOW else (choice.low, mark)
            board.choose(board.choices.changed(replace(choice, low=low, high=high)))
        self.redraw()


def number_of(text: str) -> float | None:
    """What was typed as a number; None while it is none.

    >>> number_of("-4.5"), number_of("-"), number_of("1-2"), number_of(".")
    (-4.5, None, None, None)
    """
    try:
        number = float(text)
    except ValueError:
        return None
    return number if math.isfinite(number) else None


def _now(board: Board, pick: Pick) -> tuple[Value, Choice]:
    return board.readings.value(board.job, pick, board.now_ns or 0), board.choices.of(pick)


def _beyond(board: Board, pick: Pick) -> str:
    return board.choices.beyond(*_now(board, pick))


def _is_word(value: Value) -> bool:
    return value.number is not None and not value.step


def _limit(mark: Mark | None, unit: str) -> float | None:
    return None if mark is None else mark.within(unit)


def _next(options: Sequence[_T], now: _T, by: int) -> _T:
    return options[(options.index(now) + by) % len(options)] if now in options else options[0]
