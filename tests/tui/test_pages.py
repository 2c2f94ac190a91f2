"""Pages over the dashboard, and the row of keys under every screen: quick to open, nothing left over, clickable."""

import asyncio
import gc
from collections.abc import Callable

import pytest
from textual.binding import Binding
from textual.dom import DOMNode
from textual.screen import Screen
from textual.widgets import Input, OptionList

from faultlamp.frames import FrameBlock
from faultlamp.tui.app import DashboardApp
from faultlamp.tui.board import Board
from faultlamp.tui.canvas import Canvas
from faultlamp.tui.dashboard import Dashboard
from faultlamp.tui.detail.screen import DetailPage
from faultlamp.tui.findings.page import ChecksPage
from faultlamp.tui.key_line import Entry, KeyLine, key_line
from faultlamp.tui.keys import KeysPage
from faultlamp.tui.readings.chooser import Chooser
from faultlamp.tui.replay.player import Player
from faultlamp.tui.replay.recording import Recording
from faultlamp.tui.replay.run import ReplayApp
from faultlamp.tui.wiggle.page import WigglePage
from tui.scene import LAYOUTS, HandClock, StillFeed, pump_job

SIZE = (80, 24)
PAGES = {"question_mark": KeysPage, "enter": DetailPage, "r": Chooser, "c": ChecksPage, "x": WigglePage}


def watching() -> DashboardApp:
    """The live dashboard over the invented pump set after 30 s."""
    return DashboardApp(Board(StillFeed(pump_job(30), 30), LAYOUTS, {}))


def replaying() -> ReplayApp:
    """The same as a recording."""
    return ReplayApp(Player(Recording([FrameBlock.from_frames(pump_job(30))]), HandClock(), "pump.log"), LAYOUTS, {})


async def until(true: Callable[[], bool]) -> None:
    """Wait for it, ten seconds at most."""
    async with asyncio.timeout(10):
        while not true():
            await asyncio.sleep(0.002)


async def stands(app: DashboardApp, kind: type[Screen[None]]) -> None:
    """A screen of this kind is on top, has its row of keys, and the faults are known."""
    await until(lambda: isinstance(app.screen, kind) and bool(keys_of(app.screen)) and bool(app.board.lanes))


def keys_of(screen: DOMNode) -> str:
    """The text of the row of keys, empty before it is drawn."""
    return "".join(row.text for keys in screen.query(KeyLine) for row in keys.lines)


def text_of(app: DashboardApp) -> str:
    """All that is drawn."""
    return "\n".join(row.text for canvas in app.screen.query(Canvas) for row in canvas.lines)


def alive() -> int:
    """Widgets and screens that something still holds on to."""
    gc.collect()
    return sum(isinstance(one, DOMNode) for one in gc.get_objects())


@pytest.mark.parametrize("make", [watching, replaying], ids=["watch", "replay"])
async def test_opening_and_closing_pages_leaves_nothing_behind(make: Callable[[], DashboardApp]) -> None:
    """After each page was seen once, fifty more openings of each make no widget that stays."""
    app = make()
    async with app.run_test(size=SIZE):
        await until(lambda: isinstance(app.screen, Dashboard))
        app.simulate_key("end")
        await stands(app, Dashboard)

        async def open_all(times: int) -> None:
            for _ in range(times):
                for key, page in PAGES.items():
                    app.simulate_key(key)
                    await stands(app, page)
                    app.simulate_key("escape")
                    await stands(app, Dashboard)

        await open_all(1)
        before = alive()
        await open_all(50)
        assert alive() == before


async def test_a_page_opened_again_starts_anew() -> None:
    """Scrolled to the top, of the fault that is picked now; the search of the readings is empty."""
    app = watching()
    async with app.run_test(size=SIZE) as pilot:
        await stands(app, Dashboard)
        await pilot.press("question_mark")
        await stands(app, KeysPage)
        await pilot.press("end")
        scroll = app.screen.query("VerticalScroll").first()
        await until(lambda: scroll.scroll_offset.y > 5)
        await pilot.press("escape", "question_mark")
        await until(lambda: scroll.scroll_offset.y == 0)
        await pilot.press("escape", "enter")
        await stands(app, DetailPage)
        assert "SPN 110 FMI 3" in text_of(app)
        await pilot.press("escape", "down", "enter")
        await until(lambda: "SPN 100 FMI 1" in text_of(app))
        assert "SPN 110 FMI 3" not in text_of(app)
        await pilot.press("escape", "r")
        await stands(app, Chooser)
        rows = app.screen.query_one(OptionList)
        await until(lambda: rows.option_count > 6)
        await pilot.press(*"torque")
        all_rows = rows.option_count
        await pilot.press("escape", "r")
        await until(lambda: app.screen.query_one(Input).value == "" and rows.option_count > all_rows)


