"""The keys of the lanes: pick, look at another stretch of time, choose which are shown, find one."""

from __future__ import annotations

from textual import on
from textual.binding import Binding, BindingType
from textual.screen import Screen
from textual.widgets import Input

from faultlamp.tui.board import Board
from faultlamp.tui.lanes.find import found_after
from faultlamp.tui.lanes.moments import Moment, change_after, change_before
from faultlamp.tui.names import count_of
from faultlamp.tui.times import length
from faultlamp.tui.typed_line import TypedLine

_FAST = 10

LANE_BINDINGS: list[BindingType] = [
    Binding("up", "lane(-1)", "Fault above", show=False, tooltip="Pick the fault above"),
    Binding("down", "lane(1)", "Fault below", show=False, tooltip="Pick the fault below"),
    Binding("pageup", "page(-1)", "Page up", show=False, tooltip="A screenful of faults up"),
    Binding("pagedown", "page(1)", "Page down", show=False, tooltip="A screenful of faults down"),
    Binding("slash", "find", "Find", show=False, tooltip="Find a fault by its SPN or a word of its name"),
    Binding("e", "sender", "ECU", show=False, tooltip="Show the faults of one controller only: the next one, then all"),
    Binding("v", "state", "State", show=False, tooltip="Show active faults only, then the others only, then all"),
    Binding("a", "acknowledge", "Seen", show=False, tooltip="Acknowledge: all faults seen, no flash; hides nothing"),
    Binding("h", "hush", "Bell", show=False, tooltip="No bell any more, or again"),
    Binding("left", "cursor(-1)", "Moment", tooltip="Cursor on the time axis: readings of an earlier moment"),
    Binding("right", "cursor(1)", "Moment", show=False, tooltip="Cursor on the time axis: a later moment"),
    Binding("shift+left", f"cursor(-{_FAST})", "Far left", show=False, tooltip="Cursor ten columns earlier"),
    Binding("shift+right", f"cursor({_FAST})", "Far right", show=False, tooltip="Cursor ten columns later"),
    Binding("n", "next_change", "Next", show=False, tooltip="Cursor to the next change of a fault that is shown"),
    Binding("p", "previous_change", "Prev", show=False, tooltip="Cursor to the change before"),
    Binding("left_square_bracket", "scroll(-1)", "Earlier", show=False, tooltip="Scroll the time axis back"),
    Binding("right_square_bracket", "scroll(1)", "Later", show=False, tooltip="Scroll the time axis forward"),
    Binding("plus,equals_sign", "zoom(-1)", "Zoom in", show=False, tooltip="Zoom in: less time, more detail"),
    Binding("minus", "zoom(1)", "Zoom out", show=False, tooltip="Zoom out: more time, less detail"),
    Binding("w", "whole", "Whole job", show=False, tooltip="Zoom out to the whole job"),
    Binding("escape", "live", "Live", tooltip="Follow the present again, without a cursor; once more: show all faults"),
]


class LaneScreen(Screen[None]):
    """A screen with the lanes of one board."""

    def __init__(self, board: Board) -> None:
        super().__init__()
        self.board = board

    def redraw(self) -> None:
        """Draw what the board says."""
        raise NotImplementedError

    @property
    def lane_rows(self) -> int:
        """How many lanes are visible."""
        raise NotImplementedError

    def find_line(self) -> TypedLine:
        """The line in which a fault is asked for."""
        return TypedLine("Find: an SPN or a word of the name. Enter goes to the next one, Esc back", id="find")

    def action_lane(self, by: int) -> None:
        """Pick another lane."""
        self.board.view.move(self.board.shown_lanes, by)
        self.redraw()

    def action_page(self, by: int) -> None:
        """Pick a lane a screenful away."""
        self.action_lane(by * self.lane_rows)

    def action_find(self) -> None:
        """Open the line to type in."""
        self.query_one("#find", TypedLine).ask()

    @on(Input.Submitted, "#find")
    def find_typed(self, event: Input.Submitted) -> None:
        """Pick the next one that fits."""
        board, asked = self.board, event.value.strip()
        lanes, names = board.shown_lanes, board.tables.names.describe
        if (index := found_after(lanes, board.view.index(lanes), asked, names)) is not None:
            board.view.pick(lanes, index)
            self.redraw()
        elif found_after(board.lanes, 0, asked, names) is not None:
            self._say("Only among the faults that are not shown: Esc, then Esc again shows all.")
        else:
            self._say("No fault has this SPN or this in its name.")

    def action_sender(self) -> None:
        """Lanes of the next controller alone."""
        view = self.board.view
        view.choice = view.choice.next_sender(self.board.lanes)
        self.redraw()

    def action_state(self) -> None:
        """Lanes in the next state alone."""
        view = self.board.view
        view.choice = view.choice.next_state()
        self.redraw()

    def action_acknowledge(self) -> None:
        """Everything new has been seen."""
        count = self.board.attention.acknowledge()
        self._say(f"{count_of(count, 'fault')} marked as seen; nothing is hidden." if count else "Nothing was unseen.")
        self.redraw()

    def action_hush(self) -> None:
        """No bell, or again."""
        attention = self.board.attention
        attention.muted = not attention.muted
        self._say("No bell until h is pressed again." if attention.muted else "The bell rings for what is new.")
        self.redraw()

    def action_cursor(self, columns: int) -> None:
        """Move the cursor on the time axis."""
        board = self.board
        if board.now_ns is not None:
            board.view.move_cursor(columns, board.window(self.size.width), board.start_ns, board.now_ns)
            self.redraw()

    def action_next_change(self) -> None:
        """Cursor to the change after it."""
        board = self.board
        cursor_ns = board.view.cursor_ns
        in_order = not board.job.history.clock_steps
        found = None if cursor_ns is None else change_after(board.shown_lanes, cursor_ns, in_order=in_order)
        self._go_to(found, "No later change of a fault that is shown.")

    def action_previous_change(self) -> None:
        """Cursor to the change before it, at first to the latest one."""
        board = self.board
        before_ns = board.at_ns if board.held else board.at_ns + 1
        found = change_before(board.shown_lanes, before_ns, in_order=not board.job.history.clock_steps)
        self._go_to(found, "No earlier change of a fault that is shown.")

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
        window = board.window(self.size.width)
        if not board.view.zoom(by, window, board.start_ns, board.now_ns or 0):
            shown = length(window.width * window.step_ns)
            self._say(f"No further: the window holds {shown}." if by < 0 else f"The whole job is shown, in {shown}.")
        self.redraw()

    def action_whole(self) -> None:
        """The whole job in the window."""
        board = self.board
        width = board.window(self.size.width).width
        board.view.zoom_to_all((board.now_ns or 0) - board.start_ns, width)
        self.redraw()

    def action_live(self) -> None:
        """Follow the present; where it is followed already, show all lanes."""
        view = self.board.view
        if view.live:
            view.choice = type(view.choice)()
        view.forget()
        self.redraw()

    def _go_to(self, found: Moment | None, none_left: str) -> None:
        board = self.board
        if found is None:
            self._say(none_left)
            return
        at_ns, lane = found
        board.view.picked = lane.key
        board.view.go_to(at_ns, board.window(self.size.width), board.now_ns or at_ns)
        self.redraw()

    def _say(self, text: str) -> None:
        self.notify(text, timeout=3, markup=False)
