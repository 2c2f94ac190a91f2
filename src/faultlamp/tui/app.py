"""The running application around the dashboard: it looks for new frames some times a second and redraws."""

from __future__ import annotations

import asyncio
import signal
import threading
from collections.abc import Callable
from contextlib import suppress
from typing import ClassVar

from textual import work
from textual.app import App
from textual.binding import Binding, BindingType
from textual.command import Provider
from textual.worker import get_current_worker

from faultlamp import garbage
from faultlamp.tui import later
from faultlamp.tui.board import Board
from faultlamp.tui.dashboard import Dashboard
from faultlamp.tui.page import Page
from faultlamp.tui.palette import KeyCommands, Palette
from faultlamp.tui.preferences.keeper import Keeper
from faultlamp.tui.themes import THEMES, theme_after

EXIT_INTERRUPTED = 130
EXIT_TERMINATED = 143
EXIT_HUNG_UP = 129

_EXIT_CODES = {"SIGINT": EXIT_INTERRUPTED, "SIGTERM": EXIT_TERMINATED, "SIGHUP": EXIT_HUNG_UP}
_TICK_S = 0.125
_PROBLEM_S = 15


class DashboardApp(App[None]):
    """Shows one board.

    seconds: leave by itself after that time, None: stay. keeper: what is remembered of earlier times, None: nothing.
    """

    TITLE = "faultlamp"
    # What is told for a moment hides as little as can be, on every screen.
    CSS = """
    Toast { margin: 0; padding: 0 1; max-width: 100%; }
    """
    COMMANDS: ClassVar[set[type[Provider] | Callable[[], type[Provider]]]] = {KeyCommands}
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("ctrl+c", "interrupt", "Leave", show=False, priority=True, tooltip="Leave at once"),
        Binding("ctrl+p", "command_palette", "Commands", show=False, priority=True,
                tooltip="Find a command by a word of what it does"),
    ]

    def __init__(self, board: Board, *, seconds: float | None = None, keeper: Keeper | None = None) -> None:
        super().__init__()
        self.board = board
        self._seconds = seconds
        self._hurrying = False
        self.keeper = keeper or Keeper()
        self.keeper.begin(board)
        for theme in THEMES:
            self.register_theme(theme)
        known = {theme.name for theme in THEMES}
        self.theme = self.keeper.theme if self.keeper.theme in known else THEMES[0].name

    def dashboard(self) -> Dashboard:
        """The screen to show."""
        return Dashboard(self.board)

    def on_mount(self) -> None:
        """Start looking."""
        self.push_screen(self.dashboard())
        self.call_after_refresh(self.painted)
        self.set_interval(_TICK_S, self.tick)
        if self._seconds is not None:
            self.set_timer(self._seconds, self.exit)
        if threading.current_thread() is threading.main_thread():
            loop = asyncio.get_running_loop()
            for name, code in _EXIT_CODES.items():
                number = getattr(signal, name, None)
                # Whoever starts it so that it outlives its terminal (nohup) has SIGHUP ignored.
                if number is not None and signal.getsignal(number) is not signal.SIG_IGN:
                    with suppress(NotImplementedError):
                        loop.add_signal_handler(number, self._leave, code)

    def painted(self) -> None:
        """The first paint is there: begin with what may take a while."""
        garbage.resume()
        self.tick()
        self.load_later()

    @work(thread=True)
    def load_later(self) -> None:
        """What keys open."""
        worker = get_current_worker()
        later.load(asking=self.board.asker is not None, stop=lambda: worker.is_cancelled)

    def tick(self) -> None:
        """Take what has come and show it."""
        self.board.tick()
        if not self.screen_stack:
            # While the application starts or ends.
            return
        if self.board.take_bell():
            self.bell()
        for news in self.keeper.follow(self.board):
            self.notify(news, markup=False)
        for problem in self.keeper.problems():
            self.notify(problem, severity="warning", timeout=_PROBLEM_S, markup=False)
        # What lies under the list of commands goes on.
        over = self.screen_stack[-2:] if isinstance(self.screen, Palette) else self.screen_stack[-1:]
        screen = over[0]
        if isinstance(screen, Dashboard | Page):
            screen.redraw()
        if self.board.feed.behind and not self._hurrying:
            # Go on at once, but let a key in between.
            self._hurrying = True
            self.call_later(self._hurry)

    def _hurry(self) -> None:
        self._hurrying = False
        self.tick()

    def action_next_theme(self) -> None:
        """Other colours, kept for the next time."""
        self.theme = theme_after(self.theme).name
        self.keeper.keep_theme(self.theme)
        shown = "" if not self.no_color else "; not to be seen: this terminal shows no colours, or NO_COLOR is set"
        self.notify(f"Colours: {self.theme}{shown}.", timeout=3, markup=False)

    def action_command_palette(self) -> None:
        """Find a command."""
        if not isinstance(self.screen, Palette):
            self.push_screen(Palette())

    def action_interrupt(self) -> None:
        """Ctrl-C."""
        self._leave(EXIT_INTERRUPTED)

    def _leave(self, code: int) -> None:
        self.exit(return_code=code)
