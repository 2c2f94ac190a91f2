"""The keys of the dashboard that keep something: mark a moment, list the marks, save, copy; and its pages.

Rule: a page is loaded and made when it is opened first, so that none of them keeps the first paint waiting, and then
kept: opening it again is quick, and nothing is left over.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, TypeVar

from textual import on
from textual.binding import Binding, BindingType
from textual.screen import Screen
from textual.widgets import Input

from faultlamp.errors import CaptureError
from faultlamp.tui.board import Board
from faultlamp.tui.export.faults import fault_line
from faultlamp.tui.export.new_file import typed_path, where
from faultlamp.tui.hint_line import HintLine
from faultlamp.tui.lanes.screen import LaneScreen
from faultlamp.tui.marks.notes import LONGEST_NOTE
from faultlamp.tui.preferences.keeper import Keeper
from faultlamp.tui.times import moment
from faultlamp.tui.typed_line import TypedLine

KEEPING_BINDINGS: list[BindingType] = [
    Binding("m", "mark", "Mark", show=False, tooltip="Mark this moment, with a note if you like"),
    Binding("M", "marks", "Marks", show=False, tooltip="The marked moments: look at one again"),
    Binding("k", "keep", "Save", tooltip="Save frames, the fault list, a report page, marks and notes"),
    Binding("y", "copy_fault", "Copy", show=False, tooltip="Copy the picked fault as a line of text"),
]
_PageT = TypeVar("_PageT", bound=Screen[Any])

_SHORT_S = 4
_LONG_S = 8


class KeepingScreen(LaneScreen):
    """A screen of lanes from which things are kept."""

    def __init__(self, board: Board) -> None:
        super().__init__(board)
        self._marking_ns = 0
        self._pages: dict[type[Screen[Any]], Screen[Any]] = {}

    def note_lines(self) -> Iterator[TypedLine]:
        """The lines in which a note, and once the name of its file, is typed."""
        note = TypedLine("Note for the marked moment, or nothing. Enter marks it, Esc does not", id="note")
        note.max_length = LONGEST_NOTE
        yield note
        yield TypedLine("File for the marks. Enter keeps them there, Esc only until you leave", id="notes-file")

    def hint_lines(self) -> Iterator[HintLine]:
        """The line for the first time; none where nothing is remembered of a person."""
        keeper = getattr(self.app, "keeper", None)
        if isinstance(keeper, Keeper):
            yield HintLine(lambda: keeper.greets, keeper.keep_greeted)

    @property
    def rows_taken(self) -> int:
        """Rows of lines that are there for a while only."""
        return sum(bool(one.display) for kind in (TypedLine, HintLine) for one in self.query(kind))

    def on_screen_suspend(self) -> None:
        """Who opens pages has found the keys."""
        for hint in self.query(HintLine):
            hint.put_away()

    def action_mark(self) -> None:
        """Ask for the note; the moment is the one at which the key was pressed, or the cursor's."""
        board = self.board
        if board.now_ns is None:
            self.notify("Nothing heard yet: there is no moment to mark.", timeout=_SHORT_S, markup=False)
            return
        self._marking_ns = board.at_ns
        self.query_one("#note", TypedLine).ask()

    def action_marks(self) -> None:
        """Open the page of marks."""
        from faultlamp.tui.marks.page import MarksPage

        self.open_page(self.kept(MarksPage, self.board))

    def action_keep(self) -> None:
        """Open the page to save from."""
        from faultlamp.tui.export.page import SavePage

        self.open_page(self.kept(SavePage, self.board))

    def action_copy_fault(self) -> None:
        """The picked fault's line to the clipboard of the terminal."""
        board = self.board
        lanes = board.shown_lanes
        if not lanes:
            self.notify("No fault to copy.", timeout=_SHORT_S, markup=False)
            return
        lane = lanes[board.view.index(lanes)]
        self.app.copy_to_clipboard(fault_line(board.job, lane, board.now_ns or 0))
        self.notify(
            f"SPN {lane.fault.spn} FMI {lane.fault.fmi} sent to the terminal's clipboard (OSC 52). Not there? Some "
            "terminals refuse it: k shows the line.", timeout=_LONG_S, markup=False,
        )

    @on(Input.Submitted, "#note")
    def note_typed(self, event: Input.Submitted) -> None:
        """Mark the moment; the first time, say or ask where marks are kept."""
        from faultlamp.tui.export.page import notes_default

        board = self.board
        self.query_one("#note", TypedLine).action_put_away()
        try:
            board.notes.add(self._marking_ns, event.value, board.start_ns)
            if board.notes.path is None and board.stock.recording is not None:
                board.notes.begin_file(notes_default(board), board.feed.status().source)
        except CaptureError as error:
            self.notify(str(error), severity="warning", timeout=_LONG_S, markup=False)
        else:
            self._say_where()
        self.redraw()
        if board.notes.path is None and not board.notes.asked:
            board.notes.asked = True
            line = self.query_one("#notes-file", TypedLine)
            line.ask()
            line.value = notes_default(board)
            line.cursor_position = len(line.value)

    @on(Input.Submitted, "#notes-file")
    def file_typed(self, event: Input.Submitted) -> None:
        """Keep the marks there; where that cannot be, the name can be mended."""
        try:
            self.board.notes.begin_file(typed_path(event.value), self.board.feed.status().source)
        except CaptureError as error:
            self.notify(str(error), severity="warning", timeout=_LONG_S, markup=False)
            return
        self.query_one("#notes-file", TypedLine).action_put_away()
        self._say_where()

    def _say_where(self) -> None:
        board = self.board
        at = moment(self._marking_ns, board.start_ns)
        kept = "" if board.notes.path is None else f", kept in {where(board.notes.path)}"
        self.notify(f"{at} is marked{kept}.", timeout=_SHORT_S, markup=False)

    def kept(self, kind: type[_PageT], *args: Any) -> _PageT:
        """The page of that kind, made of the arguments the first time."""
        page = self._pages.get(kind)
        if not isinstance(page, kind):
            page = self._pages[kind] = kind(*args)
            self.app.install_screen(page, kind.__name__)
        return page

    def open_page(self, page: Screen[Any]) -> None:
        """Show it, unless another was opened already: a click may have been under way when a key did so."""
        if self.app.screen is self:
            self.app.push_screen(page)
