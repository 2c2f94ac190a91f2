"""The running dashboard: every key does what its list says, nothing essential is cut, and nothing from the bus is
read as markup."""

from collections.abc import Iterable
from typing import Any

import pytest
from textual.binding import Binding
from textual.events import MouseScrollDown
from textual.pilot import Pilot
from textual.widgets import Input, OptionList

from faultlamp.frames import Frame, FrameBlock
from faultlamp.tui.app import DashboardApp
from faultlamp.tui.board import Board
from faultlamp.tui.canvas import Canvas
from faultlamp.tui.dashboard import Dashboard
from faultlamp.tui.detail.screen import DetailPage
from faultlamp.tui.feed import FeedStatus
from faultlamp.tui.keys import KeysPage
from faultlamp.tui.page import Page
from faultlamp.tui.readings.choice import MOST_PICKS
from faultlamp.tui.readings.chooser import Chooser
from faultlamp.tui.replay.player import Player
from faultlamp.tui.replay.recording import Recording
from faultlamp.tui.replay.run import ReplayApp
from faultlamp.tui.replay.screen import ReplayDashboard
from support.wire import ns
from tui.scene import AMBER, COOLANT_HIGH, LAYOUTS, NO_LAMPS, HandClock, StillFeed, dm1, pump_job, rpm

SIZE = (80, 24)


def watching(frames: Iterable[Frame], now_s: float | None, status: FeedStatus | None = None) -> DashboardApp:
    """The live dashboard over frames that were heard."""
    return DashboardApp(Board(StillFeed(frames, now_s, status), LAYOUTS, {}))


def replaying(frames: list[Frame]) -> tuple[ReplayApp, HandClock]:
    """The replay of one recording, standing at its start."""
    clock = HandClock()
    player = Player(Recording([FrameBlock.from_frames(frames)]), clock, "pump.log")
    player.toggle_pause()
    player.home()
    return ReplayApp(player, LAYOUTS, {}), clock


def shown(app: DashboardApp, name: str = "") -> str:
    """The plain text of a band, or of all that is drawn."""
    return "\n".join(
        row.text.rstrip() for canvas in app.screen.query(Canvas) if name in ("", canvas.id) for row in canvas.lines
    )


async def settled(pilot: Pilot[Any]) -> None:
    """The screen stands, the marks are found, a tick has passed and was drawn."""
    app = pilot.app
    assert isinstance(app, DashboardApp)
    while not (isinstance(app.screen, Dashboard | Page | Chooser) and app.screen.query("KeyLine")):
        await pilot.pause(0.01)
    await app.workers.wait_for_complete()
    await pilot.pause()
    app.tick()
    await pilot.pause()


async def press(pilot: Pilot[Any], *keys: str) -> None:
    """Keys, and what they lead to."""
    await pilot.press(*keys)
    await settled(pilot)


async def test_the_bands_fill_80_by_24_exactly() -> None:
    """Head, readings, lanes, status and keys take 24 rows, and the red stop lamp's caution is on the screen."""
    app = watching(pump_job(30), 30)
    async with app.run_test(size=SIZE) as pilot:
        await settled(pilot)
        bands = [app.screen.query_one(f"#{name}") for name in ("head", "readings", "lanes", "status")]
        footer = app.screen.query_one("KeyLine")
        places = [(widget.region.y, widget.region.height) for widget in (*bands, footer)]
        assert [y for y, _ in places] == [0, *(y + height for y, height in places[:-1])]
        assert sum(height for _, height in places) == 24
        assert all(len(band.lines) == band.size.height for band in bands if isinstance(band, Canvas))
        text = shown(app)
        for fact in (
            "Running at 1500 rpm, 2 active faults. Engine 1 asks for the red stop lamp:",
            "stop the engine; the maker's manual decides.",
            "■ RED STOP on", "■ AMBER on", "□ PROTECT off",
            "✕ SENSOR ERROR", "2250 h", "55 %", "400 kPa",
            "FAULTS 2 active, 0 earlier",
            "110/3", "100/1", "RED",
            "can0 (socketcan)", "sends nothing", "open, nothing lost", "no rec",
        ):
            assert fact in text


