"""Runs the dashboard over a recording."""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from textual import work
from textual.worker import get_current_worker

from faultlamp.j1939.readings import Layouts
from faultlamp.tui.app import DashboardApp
from faultlamp.tui.board import Board
from faultlamp.tui.dashboard import Dashboard
from faultlamp.tui.detail.tables import UserTables
from faultlamp.tui.export.stock import WholeRecording
from faultlamp.tui.preferences.keeper import Keeper, keeping
from faultlamp.tui.replay.marks import find_marks
from faultlamp.tui.replay.player import Mark, Player
from faultlamp.tui.replay.recording import Recording
from faultlamp.tui.replay.screen import ReplayDashboard
from faultlamp.tui.terminal import drawn_on_terminal


class ReplayApp(DashboardApp):
    """Plays one recording.

    options: keyword arguments of `History`. files, bad_lines: what the recording was read from.
    """

    def __init__(
        self, player: Player, layouts: Layouts, options: Mapping[str, Any], *, keeper: Keeper | None = None,
        tables: UserTables | None = None, files: Sequence[str] = (), bad_lines: int = 0,
    ) -> None:
        stock = WholeRecording(player.recording, files, bad_lines)
        super().__init__(Board(player, layouts, options, tables=tables, stock=stock), keeper=keeper)
        self.player = player
        self._options = options

    def dashboard(self) -> Dashboard:
        """The screen with the keys of a replay."""
        return ReplayDashboard(self.board, self.player)

    def painted(self) -> None:
        """Look for the places to jump to while the playing begins."""
        super().painted()
        self.look_for_marks()

    @work(thread=True)
    def look_for_marks(self) -> None:
        """The whole recording once through a history of its own."""
        worker = get_current_worker()
        marks = find_marks(self.player.recording, self._options, lambda: worker.is_cancelled)
        if not worker.is_cancelled:
            self.call_from_thread(self._keep_marks, marks)

    def _keep_marks(self, marks: list[Mark]) -> None:
        self.player.marks = marks


def run_replay(
    recording: Recording, *, history_options: Mapping[str, Any], layouts: Layouts, title: str, speed: float,
    folder: Path | None = None, tables: UserTables | None = None, files: Sequence[str] = (), bad_lines: int = 0,
) -> int:
    """Show the dashboard until it is left; returns the exit code. folder: where choices are remembered, if at all.

    tables: what the user brought along. files, bad_lines: names of the recordings, lines that are no frame.
    """
    player = Player(recording, time.monotonic_ns, title)
    player.set_speed(speed)
    with keeping(folder) as keeper:
        app = ReplayApp(
            player, layouts, history_options, keeper=keeper, tables=tables, files=files, bad_lines=bad_lines
        )
        with drawn_on_terminal():
            app.run()
    return app.return_code or 0
