"""The dashboard's screen: three bands, a status line, the keys. It draws what the board says and passes keys on."""

from __future__ import annotations

from typing import ClassVar

from textual import events
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.css.query import NoMatches

from faultlamp.tui.canvas import Canvas
from faultlamp.tui.key_line import KeyLine
from faultlamp.tui.lanes.screen import LANE_BINDINGS
from faultlamp.tui.lanes.table import ROWS_BELOW, label_width
from faultlamp.tui.marks.screen import KEEPING_BINDINGS, KeepingScreen

_STATUS_AND_KEYS = 2


class Dashboard(KeepingScreen):
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
        Binding("i", "intake", "Intake", tooltip="Ask all controllers for all they have; transmits only after a yes"),
        Binding("c", "checks", "Check", tooltip="Faults with one likely cause; whether the readings agree"),
        Binding("x", "wiggle", "Wires", tooltip="Find a loose wire by hand: makes and breaks, large, with a bell"),
        Binding("b", "nodes", "Bus", tooltip="Who is on the bus, and who is missing"),
        Binding("r", "choose", "Readings", tooltip="Choose which readings are shown"),
        *KEEPING_BINDINGS,
        *LANE_BINDINGS,
        Binding("u", "unknown", "Unknown", show=False, tooltip="Parameter groups that came without a known layout"),
        Binding("t", "app.next_theme", "Colours", show=False, tooltip="Other colours: dark, light, high contrast"),
        Binding("q", "app.quit", "Quit", tooltip="Leave"),
        Binding("question_mark", "keys", "Keys", tooltip="This list of keys and words"),
    ]

    def compose(self) -> ComposeResult:
        """From top to bottom."""
        yield Canvas(id="head")
        yield Canvas(id="readings")
        yield Canvas(id="lanes")
        yield Canvas(id="status")
        yield self.find_line()
        yield from self.note_lines()
        yield from self.hint_lines()
        yield KeyLine()

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
        if board.asker is not None and board.asker.take_end():
            self.notify("The intake is over, nothing is sent any more. i shows what was answered.", markup=False)
        above = 0
        for canvas, lines in (
            (head, board.head(width, height)), (readings, board.readings_band(width, height)),
        ):
            canvas.styles.height = len(lines)
            canvas.show(lines)
            above += len(lines)
        lanes.show(board.lanes_band(width, max(height - above - _STATUS_AND_KEYS - self.rows_taken, 1)))
        status.show([board.status(width)])
        # What is told for a moment stands above the status line, never on it.
        for rack in self.query("ToastRack"):
            rack.styles.margin = 0, 0, _STATUS_AND_KEYS + self.rows_taken, 0

    @property
    def lane_rows(self) -> int:
        """How many lanes are visible."""
        return max(self._canvas("#lanes").size.height - self.board.rows_above - ROWS_BELOW, 1)

    def action_details(self) -> None:
        """Open the picked lane."""
        from faultlamp.tui.detail.screen import DetailPage

        board = self.board
        lanes = board.shown_lanes
        if lanes:
            details = self.kept(DetailPage, board)
            details.key = lanes[board.view.index(lanes)].key
            self.open_page(details)
        else:
            self.notify("No fault to look into.", markup=False)

    def action_checks(self) -> None:
        """Open the page of findings and checks."""
        from faultlamp.tui.findings.page import ChecksPage

        self.open_page(self.kept(ChecksPage, self.board))

    def action_wiggle(self) -> None:
        """Watch the picked fault, or a reading."""
        from faultlamp.tui.wiggle.page import WigglePage

        page = self.kept(WigglePage, self.board)
        if page.open_on_pick():
            self.open_page(page)
        else:
            self.notify("Nothing to watch yet: no fault and no reading has been heard.", markup=False)

    def action_intake(self) -> None:
        """Ask controllers, or look at what they said."""
        asker = self.board.asker
        if asker is None:
            self.notify("This is a recording: there is nobody to ask. On a live bus i asks its controllers.",
                        markup=False)
        elif asker.listen_only:
            self.notify("--listen-only: nothing is ever sent, so nobody is asked. Start watch without it to ask.",
                        markup=False)
        else:
            from faultlamp.tui.intake.page import IntakePage

            self.open_page(self.kept(IntakePage, self.board))

    def action_choose(self) -> None:
        """Open the chooser."""
        from faultlamp.tui.readings.chooser import Chooser

        self.open_page(self.kept(Chooser, self.board))

    def action_nodes(self) -> None:
        """Open the page of who is on the bus."""
        from faultlamp.tui.nodes.page import NodesPage

        self.open_page(self.kept(NodesPage, self.board))

    def action_unknown(self) -> None:
        """Open the page of what has no layout."""
        from faultlamp.tui.unknown.page import UnknownPage

        self.open_page(self.kept(UnknownPage, self.board))

    def action_keys(self) -> None:
        """Open the list of keys."""
        from faultlamp.tui.keys import KeysPage

        self.open_page(self.kept(KeysPage, [binding for _, binding in self._bindings]))

    def on_click(self, event: events.Click) -> None:
        """On a lane: pick it, twice: open it. On the time columns: put the cursor there."""
        if event.widget is not self._canvas("#lanes"):
            return
        board, row = self.board, event.y - self.board.rows_above
        lanes, lane = board.shown_lanes, board.view.top + row
        if 0 <= row < self.lane_rows and lane < len(lanes):
            board.view.pick(lanes, lane)
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
