"""The dashboard over a recording: the same bands, and keys to play, stop, step and jump."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import ClassVar

from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.widgets import Input

from faultlamp.tui.board import Board
from faultlamp.tui.dashboard import Dashboard
from faultlamp.tui.replay.goto import HINT, WrongPlaceError, place_of
from faultlamp.tui.replay.player import Player
from faultlamp.tui.typed_line import TypedLine

_NOT_IN_FOOTER = {"cursor(-1)", "live", "intake"}
_OTHERWISE_HERE = {"next_change", "previous_change"}


def _with_less_shown(bindings: list[BindingType]) -> list[BindingType]:
    """The dashboard's own keys; the row of keys of a replay has no room for all of them in 80 columns."""
    return [
        replace(binding, show=False) if isinstance(binding, Binding) and binding.action in _NOT_IN_FOOTER else binding
        for binding in bindings
        if not (isinstance(binding, Binding) and binding.action in _OTHERWISE_HERE)
    ]


class ReplayDashboard(Dashboard, inherit_bindings=False):
    """The bands of a board whose feed is `player`."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("space", "pause", "Play", tooltip="Play or stop; at the end: play again from the start"),
        Binding("n", "next_change", "Next", tooltip="Jump to the next change of a fault or lamp"),
        Binding("p", "previous_change", "Prev", tooltip="Jump to the change before"),
        Binding("g", "ask_place", "Go to", tooltip="Go to a time or a share of the recording"),
        Binding("f", "faster", "Faster", show=False, tooltip="Play faster, up to 100x"),
        Binding("s", "slower", "Slower", show=False, tooltip="Play slower, down to 0.1x"),
        Binding("full_stop", "skip(1)", "+1 s", show=False, tooltip="One second forward"),
        Binding("comma", "skip(-1)", "-1 s", show=False, tooltip="One second back"),
        Binding("o", "step", "One frame", show=False, tooltip="One frame forward, and stop"),
        Binding("home", "home", "Start", show=False, tooltip="To the start of the recording"),
        Binding("end", "end", "End", show=False, tooltip="To the end of the recording"),
        *_with_less_shown(Dashboard.BINDINGS),
    ]

    def __init__(self, board: Board, player: Player) -> None:
        super().__init__(board)
        self.player = player

    def compose(self) -> ComposeResult:
        """The bands, and the line to type a place in."""
        *bands, footer = super().compose()
        yield from bands
        yield TypedLine(f"Go to: {HINT}. Enter goes, Esc drops it", id="place")
        yield footer

    def action_pause(self) -> None:
        """Play or stop."""
        self._do(self.player.toggle_pause)

    def action_faster(self) -> None:
        """Next speed up."""
        self._do(self.player.faster)

    def action_slower(self) -> None:
        """Next speed down."""
        self._do(self.player.slower)

    def action_step(self) -> None:
        """One frame."""
        self._do(self.player.step)

    def action_skip(self, seconds: int) -> None:
        """Seconds forward or back."""
        self._do(lambda: self.player.skip(seconds))

    def action_home(self) -> None:
        """To the start."""
        self._do(self.player.home)

    def action_end(self) -> None:
        """To the end."""
        self._do(self.player.end)

    def action_next_change(self) -> None:
        """To the next mark."""
        self._jump(self.player.next_change, "No change of a fault or lamp after this one.")

    def action_previous_change(self) -> None:
        """To the mark before."""
        self._jump(self.player.previous_change, "No change of a fault or lamp before this one.")

    def action_ask_place(self) -> None:
        """Open the line to type a place in."""
        self.query_one("#place", TypedLine).ask()

    @on(Input.Submitted, "#place")
    def place_typed(self, event: Input.Submitted) -> None:
        """Go there, or say what can be typed."""
        try:
            elapsed_ns = place_of(event.value, self.player.recording)
        except WrongPlaceError as error:
            self.notify(f"{error}", title="Go to", markup=False)
            return
        self.query_one("#place", TypedLine).action_put_away()
        self._do(lambda: self.player.seek(elapsed_ns))

    def _jump(self, jump: Callable[[], bool], none_left: str) -> None:
        if self.player.marks is None:
            self.notify("Still looking for the changes in this recording.", markup=False)
            return
        found = True

        def go() -> None:
            nonlocal found
            found = jump()

        self._do(go)
        if not found:
            self.notify(none_left, markup=False)

    def _do(self, act: Callable[[], None]) -> None:
        """Change the playing, and show at once what it leads to."""
        act()
        self.board.view.forget()
        self.board.tick(jumped=True)
        self.redraw()
