"""docs/dashboard.md shows what the dashboard really shows and lists the keys that it really has."""

import re
from pathlib import Path

from textual.binding import Binding, BindingType

from faultlamp.tui.app import DashboardApp
from faultlamp.tui.board import Board
from faultlamp.tui.dashboard import Dashboard
from faultlamp.tui.head.lamps import SHAPES
from faultlamp.tui.key_line import key_name
from faultlamp.tui.names import STATE_WORDS
from faultlamp.tui.readings.value import SHAPES as READING_SHAPES
from faultlamp.tui.readings.value import Seen
from faultlamp.tui.replay.screen import ReplayDashboard
from tui.scene import LAYOUTS, StillFeed, pump_job

PAGE = (Path(__file__).parents[2] / "docs" / "dashboard.md").read_text(encoding="utf-8")
ROWS = [[cell.strip() for cell in row.strip("|").split(" | ")] for row in PAGE.splitlines() if row.startswith("| ")]


def listed(bindings: list[BindingType]) -> dict[str, list[str]]:
    """Keys by what they do, as the page writes them."""
    keys: dict[str, list[str]] = {}
    for binding in bindings:
        assert isinstance(binding, Binding)
        keys.setdefault(binding.tooltip, []).extend(key_name(key) for key in binding.key.split(","))
    return keys


def test_every_key_is_on_the_page_and_no_other() -> None:
    """The tables of keys are the bindings."""
    on_page = {row[1]: re.findall(r"`([^`]+)`", row[0]) for row in ROWS if len(row) == 2}
    wanted = listed(Dashboard.BINDINGS) | listed(ReplayDashboard.BINDINGS) | listed(DashboardApp.BINDINGS)
    start = next(place for place, row in enumerate(ROWS) if row == ["Keys", "Do"])
    keys_on_page = {row[1] for row in ROWS[start:] if row[0].startswith("`")}
    assert {words: on_page[words] for words in keys_on_page} == wanted


def test_the_picture_is_the_screen() -> None:
    """Row for row what 80 by 24 cells show."""
    board = Board(StillFeed(pump_job(30), 30), LAYOUTS, {})
    board.tick()
    head, readings = board.head(80, 24), board.readings_band(80, 24)
    lanes = board.lanes_band(80, 24 - len(head) - len(readings) - 2)
    rows = [row.text.rstrip() for row in (*head, *readings, *lanes, board.status(80))]
    picture = PAGE.split("```text\n")[1].split("\n```")[0]
    assert picture.splitlines() == rows


def test_the_words_of_all_states_are_on_the_page() -> None:
    """Six lamp states, five reading states."""
    for state, shape in SHAPES.items():
        assert any(row[0] == f"`{shape}`" and row[1].startswith(STATE_WORDS[state]) for row in ROWS)
    for seen in set(Seen) - {Seen.NUMBER}:
        assert any(row[0] == f"`{READING_SHAPES[seen]}`" and row[1] == str(seen).upper() for row in ROWS)