@pytest.mark.parametrize("size", [(20, 6), (40, 12), (80, 24), (160, 48), (250, 70)])
async def test_any_size_of_window_works(size: tuple[int, int]) -> None:
    """Small windows lose room, never the first sentence; nothing breaks."""
    app = watching(pump_job(30), 30)
    async with app.run_test(size=size) as pilot:
        await settled(pilot)
        assert "Running at 1500" in shown(app, "head")
        await pilot.resize_terminal(*SIZE)
        await settled(pilot)
        assert app.screen.query_one("#lanes").size.width == 80


async def test_nothing_heard_says_what_to_do() -> None:
    """The empty dashboard is advice, not zeros."""
    status = FeedStatus(
        live=True, source="can0", mode="listening only", short_mode="listening", waiting="Nothing heard yet: key on?"
    )
    app = watching([], None, status)
    async with app.run_test(size=SIZE) as pilot:
        await settled(pilot)
        text = shown(app)
        assert "Nothing heard yet: key on?" in text
        assert text.count("· NEVER SEEN") == 6
        assert "rpm" not in text.replace("bit rate", "")
        await press(pilot, "enter", "left", "plus", "w", "left_square_bracket", "up", "escape")
        assert isinstance(app.screen, Dashboard)


# Every binding of the live dashboard, what it must lead to.
async def test_up_and_down_pick_lanes() -> None:
    """The picked lane is marked and said in words below."""
    app = watching(pump_job(30), 30)
    async with app.run_test(size=SIZE) as pilot:
        await settled(pilot)
        assert "▸● Engine 1   110/3" in shown(app, "lanes")
        await press(pilot, "down")
        assert "▸●◆Engine 1   100/1" in shown(app, "lanes")
        assert "Engine Oil Pressure: data valid but below normal" in shown(app, "lanes")
        await press(pilot, "down", "down", "up")
        assert "▸● Engine 1   110/3" in shown(app, "lanes")


async def test_pages_and_wheel_move_through_hundreds_of_lanes() -> None:
    """A screenful at once, and back."""
    codes = [(spn | 3 << 16 | 1 << 24).to_bytes(4, "little").hex() for spn in range(1000, 1300)]
    app = watching(dm1(1, AMBER, *codes), 5)
    async with app.run_test(size=SIZE) as pilot:
        await settled(pilot)
        rows = app.screen.lane_rows if isinstance(app.screen, Dashboard) else 0
        assert rows > 3
        await press(pilot, "pagedown", "pagedown")
        assert f" {1000 + 2 * rows}/3 " in picked(app)
        await press(pilot, "pageup", "down")
        assert f" {1000 + rows + 1}/3 " in picked(app)
        app.post_message(MouseScrollDown(None, 5, 16, 0, 1, 0, False, False, False))
        await settled(pilot)
        assert f" {1000 + rows + 2}/3 " in picked(app)


def picked(app: DashboardApp) -> str:
    """The row of the picked lane."""
    return next(row for row in shown(app, "lanes").splitlines() if row.startswith("▸"))


async def test_the_cursor_shows_the_readings_of_its_moment() -> None:
    """Left puts the cursor on the axis; band two says that it is not live, and shows what was known then."""
    app = watching(pump_job(30), 30)
    async with app.run_test(size=SIZE) as pilot:
        await settled(pilot)
        assert "READINGS live" in shown(app)
        await press(pilot, "shift+left", "shift+left", "left")
        text = shown(app)
        assert "READINGS AT 22:13:29, 21 s BEFORE NOW, NOT LIVE" in text
        assert "▼22:13:29" in text
        assert "degC" in text
        assert "SENSOR ERROR" not in text
        assert "HELD, Esc: live again" in text
        # The sentence stays about now.
        assert "2 active faults" in text
        await press(pilot, "right", "shift+right")
        assert "READINGS AT 22:13:40" in shown(app)
        await press(pilot, "escape")
        assert "READINGS live" in shown(app)


async def test_the_cursor_moved_past_the_present_is_live_again() -> None:
    """There is no future to look at."""
    app = watching(pump_job(30), 30)
    async with app.run_test(size=SIZE) as pilot:
        await settled(pilot)
        await press(pilot, "left", "right", "right")
        assert "READINGS live" in shown(app)


