"""The running application around the dashboard: it looks for new frames some times a second and redraws."""

from __future__ import annotations

import asyncio
import signal
import threading
from contextlib import suppress
from typing import ClassVar

from textual.app import App
from textual.binding import Binding, BindingType
from textual.theme import Theme

from faultlamp.tui.board import Board
from faultlamp.tui.dashboard import Dashboard
from faultlamp.tui.page import Page

EXIT_INTERRUPTED = 130
EXIT_TERMINATED = 143

_TICK_S = 0.125

_THEME = Theme(
    name="faultlamp",
    primary="#8fb8d8",
    secondary="#a9b7a0",
    accent="#d8c48f",
    warning="#e6a23c",
    error="#e0524a",
    success="#7fbf7f",
    foreground="#e8e6df",
    background="#12140f",
    surface="#181a15",
    panel="#23261f",
    dark=True,
)


class DashboardApp(App[None]):
    """Shows one board. seconds: leave by itself after that time, None: stay."""

    TITLE = "faultlamp"
    ENABLE_COMMAND_PALETTE = False
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("ctrl+c", "interrupt", "Leave", show=False, priority=True, tooltip="Leave at once"),
    ]

    def __init__(self, board: Board, *, seconds: float | None = None) -> None:
        super().__init__()
        self.board = board
        self._seconds = seconds
        self._hurrying = False
        self.register_theme(_THEME)
        self.theme = _THEME.name

    def dashboard(self) -> Dashboard:
        """The screen to show."""
        return Dashboard(self.board)

    def on_mount(self) -> None:
        """Start looking."""
        self.push_screen(self.dashboard())
        self.call_after_refresh(self.tick)
        self.set_interval(_TICK_S, self.tick)
        if self._seconds is not None:
            self.set_timer(self._seconds, self.exit)
        if threading.current_thread() is threading.main_thread():
            loop = asyncio.get_running_loop()
            for number, code in ((signal.SIGINT, EXIT_INTERRUPTED), (signal.SIGTERM, EXIT_TERMINATED)):
                with suppress(NotImplementedError):
                    loop.add_signal_handler(number, self._leave, code)

    def tick(self) -> None:
        """Take what has come and show it."""
        self.board.tick()
        if not self.screen_stack:
            # While the application starts or ends.
            return
        screen = self.screen
        if isinstance(screen, Dashboard | Page):
            screen.redraw()
        if self.board.feed.behind and not self._hurrying:
            # Go on at once, but let a key in between.
            self._hurrying = True
            self.call_later(self._hurry)

    def _hurry(self) -> None:
        self._hurrying = False
        self.tick()

    def action_interrupt(self) -> None:
        """Ctrl-C."""
        self._leave(EXIT_INTERRUPTED)

    def _leave(self, code: int) -> None:
        self.exit(return_code=code)
