"""The page of the marked moments: pick one and go there."""

from __future__ import annotations

from typing import ClassVar

from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll

from faultlamp.text import printable
from faultlamp.tui.board import Board
from faultlamp.tui.marks.notes import Mark, day_and_time
from faultlamp.tui.page import Page
from faultlamp.tui.paint import Line, Piece, Role, fit_line, hung, line, wrap

_ABOVE = 3


class MarksPage(Page, inherit_bindings=False):
    """The marks of one board, the newest moment last."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "go", "Go there", tooltip="Cursor to the marked moment"),
        Binding("up", "move(-1)", "Up", show=False, tooltip="Mark above"),
        Binding("down", "move(1)", "Down", show=False, tooltip="Mark below"),
        Binding("escape,q", "leave", "Back", tooltip="Back to the dashboard"),
    ]

    def __init__(self, board: Board) -> None:
        super().__init__()
        self._board = board
        self.row = 0

    def on_mount(self) -> None:
        """The arrows pick a mark instead of scrolling."""
        self.query_one(VerticalScroll).can_focus = False

    def page(self, width: int) -> list[Line]:
        """One row a mark."""
        notes, board = self._board.notes, self._board
        if notes.path is not None:
            kept = f"kept in {printable(notes.path)}"
        elif board.stock.recording is not None:
            kept = "the next one begins a file beside the recording"
        else:
            kept = "until you leave; k keeps them in a file"
        rows = [*hung("MARKED MOMENTS  ", kept, width, more="  ", begin_role=Role.TITLE), Line()]
        if not notes.marks:
            text = "None so far. m on the dashboard marks the present moment, or the one that the cursor is at."
            return [*rows, *(line(row) for row in wrap(text, width))]
        rows.append(line(Piece(f"  {'Moment':<21}Note", Role.DIM)))
        self.row = min(self.row, len(notes.marks) - 1)
        return [
            *rows, *(self._row(mark, place == self.row, width) for place, mark in enumerate(notes.marks)),
        ]

    def action_move(self, by: int) -> None:
        """Another mark."""
        self.row = min(max(self.row + by, 0), max(len(self._board.notes.marks) - 1, 0))
        self.redraw()
        self.query_one(VerticalScroll).scroll_to(y=max(self.row + _ABOVE - self.size.height // 2, 0), animate=False)

    def action_go(self) -> None:
        """The dashboard, with the cursor there."""
        board, marks = self._board, self._board.notes.marks
        if marks:
            at_ns, now_ns = marks[self.row].time_ns, board.now_ns or 0
            if not board.start_ns <= at_ns <= now_ns:
                self.notify("That moment has not been played yet: go there with g.", markup=False)
                return
            board.view.go_to(at_ns, board.window(self.app.size.width), now_ns)
        self.dismiss()

    def _row(self, mark: Mark, picked: bool, width: int) -> Line:
        at = day_and_time(mark.time_ns, self._board.start_ns)
        row = line(f"{'▸' if picked else ' '} {at:<21}{mark.note}", ground=Role.PICKED if picked else Role.PLAIN)
        return fit_line(row, width)