async def test_zoom_scroll_and_whole_job() -> None:
    """Longer and shorter columns; scrolled back the band is held, forward again it is live."""
    app = watching(pump_job(30), 30)
    async with app.run_test(size=SIZE) as pilot:
        await settled(pilot)
        view = app.board.view
        assert view.step_ns == 1_000_000_000
        await press(pilot, "minus")
        assert view.step_ns == 2_000_000_000
        await press(pilot, "plus", "equals_sign")
        assert view.step_ns == 500_000_000
        await press(pilot, "left_square_bracket")
        assert "HELD, Esc: live again" in shown(app)
        await press(pilot, "right_square_bracket")
        assert "HELD" not in shown(app)
        await press(pilot, "w")
        assert view.step_ns == 1_000_000_000
        assert app.board.window(80).column(ns(0)) == 0


async def test_enter_opens_what_is_known_of_the_fault() -> None:
    """Meaning, sender, lamps, count, spans, key cycles and the cautions; Esc leads back."""
    app = watching(pump_job(30), 30)
    async with app.run_test(size=(80, 50)) as pilot:
        await settled(pilot)
        await press(pilot, "enter")
        assert isinstance(app.screen, DetailPage)
        text = " ".join(shown(app).split())
        for fact in (
            "SPN 110 FMI 3", "Engine Coolant Temperature 1", "Voltage above normal, or shorted to high source",
            "● active: the latest fault report (DM1) lists it", "Engine 1 (source address 0) on can0",
            "1 time by its controller's count (OC)", "DM1", "■ red stop lamp on", "22:13:30 to now 19 s",
            "1 key cycle", "22:13:20 to now engine ran, up to 1500 rpm",
            "Key off before a connector is pulled.", "Hot and moving parts",
            "the maker's manual decides",
        ):
            assert fact in text
        await press(pilot, "escape")
        assert type(app.screen) is Dashboard


async def test_the_page_of_a_fault_follows_what_happens() -> None:
    """While it is open the page is redrawn from the history."""
    feed = StillFeed(pump_job(30), 30)
    app = DashboardApp(Board(feed, LAYOUTS, {}))
    async with app.run_test(size=(80, 50)) as pilot:
        await settled(pilot)
        await press(pilot, "enter")
        feed.pending = [FrameBlock.from_frames(dm1(31, NO_LAMPS))]
        feed.now_s = 31.5
        await settled(pilot)
        assert "○ not active" in shown(app)
        assert "then cleared" in shown(app)


async def test_readings_are_chosen_from_what_the_bus_carries() -> None:
    """Search, pick, drop; the band shows what was chosen; one reading always stays."""
    app = watching(pump_job(30), 30)
    async with app.run_test(size=(140, 30)) as pilot:
        await settled(pilot)
        await press(pilot, "r")
        assert isinstance(app.screen, Chooser)
        await press(pilot, *"torque")
        rows = app.screen.query_one(OptionList)
        assert all("orque" in str(rows.get_option_at_index(at).prompt) for at in range(rows.option_count))
        await press(pilot, "enter")
        assert [pick.spn for pick in app.board.picks] == [190, 110, 168, 247, 92, 100, 512]
        await press(pilot, *["backspace"] * 6, "down", "down", "up", "enter")
        assert [pick.spn for pick in app.board.picks][:2] == [190, 168]
        await press(pilot, "escape")
        assert "Driver's Demand" in shown(app, "readings")
        assert "Coolant" not in shown(app, "readings")
        await press(pilot, "r")
        for _ in range(len(app.board.picks) + 2):
            await press(pilot, "home", "enter")
        assert len(app.board.picks) == 1


async def test_no_more_readings_than_fit_can_be_chosen() -> None:
    """The thirteenth is refused with a word."""
    app = watching(pump_job(30), 30)
    async with app.run_test(size=SIZE) as pilot:
        await settled(pilot)
        await press(pilot, "r")
        rows = app.screen.query_one(OptionList)
        while len(app.board.picks) < MOST_PICKS:
            rows.highlighted = len(app.board.picks)
            await press(pilot, "enter")
        rows.highlighted = MOST_PICKS
        await press(pilot, "enter")
        assert len(app.board.picks) == MOST_PICKS
        await press(pilot, *"nothing has this name")
        assert "Nothing fits" in str(rows.get_option_at_index(0).prompt)
        await press(pilot, "enter", "escape")
        assert len(app.board.picks) == MOST_PICKS


