"""Pictures of the whole screen, few and with nothing that moves; each with the facts it must show in plain text."""

from pathlib import Path
from typing import Any

import pytest
from textual.pilot import Pilot
from textual.theme import Theme

from faultlamp.frames import FrameBlock
from faultlamp.tui.app import DashboardApp
from faultlamp.tui.board import Board
from faultlamp.tui.canvas import Canvas
from faultlamp.tui.dashboard import Dashboard
from faultlamp.tui.replay.player import Player
from faultlamp.tui.replay.recording import Recording
from faultlamp.tui.replay.run import ReplayApp
from faultlamp.tui.themes import THEMES
from tui.scene import LAYOUTS, HandClock, StillFeed, pump_job

SIZES = [(80, 24), (120, 36), (160, 48)]


def live(theme: Theme = THEMES[0]) -> DashboardApp:
    """The invented pump set after 30 s: two faults, the red stop lamp, a coolant sensor in error."""
    app = DashboardApp(Board(StillFeed(pump_job(30), 30), LAYOUTS, {}))
    app.theme = theme.name
    return app


async def drawn(pilot: Pilot[Any], *facts: str) -> None:
    """The screen is up to date and says these things."""
    while not (isinstance(pilot.app.screen, Dashboard) and pilot.app.screen.query("KeyLine")):
        await pilot.pause(0.01)
    await pilot.app.workers.wait_for_complete()
    await pilot.pause()
    pilot.app.tick()  # type: ignore[attr-defined]
    await pilot.pause()
    text = "\n".join(row.text for canvas in pilot.app.screen.query(Canvas) for row in canvas.lines)
    for fact in facts:
        assert fact in text


FACTS = (
    "Running at 1500 rpm, 2 active faults.", "■ RED STOP on", "✕ SENSOR ERROR", "▸● Engine 1   110/3",
    "●◆Engine 1   100/1", "nothing lost",
)


@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
@pytest.mark.parametrize("theme", THEMES, ids=lambda theme: theme.name.replace(" ", "-"))
def test_live(snap_compare: Any, theme: Theme, size: tuple[int, int]) -> None:
    """The live dashboard in a small, a middling and a large window, in every look."""
    assert snap_compare(live(theme), terminal_size=size, run_before=lambda pilot: drawn(pilot, *FACTS))


def test_live_without_colour(snap_compare: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """With NO_COLOR set all is still there."""
    monkeypatch.setenv("NO_COLOR", "1")
    app = live()
    assert app.no_color
    assert snap_compare(app, terminal_size=(80, 24), run_before=lambda pilot: drawn(pilot, *FACTS))


def test_replay_with_the_cursor(snap_compare: Any) -> None:
    """A recording stopped at its end, the cursor on a moment before the faults."""
    player = Player(Recording([FrameBlock.from_frames(pump_job(30))]), HandClock(), "pump.log")

    async def stopped(pilot: Pilot[Any]) -> None:
        # The frames a second are counted from the first look on.
        await drawn(pilot)
        await pilot.press("end", *["shift+left"] * 2, "left")
        await drawn(
            pilot, "READINGS AT 22:13:28, 21 s BEFORE NOW, NOT LIVE", "▼22:13:28", "replay at the end, 1x",
            "HELD, Esc: live again",
        )

    assert snap_compare(ReplayApp(player, LAYOUTS, {}), terminal_size=(80, 24), run_before=stopped)


def test_the_pictures_name_no_path_of_this_computer() -> None:
    """Snapshots travel: nothing in them belongs to where they were made."""
    folder = Path(__file__).parent / "__snapshots__" / Path(__file__).stem
    pictures = list(folder.glob("*"))
    assert len(pictures) == len(SIZES) * len(THEMES) + 2
    assert not any(str(Path.home()) in picture.read_text() or "/tmp" in picture.read_text() for picture in pictures)
