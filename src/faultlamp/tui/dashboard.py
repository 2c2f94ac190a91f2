"""The dashboard's screen: three bands, a status line, the keys. It draws what the board says and passes keys on."""

from __future__ import annotations

from typing import ClassVar

from textual import events
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.css.query import NoMatches
from textual.screen import Screen
from textual.widgets import Footer

from faultlamp.tui.board import Board
from faultlamp.tui.canvas import Canvas
from faultlamp.tui.detail.screen import DetailPage
from faultlamp.tui.keys import KeysPage
from faultlamp.tui.lanes.table import ROWS_ABOVE, ROWS_BELOW, label_width
from faultlamp.tui.readings.chooser import Chooser

_FAST = 10


class Dashboard(Screen[None]):
    """The bands of one board."""

    AUTO_FOCUS = ""
    DEFAULT_CSS = """
    Dashboard { background: $background; layout: vertical; }
    Dashboard #head { background: $panel; height: 3; }
    Dashboard #readings { height: 8; }
    Dashboard #lanes { height: 1fr; background: $surface; }
    Dashboard #status { height: 1; background: $panel; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "details", "Details", tooltip="All about the picked fault"),
        Binding("r", "choose", "Readings", tooltip="Choose which readings are shown"),
        Binding("up", "lane(-1)", "Fault above", show=False, tooltip="Pick the fault above"),
        Binding("down", "lane(1)", "Fault below", show=False, tooltip="Pick the fault below"),
        Binding("pageup", "page(-1)", "Page up", show=False, tooltip="A screenful of faults up"),
        Binding("pagedown", "page(1)", "Page down", show=False, tooltip="A screenful of faults down"),
        Binding("left", "cursor(-1)", "Moment", tooltip="Cursor on the time axis: readings of an earlier moment"),
        Binding("right", "cursor(1)", "Moment", show=False, tooltip="Cursor on the time axis: a later moment"),
        Binding("shift+left", f"cursor(-{_FAST})", "Far left", show=False, tooltip="Cursor ten columns earlier"),
        Binding("shift+right", f"cursor({_FAST})", "Far right", show=False, tooltip="Cursor ten columns later"),
        Binding("left_square_bracket", "scroll(-1)", "Earlier", show=False, tooltip="Scroll the time axis back"),
        Binding("right_square_bracket", "scroll(1)", "Later", show=False, tooltip="Scroll the time axis forward"),
        Binding("plus,equals_sign", "zoom(-1)", "Zoom in", show=False, tooltip="Zoom in: less time, more detail"),
        Binding("minus", "zoom(1)", "Zoom out", show=False, tooltip="Zoom out: more time, less detail"),
        Binding("w", "whole", "Whole job", show=False, tooltip="Zoom out to the whole job"),
        Binding("escape", "live", "Live", tooltip="Drop the cursor and follow the present again"),
        Binding("question_mark", "keys", "Keys", tooltip="This list of keys and words"),
        Binding("q", "app.quit", "Quit", tooltip="Leave"),
    ]

    def __init__(self, board: Board) -> None:
        super().__init__()
        self.board = board

    def compose(self) -> ComposeResult:
        """From top to bottom."""
        yield Canvas(id="head")
        yield Canvas(id="readings")
        yield Canvas(id="lanes")
        yield Canvas(id="status")
        yield Footer(compact=True, show_command_palette=False)

    def on_resize(self) -> None:
        """Another size, another arrangement."""
        self.redraw()

    def redraw(self) -> None:
        """Draw what the board says."""
        width, height = self.size
        try:
            head, readings, lanes, status = map(self._canvas, ("#head", "#readings", "#lanes", "#status"))
        except NoMatches:
            # A tick may come while the screen is put up or taken down.
            return
        if width < 1:
            return
        board = self.board
        above = 0
        for canvas, lines in (
            (head, board.head(width, height)), (readings, board.readings_band(width, height)),
        ):
            canvas.styles.height = len(lines)
            canvas.show(lines)
            above += len(lines)
        lanes.show(board.lanes_band(width, max(height - above - 2, 1)))
        status.show([board.status(width)])

    @property
    def lane_rows(self) -> int:
        """How many lanes are visible."""
        return max(self._canvas("#lanes").size.height - ROWS_ABOVE - ROWS_BELOW, 1)

    def action_details(self) -> None:
        """Open the picked lane."""
        board = self.board
        if board.lanes:
            self.app.push_screen(DetailPage(board, board.lanes[board.view.index(board.lanes)].key))
        else:
            self.notify("No fault to look into.", markup=False)

    def action_choose(self) -> None:
        """Open the chooser."""
        self.app.push_screen(Chooser(self.board))

    def action_keys(self) -> None:
        """Open the list of keys."""
        self.app.push_screen(KeysPage([binding for _, binding in self._bindings]))

    def action_lane(self, by: int) -> None:
        """Pick another lane."""
        self.board.view.move(self.board.lanes, by)
        self.redraw()

    def action_page(self, by: int) -> None:
        """Pick a lane a screenful away."""
        self.action_lane(by * self.lane_rows)

    def action_cursor(self, columns: int) -> None:
        """Move the cursor on the time axis."""
        board = self.board
        if board.now_ns is not None:
            board.view.move_cursor(columns, board.window(self.size.width), board.start_ns, board.now_ns)
            self.redraw()

    def action_scroll(self, direction: int) -> None:
        """Scroll the time axis by half a window."""
        board = self.board
        if board.now_ns is not None:
            window = board.window(self.size.width)
            board.view.scroll(direction * max(window.width // 2, 1), window, board.now_ns)
            self.redraw()

    def action_zoom(self, by: int) -> None:
        """Longer or shorter columns."""
        board = self.board
        board.view.zoom(by, board.window(self.size.width), board.now_ns or 0)
        self.redraw()

    def action_whole(self) -> None:
        """The whole job in the window."""
        board = self.board
        width = board.window(self.size.width).width
        board.view.zoom_to_all((board.now_ns or 0) - board.start_ns, width)
        self.redraw()

    def action_live(self) -> None:
        """Follow the present."""
        self.board.view.forget()
        self.redraw()

    def on_click(self, event: events.Click) -> None:
        """On a lane: pick it, twice: open it. On the time columns: put the cursor there."""
        if event.widget is not self._canvas("#lanes"):
            return
        board, row = self.board, event.y - ROWS_ABOVE
        lane = board.view.top + row
        if 0 <= row < self.lane_rows and lane < len(board.lanes):
            board.view.pick(board.lanes, lane)
            if event.chain == 2:
                self.action_details()
                return
        column = event.x - label_width(self.size.width)
        if column >= 0 and board.now_ns is not None:
            board.view.set_cursor(column, board.window(self.size.width), board.start_ns, board.now_ns)
        self.redraw()

    def on_mouse_scroll_down(self) -> None:
        """Wheel: next lane."""
        self.action_lane(1)

    def on_mouse_scroll_up(self) -> None:
        """Wheel: lane above."""
        self.action_lane(-1)

    def _canvas(self, name: str) -> Canvas:
        return self.query_one(name, Canvas)