@pytest.mark.parametrize("kind", ["watch", "replay"])
async def test_the_list_of_keys_is_made_from_the_bindings(kind: str) -> None:
    """Every binding of the screen is listed with its words."""
    app = watching(pump_job(3), 3) if kind == "watch" else replaying(pump_job(3))[0]
    async with app.run_test(size=(100, 90)) as pilot:
        await settled(pilot)
        bindings = [binding for _, binding in app.screen._bindings]
        assert len(bindings) > 15
        await press(pilot, "question_mark")
        assert isinstance(app.screen, KeysPage)
        text = shown(app)
        for binding in bindings:
            assert binding.tooltip in text
        for word in ("SPN", "FMI", "OC", "DM1"):
            assert word in text
        await press(pilot, "q")
        assert isinstance(app.screen, Dashboard)


async def test_every_binding_has_an_action_and_words() -> None:
    """No key leads nowhere, none is without an explanation, no two share a key."""
    for screen in (Dashboard, ReplayDashboard):
        bindings = [one for one in screen.BINDINGS if isinstance(one, Binding)]
        keys = [key for one in bindings for key in one.key.split(",")]
        assert len(keys) == len(set(keys))
        for one in bindings:
            name = one.action.partition("(")[0]
            assert one.tooltip
            owner = DashboardApp if name.startswith("app.") else screen
            assert hasattr(owner, f"action_{name.removeprefix('app.')}")


async def test_the_mouse_picks_opens_and_points() -> None:
    """A click on a lane picks it, one on its bar also sets the cursor, a double click opens it."""
    app = watching(pump_job(30), 30)
    async with app.run_test(size=SIZE) as pilot:
        await settled(pilot)
        await pilot.click("#lanes", offset=(5, 4))
        await settled(pilot)
        assert "100/1" in picked(app)
        assert not app.board.held
        await pilot.click("#lanes", offset=(44 + 9, 3))
        await settled(pilot)
        assert "110/3" in picked(app)
        assert "READINGS AT 22:13:29" in shown(app)
        await pilot.click("#lanes", offset=(5, 4), times=2)
        await settled(pilot)
        assert isinstance(app.screen, DetailPage)


@pytest.mark.parametrize("where", ["dashboard", "chooser", "details", "keys"])
async def test_ctrl_c_leaves_from_everywhere_with_130(where: str) -> None:
    """Interrupted is interrupted, whatever is open."""
    app = watching(pump_job(30), 30)
    async with app.run_test(size=SIZE) as pilot:
        await settled(pilot)
        await pilot.press(*{"dashboard": [], "chooser": ["r"], "details": ["enter"], "keys": ["question_mark"]}[where])
        await pilot.press("ctrl+c")
    assert app.return_code == 130


async def test_q_leaves_with_0() -> None:
    """The ordinary way out."""
    app = watching(pump_job(3), 3)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.press("q")
    assert app.return_code == 0


async def test_it_leaves_by_itself_when_told_to() -> None:
    """`--for` ends the dashboard."""
    app = DashboardApp(Board(StillFeed(pump_job(3), 3), LAYOUTS, {}), seconds=0.05)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.pause(0.3)
        assert not app.is_running or app._exit
    assert app.return_code == 0


async def test_text_from_the_bus_is_never_markup() -> None:
    """A channel named like markup and control codes shows as text, and the screen survives."""
    hostile = "[red]x[/] \x1b[2J"
    frames = [Frame(one.time_ns, hostile, one.can_id, one.data) for one in pump_job(30)]
    status = FeedStatus(
        live=True, source=hostile, mode="listening only", short_mode="listening", waiting="", notes=("[bold]note",)
    )
    app = watching(frames + dm1(1, AMBER, COOLANT_HIGH), 30, status)
    async with app.run_test(size=(120, 50)) as pilot:
        await settled(pilot)
        await press(pilot, "enter")
        assert "on [red]x[/] ·[2J" in shown(app)
        await press(pilot, "escape", "r", "escape")
        text = shown(app)
        assert "\x1b" not in text
        assert "[red]x[/] ·[2J" in text
        assert "[bold]note" in text


async def test_only_rows_that_changed_are_drawn_again() -> None:
    """An unchanged band asks for nothing; a changed row asks for itself."""
    app = watching(pump_job(30), 30)
    async with app.run_test(size=SIZE) as pilot:
        await settled(pilot)
        canvas = app.screen.query_one("#lanes", Canvas)
        asked: list[Any] = []
        canvas.refresh = lambda *regions, **_: asked.extend(regions)  # type: ignore[method-assign,assignment]
        canvas.show(canvas.lines)
        assert asked == []
        canvas.show([*canvas.lines[:2], canvas.lines[3], *canvas.lines[3:]])
        assert [(region.y, region.height) for region in asked] == [(2, 1)]