async def test_a_window_resized_while_a_page_was_closed_is_filled() -> None:
    """The kept page takes the size that the window has now."""
    app = watching()
    async with app.run_test(size=(160, 48)) as pilot:
        await stands(app, Dashboard)
        await pilot.press("enter")
        await stands(app, DetailPage)
        await pilot.press("escape")
        await pilot.resize_terminal(60, 20)
        await pilot.press("enter")
        await until(lambda: app.screen.query_one("#page").size.width == 58 - 1)
        assert all(len(row.text) <= 57 for row in app.screen.query_one("#page", Canvas).lines)
        assert app.screen.query_one(KeyLine).region.y == 19


async def test_two_openings_at_once_open_one_page() -> None:
    """A double click on a lane, and Enter before the page stands: one Esc leads back."""
    app = watching()
    async with app.run_test(size=SIZE) as pilot:
        await stands(app, Dashboard)
        dashboard = app.screen
        assert isinstance(dashboard, Dashboard)
        dashboard.action_details()
        dashboard.action_details()
        dashboard.action_keys()
        await stands(app, DetailPage)
        await pilot.press("escape")
        await stands(app, Dashboard)


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (watching, " Enter Details  i Intake  c Check  x Wires  b Bus  r Readings  k Save  ? Keys"),
        (replaying, " Space Play  n Next  p Prev  g Go to  Enter Details  c Check  x Wires  ? Keys"),
    ],
    ids=["watch", "replay"],
)
async def test_the_main_keys_stand_in_the_last_row(make: Callable[[], DashboardApp], words: str) -> None:
    """What one needs first fits into 80 cells, at the bottom of the window."""
    app = make()
    async with app.run_test(size=SIZE):
        await until(lambda: isinstance(app.screen, Dashboard) and bool(keys_of(app.screen)))
        assert keys_of(app.screen) == words
        assert len(words) <= 80
        assert app.screen.query_one(KeyLine).region == (0, 23, 80, 1)


@pytest.mark.parametrize("width", [40, 60])
async def test_in_a_narrow_window_the_way_to_all_keys_stays(width: int) -> None:
    """`?` on the dashboard; on a page the way back."""
    app = watching()
    async with app.run_test(size=(width, 20)) as pilot:
        await stands(app, Dashboard)
        assert keys_of(app.screen).startswith(" Enter Details  i Intake")
        assert keys_of(app.screen).endswith("? Keys")
        await pilot.press("x")
        await stands(app, WigglePage)
        assert "Esc Back" in keys_of(app.screen)


async def test_every_key_of_the_row_can_be_clicked() -> None:
    """A click on a key's name or on its word does what the key does; between two keys it does nothing."""
    app = watching()
    async with app.run_test(size=(120, 24)) as pilot:
        await stands(app, Dashboard)

        async def click(words: str) -> None:
            await pilot.click(KeyLine, offset=(keys_of(app.screen).index(words), 0))

        for words, page in (
            ("Enter", DetailPage), ("Details", DetailPage), ("Readings", Chooser), ("r Readings", Chooser),
            ("? Keys", KeysPage), ("Keys", KeysPage),
        ):
            await click(words)
            await stands(app, page)
            await click("Esc" if words == "Enter" else "Done" if page is Chooser else "Back")
            await stands(app, Dashboard)
        await click("  r Readings")
        await click("← Moment")
        await until(lambda: app.board.held)
        assert type(app.screen) is Dashboard
        await click("Esc Live")
        await until(lambda: not app.board.held)
        await click("q Quit")
        await until(lambda: app._exit)
    assert app.return_code == 0


async def test_the_pointer_over_a_key_says_what_it_does() -> None:
    """The words of the binding, and none between two keys."""
    app = watching()
    async with app.run_test(size=SIZE) as pilot:
        await stands(app, Dashboard)
        keys = app.screen.query_one(KeyLine)
        await pilot.hover(KeyLine, offset=(2, 0))
        assert keys.tooltip == "All about the picked fault"
        await pilot.hover(KeyLine, offset=(15, 0))
        assert keys.tooltip is None


KEYS = [
    Binding("left", "go(-1)", "Back", tooltip="One back"), Binding("enter", "go(-1)", "Back"),
    Binding("x", "hide", "Hidden", show=False), Binding("question_mark", "keys", "Keys"),
]


def test_one_key_for_each_action_and_where_it_stands() -> None:
    """Hidden keys and second keys of an action are not in the row."""
    row, entries = key_line(KEYS, 80)
    assert row.text == " ← Back  ? Keys"
    assert entries == [Entry(1, 7, "left", "One back"), Entry(9, 15, "question_mark", "Keys")]
    assert [row.text[entry.start : entry.end] for entry in entries] == ["← Back", "? Keys"]


@pytest.mark.parametrize(
    ("width", "text"), [(15, " ← Back  ? Keys"), (14, " ? Keys"), (7, " ? Keys"), (6, ""), (1, ""), (0, "")]
)
def test_keys_that_do_not_fit_are_left_out_whole(width: int, text: str) -> None:
    """Half a key would not be clickable; the key that shows all keys is the last to go."""
    assert key_line(KEYS, width)[0].text == text
