"""The page from which things are saved: a stretch of frames, the fault list, a report, the marks, one fault.

Rule: no file is overwritten, and whatever goes wrong is one line on this page; the listening goes on.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable
from itertools import chain
from typing import ClassVar, NamedTuple

from rich.cells import cell_len
from textual import events, on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.widgets import Input

from faultlamp.errors import CaptureError
from faultlamp.text import printable
from faultlamp.tui.board import Board
from faultlamp.tui.canvas import Canvas
from faultlamp.tui.export.faults import fault_line, faults_as_csv, faults_as_json
from faultlamp.tui.export.new_file import check_free, dated_name, free_name, typed_path, where, write_new
from faultlamp.tui.export.stock import notes_name
from faultlamp.tui.export.stretches import Span, let_go, spans
from faultlamp.tui.key_line import KeyLine
from faultlamp.tui.names import count_of
from faultlamp.tui.page import Page
from faultlamp.tui.paint import Line, Piece, Role, fit, fit_line, line, wrap
from faultlamp.tui.typed_line import TypedLine

_CELLS = 27


class _Entry(NamedTuple):
    """One thing to do: what, about what, and how; `heading` stands above it."""

    what: str
    about: str
    do: Callable[[], None]
    heading: str = ""


class SavePage(Page, inherit_bindings=False):
    """Up and down pick, Enter does it, a click does both."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "do", "Save", tooltip="Save what is picked"),
        Binding("up", "move(-1)", "Up", show=False, tooltip="Row above"),
        Binding("down", "move(1)", "Down", show=False, tooltip="Row below"),
        Binding("escape,q", "leave", "Back", tooltip="Back to the dashboard"),
    ]

    def __init__(self, board: Board) -> None:
        super().__init__()
        self.board = board
        self.row = 0
        self.said = ""
        self._rows: list[int | None] = []
        self._save: Callable[[str], None] | None = None

    def compose(self) -> ComposeResult:
        """The page, and the line in which a name is typed."""
        with VerticalScroll():
            yield Canvas(id="page")
        yield TypedLine("file name; Enter saves, Esc drops it", id="save-name")
        yield KeyLine()

    def on_mount(self) -> None:
        """The arrows pick a row instead of scrolling."""
        self.query_one(VerticalScroll).can_focus = False

    def on_screen_resume(self) -> None:
        """Opened again: what was said is old."""
        self.said = ""

    def page(self, width: int) -> list[Line]:
        """The rows, then what was done last, then the picked fault."""
        rows: list[Line] = []
        self._rows = []
        for place, entry in enumerate(self._entries()):
            if entry.heading:
                rows += [*([Line()] if rows else []), line(Piece(entry.heading, Role.TITLE))]
                self._rows += [None] * (len(rows) - len(self._rows))
            picked = place == self.row
            ground = Role.PICKED if picked else Role.PLAIN
            what = f"{'▸' if picked else ' '} {fit(entry.what, min(_CELLS, width - 2))} "
            if len(what) + cell_len(entry.about) <= width:
                drawn = [line(what, Piece(entry.about, Role.DIM), ground=ground)]
            else:
                below = [line(Piece(f"    {row}", Role.DIM), ground=ground) for row in wrap(entry.about, width - 4)]
                drawn = [line(what, ground=ground), *below]
            rows += [fit_line(row, width) for row in drawn]
            self._rows += [place] * len(drawn)
        if (text := self._fault_line()) is not None:
            rows += [line(Piece(row, Role.DIM)) for row in wrap(text, width)]
        rows += [Line(), *(line(Piece(row, Role.STRONG)) for row in wrap(self.said, width))]
        return rows

    def action_move(self, by: int) -> None:
        """Another row, unless a name is being typed."""
        if not self._typed.display:
            self.row = min(max(self.row + by, 0), len(self._entries()) - 1)
            self.redraw()

    def action_do(self) -> None:
        """What the row says."""
        self._entries()[self.row].do()

    def on_click(self, event: events.Click) -> None:
        """A row is picked and done."""
        if not isinstance(event.widget, Canvas) or event.widget.id != "page" or self._typed.display:
            return
        row = self._rows[event.y] if event.y < len(self._rows) else None
        if row is not None:
            self.row = row
            self.action_do()
            self.redraw()

    @on(Input.Submitted, "#save-name")
    def name_typed(self, event: Input.Submitted) -> None:
        """Save under that name; where it cannot be, the name can be mended."""
        if self._save is None:
            return
        try:
            self._save(typed_path(event.value))
        except CaptureError as error:
            self._say(str(error))
        else:
            self._typed.action_put_away()

    @property
    def _typed(self) -> TypedLine:
        return self.query_one("#save-name", TypedLine)

    def _entries(self) -> list[_Entry]:
        board = self.board
        faults = count_of(len(board.lanes), "fault")
        notes = board.notes
        kept = f", kept in {printable(notes.path)}" if notes.path else ""
        marks = f"{count_of(len(notes.marks), 'moment')} marked{kept}"
        copied = "to the clipboard, as the line below" if board.shown_lanes else "no fault is picked"
        stretches = [
            _Entry(span.what, span.words(board.start_ns), lambda span=span: self._ask_frames(span))  # type: ignore[misc]
            for span in spans(board, self.app.size.width)
        ]
        stretches[0] = stretches[0]._replace(heading="FRAMES, as a candump log")
        return [
            *stretches,
            _Entry("Fault list as CSV", f"{faults}, for a spreadsheet", lambda: self._ask_faults("csv"), "FAULTS"),
            _Entry("Fault list as JSON", f"{faults}, with spans, lamps, key cycles", lambda: self._ask_faults("json")),
            _Entry("Report page", "HTML, to hand over and to print", self._ask_report, "PAPER"),
            _Entry("Marks with their notes", marks, self._ask_notes, "NOTES"),
            _Entry("Copy the picked fault", copied, self.copy_fault, "PICKED FAULT"),
        ]

    def _ask_frames(self, span: Span) -> None:
        board, from_ns, to_ns = self.board, span.from_ns, span.to_ns
        if from_ns is None or to_ns is None:
            self._say(f"{span.what}: {span.what_to_do}.")
            return

        def save(path: str) -> None:
            check_free(path)
            self._say(f"Saving to {where(path)} ...")
            # In the background: a long stretch takes its time, and the watching goes on.
            self.run_worker(self._write_frames(path, from_ns, to_ns, let_go(board, from_ns)), exit_on_error=False)

        self._ask(dated_name("frames", ".log"), save)

    async def _write_frames(self, path: str, from_ns: int, to_ns: int, but: str) -> None:
        stretch = self.board.stock.stretch(from_ns, to_ns)

        def write() -> None:
            lines = stretch.lines()
            first = next(lines, None)
            if first is None:
                raise CaptureError("no frame in that stretch: nothing was saved")
            write_new(path, chain((first,), lines))

        try:
            await asyncio.to_thread(write)
        except CaptureError as error:
            self._say(str(error))
        except OSError as error:
            self._say(f"the recording cannot be read: {error.strerror}; nothing was saved")
        else:
            left_out = f", {stretch.left_out} remote, error or CAN FD frames left out" if stretch.left_out else ""
            unread = f"; the recording's part of it could not be read: {stretch.unread}" if stretch.unread else ""
            self._say(f"{count_of(stretch.frames, 'frame')} saved to {where(path)}{left_out}{unread}{but}.")

    def _ask_faults(self, form: str) -> None:
        make = faults_as_csv if form == "csv" else faults_as_json

        def save(path: str) -> None:
            parts: Iterable[bytes] = [make(self.board.job, self.board.stock)]
            write_new(path, parts)
            self._say(f"{count_of(len(self.board.lanes), 'fault')} saved to {where(path)}.")

        self._ask(dated_name("faults", f".{form}"), save)

    def _ask_report(self) -> None:
        if not self.board.job.history.frames:
            self._say("No frame so far: there is nothing to report of.")
            return

        def save(path: str) -> None:
            check_free(path)
            self._say(f"Saving to {where(path)} ...")
            self.run_worker(self._write_report(path), exit_on_error=False)

        self._ask(dated_name("report", ".html"), save)

    async def _write_report(self, path: str) -> None:
        # What it needs is loaded when it is needed: the dashboard opens without it.
        from faultlamp.tui.export.report import save_report

        try:
            size_bytes = await save_report(self.board, path)
        except CaptureError as error:
            self._say(str(error))
        else:
            self._say(f"Report page saved to {where(path)}, {size_bytes:,} bytes.")

    def _ask_notes(self) -> None:
        notes = self.board.notes
        if not notes.marks:
            self._say("No moment is marked: m on the dashboard marks one, with a note.")
            return

        def save(path: str) -> None:
            notes.begin_file(path, self.board.feed.status().source)
            self._say(f"{count_of(len(notes.marks), 'mark')} saved to {where(path)}; new ones are added there.")

        self._ask(notes_default(self.board), save)

    def copy_fault(self) -> None:
        """The picked fault's line to the clipboard of the terminal."""
        text = self._fault_line()
        if text is None:
            self._say("No fault to copy.")
            return
        self.app.copy_to_clipboard(text)
        self._say("Sent to the terminal's clipboard (OSC 52). Some terminals refuse that: then mark the line above.")

    def _fault_line(self) -> str | None:
        board = self.board
        lanes = board.shown_lanes
        return fault_line(board.job, lanes[board.view.index(lanes)], board.now_ns or 0) if lanes else None

    def _ask(self, name: str, save: Callable[[str], None]) -> None:
        self._save = save
        self._typed.ask()
        self._typed.value = name
        self._typed.cursor_position = len(name)

    def _say(self, text: str) -> None:
        self.said = text
        if self.app.screen is self:
            self.redraw()
        else:
            self.app.notify(text, markup=False)


def notes_default(board: Board) -> str:
    """A free name for the notes: beside the recording where there is one."""
    recording = board.stock.recording
    return dated_name("notes", ".txt") if recording is None else free_name(*notes_name(recording))