# The replay's own keys.
async def test_replay_jumps_between_changes() -> None:
    """n and p go from change to change; past the last one it says so."""
    app, _ = replaying(pump_job(30))
    async with app.run_test(size=SIZE) as pilot:
        await settled(pilot)
        assert "At the start of the recording" in shown(app)
        await press(pilot, "n")
        assert "1 active fault." in shown(app, "head")
        assert "replay paused, 1x, 00:10 of 00:29 (33 %)" in shown(app, "status")
        await press(pilot, "n")
        assert "2 active faults" in shown(app, "head")
        await press(pilot, "n")
        assert "2 active faults" in shown(app, "head")
        await press(pilot, "p")
        assert "1 active fault." in shown(app, "head")


async def test_replay_plays_stops_steps_and_skips() -> None:
    """Space, o, comma, full stop, Home, End, f, s."""
    app, clock = replaying(pump_job(30))
    async with app.run_test(size=SIZE) as pilot:
        await settled(pilot)
        await press(pilot, "o")
        assert app.player.given == 1
        await press(pilot, "space", "f")
        clock.pass_s(3)
        await settled(pilot)
        assert "replay playing, 2x, 00:06 of" in shown(app, "status")
        await press(pilot, "s", "s", "space")
        assert "replay paused, 0.5x, 00:06 of" in shown(app, "status")
        await press(pilot, "full_stop", "full_stop", "comma")
        assert "00:07 of" in shown(app, "status")
        await press(pilot, "end")
        assert "replay at the end, 0.5x" in shown(app, "status")
        assert "2 active faults" in shown(app, "head")
        await press(pilot, "home")
        assert "At the start of the recording" in shown(app, "head")
        assert "FAULTS 0 active, 0 earlier" in shown(app, "lanes")


async def test_replay_goes_where_it_is_told() -> None:
    """g asks; a wrong place is refused in words, a right one is gone to, Esc puts the line away."""
    app, _ = replaying(pump_job(30))
    async with app.run_test(size=SIZE) as pilot:
        await settled(pilot)
        place = app.screen.query_one("#place", Input)
        assert not place.display
        await press(pilot, "g", *"nowhere", "enter")
        assert place.display
        assert any("mm:ss from the start" in notice.message for notice in app._notifications)
        await press(pilot, *["backspace"] * 7, *"0:15", "enter")
        assert not place.display
        assert "00:15 of 00:29" in shown(app, "status")
        assert "READINGS as recorded at 22:13:35" in shown(app)
        await press(pilot, "g", *"5", "escape")
        assert not place.display
        assert "00:15 of 00:29" in shown(app, "status")
        # The keys work again.
        await press(pilot, "full_stop")
        assert "00:16 of 00:29" in shown(app, "status")


async def test_replay_says_that_it_is_still_looking() -> None:
    """Before the changes are found, n says so instead of doing nothing."""
    app, _ = replaying(pump_job(3))
    async with app.run_test(size=SIZE) as pilot:
        await settled(pilot)
        app.player.marks = None
        await press(pilot, "n")
        assert any("Still looking" in notice.message for notice in app._notifications)


async def test_the_cursor_of_a_replay_is_dropped_when_the_replay_moves() -> None:
    """Moving in the recording leads back to its present."""
    app, _ = replaying(pump_job(30))
    async with app.run_test(size=SIZE) as pilot:
        await settled(pilot)
        await press(pilot, "end", "left", "left")
        assert "NOT LIVE" in shown(app)
        await press(pilot, "comma")
        assert "NOT LIVE" not in shown(app)


async def test_frames_with_other_rates_and_broken_messages_show_in_the_status_line() -> None:
    """Frames a second, and multi-packet messages that did not complete (SAE J1939-21, section 5.10)."""
    feed = StillFeed(dm1(0, AMBER, COOLANT_HIGH, COOLANT_HIGH.replace("6E", "6F"))[:-1], 0.1)
    app = DashboardApp(Board(feed, LAYOUTS, {}))
    async with app.run_test(size=(160, 24)) as pilot:
        await settled(pilot)
        feed.pending = [FrameBlock.from_frames([rpm(1 + at / 10, 800) for at in range(20)])]
        feed.now_s = 3.1
        await settled(pilot)
        assert "frames/s" in shown(app, "status")
        assert "1 broken multi-packet messages" in shown(app, "status")
