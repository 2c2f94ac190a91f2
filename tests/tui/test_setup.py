"""The chooser and the page of one reading's settings, by their keys: everything can be set, and holds at once."""

from collections.abc import Iterable
from typing import Any

import pytest
from textual.binding import Binding
from textual.pilot import Pilot
from textual.widgets import Input, OptionList

from faultlamp.frames import Frame, FrameBlock
from faultlamp.knowledge.units import System
from faultlamp.tui.app import DashboardApp
from faultlamp.tui.board import Board
from faultlamp.tui.canvas import Canvas
from faultlamp.tui.readings.choice import Choices, Mark
from faultlamp.tui.readings.chooser import Chooser, offers
from faultlamp.tui.readings.setup import HIGH, LOW, PLACE, QUANTITY, SYSTEM, TRENDS, UNIT, Setup, number_of
from faultlamp.tui.readings.value import Pick
from support.wire import frame
from tui.scene import LAYOUTS, StillFeed, coolant, pump_job, rpm, second

OIL = 5  # its row in the chooser


def watching(frames: Iterable[Frame] = (), now_s: float = 5) -> DashboardApp:
    """The dashboard over some seconds of the invented pump set."""
    return DashboardApp(Board(StillFeed(frames or pump_job(5), now_s), LAYOUTS, {}))


async def press(pilot: Pilot[Any], *keys: str) -> None:
    """Keys, and what they lead to."""
    for key in keys:
        await pilot.press(key)
        await pilot.pause()


async def to_setup(pilot: Pilot[Any], row: int, setting: int) -> None:
    """Open the settings of the reading in a row of the chooser, and go to one setting."""
    await pilot.pause()
    pilot.app.tick()  # type: ignore[attr-defined]
    await press(pilot, "r", *["down"] * row, "tab", *["down"] * ((setting - UNIT) % (TRENDS + 1)))
    assert isinstance(pilot.app.screen, Setup)


def text(app: DashboardApp) -> str:
    """The settings as plain text."""
    return "\n".join(row.text.rstrip() for row in app.screen.query_one("#setup", Canvas).lines)


def rows(app: DashboardApp) -> list[str]:
    """The rows of the chooser."""
    options = app.screen.query_one(OptionList)
    return [str(options.get_option_at_index(at).prompt) for at in range(options.option_count)]


async def test_every_setting_by_its_keys() -> None:
    """Unit of one reading, of a quantity, of everything; place; length of the trends; each both ways."""
    app = watching()
    async with app.run_test(size=(80, 24)) as pilot:
        await to_setup(pilot, OIL, UNIT)
        assert "SPN 100 Engine Oil Pressure" in text(app)
        assert "Now 400 kPa" in text(app)
        await press(pilot, "right")
        assert "Now 4.00 bar" in text(app)
        assert "bar, its own" in text(app)
        await press(pilot, "left", "left")
        assert "Now 58.0 psi" in text(app)
        await press(pilot, "right", "down")
        assert "▸ Unit of all pressures" in text(app)
        await press(pilot, "left")
        assert app.board.choices.units == (("pressures", "psi"),)
        await press(pilot, "down", "right")
        assert app.board.choices.system is System.US
        assert app.board.choices.units == ()
        assert "Now 58.0 psi" in text(app)
        await press(pilot, "left", "down", "down", "down", "right", "right")
        assert app.board.choices.trend_min == 15
        await press(pilot, "down", "left")
        assert app.board.picks.index(Pick(100)) == 4
        assert "5 of 6" in text(app)
        await press(pilot, *["left"] * 9)
        assert app.board.picks[0] == Pick(100)
        await press(pilot, "escape")
        assert isinstance(app.screen, Chooser)
        assert rows(app)[0].startswith("▸[x]    100 ")
        await press(pilot, "escape")
        head = app.screen.query_one("#readings", Canvas).lines
        app.tick()
        assert "trends 15 min" in app.screen.query_one("#readings", Canvas).lines[0].text
        assert head


async def test_marks_are_typed() -> None:
    """Figures, a point or a comma, a minus; Backspace takes one back, then the mark; each holds at once."""
    app = watching()
    async with app.run_test(size=(80, 24)) as pilot:
        await to_setup(pilot, OIL, HIGH)

        def high() -> Mark | None:
            return app.board.choices.of(Pick(100)).high

        assert "none, type a number" in text(app)
        await press(pilot, "3", "5", "0")
        assert high() == Mark(350, "kPa")
        assert "Now 400 kPa  ▲ above 350" in text(app)
        await press(pilot, "comma", "5")
        assert high() == Mark(350.5, "kPa")
        await press(pilot, "backspace", "backspace")
        assert high() == Mark(350, "kPa")
        await press(pilot, "up")
        assert "▼ none" not in text(app)
        await press(pilot, "minus", "2")
        assert app.board.choices.of(Pick(100)).low == Mark(-2, "kPa")
        await press(pilot, "down", "x", "question_mark")
        assert high() == Mark(350, "kPa")
        await press(pilot, "backspace")
        assert high() is None
        await press(pilot, "1", "full_stop", "full_stop")
        assert high() == Mark(1, "kPa")
        await press(pilot, *["9"] * 40)
        assert len(text(app).split("▲ 1.")[1].split("_")[0]) <= 12


async def test_a_mark_is_in_the_unit_that_is_shown() -> None:
    """Set in psi it is psi; shown in bar it is the same pressure."""
    app = watching()
    async with app.run_test(size=(80, 24)) as pilot:
        await to_setup(pilot, OIL, SYSTEM)
        await press(pilot, "right", "down", "6", "0")
        assert app.board.choices.of(Pick(100)).low == Mark(60, "psi")
        assert "▼ below 60" in text(app)
        await press(pilot, *["up"] * (LOW - UNIT), "left", "left")
        assert "▼ 4.14 bar" in text(app)


async def test_contradicting_marks_are_told() -> None:
    """Nobody is stopped from setting them, but it is said."""
    app = watching()
    async with app.run_test(size=(80, 24)) as pilot:
        await to_setup(pilot, OIL, LOW)
        await press(pilot, "9", "down", "5")
        assert "The low mark is above the high one" in text(app)


async def test_what_has_no_other_unit_and_what_is_a_word() -> None:
    """Engine speed stays in rpm; a switch has no marks. Nothing crashes where there is nothing to change."""
    app = watching([*second(0), frame(0.9, "18FEE400", "FFFFFF01FFFFFFFF")])
    async with app.run_test(size=(80, 24)) as pilot:
        await to_setup(pilot, 0, UNIT)
        before = app.board.choices
        assert "no other unit" in text(app)
        await press(pilot, "right", "down", "right", "left")
        assert app.board.choices == before
        await press(pilot, "escape", *"wait to start", "enter", "tab", "down", "down", "down", "5")
        assert app.board.picks[-1].spn == 1081
        assert "none: this reading is a word" in text(app)
        assert app.board.choices.readings[-1].low is None


async def test_order_in_the_chooser() -> None:
    """Shift and an arrow moves the reading; the row goes with it; what is not shown has no place."""
    app = watching()
    async with app.run_test(size=(100, 30)) as pilot:
        await pilot.pause()
        app.tick()
        await press(pilot, "r", "down", "shift+down", "shift+down")
        assert [pick.spn for pick in app.board.picks] == [190, 168, 247, 110, 92, 100]
        assert app.screen.query_one(OptionList).highlighted == 3
        assert [row[:10] for row in rows(app) if row.startswith("▸")] == ["▸[x]    11"]
        await press(pilot, "shift+up")
        assert [pick.spn for pick in app.board.picks] == [190, 168, 110, 247, 92, 100]
        before = app.board.choices
        await press(pilot, *["pagedown"] * 3, "shift+up", "tab")
        assert app.board.choices == before
        assert isinstance(app.screen, Chooser)
        assert len(app._notifications) == 2


async def test_the_chooser_shows_present_values_in_the_chosen_units() -> None:
    """Values go on while it is open; what comes up meanwhile joins; what is highlighted stays."""
    feed = StillFeed([*second(0)], 1)
    app = DashboardApp(Board(feed, LAYOUTS, {}))
    async with app.run_test(size=(100, 40)) as pilot:
        await pilot.pause()
        app.tick()
        app.board.choose(Choices().with_system(System.US))
        await press(pilot, "r", "down")
        assert "185 degF" in rows(app)[1]
        feed.pending = [FrameBlock.from_frames([coolant(1.5, 140), frame(1.6, "18FEF500", "C6FFFF3C1FFFFFFF")])]
        feed.now_s = 2
        app.tick()
        assert isinstance(app.screen, Chooser)
        app.screen._follow()
        await pilot.pause()
        assert "212 degF" in rows(app)[1]
        assert any(" 108 Barometric Pressure" in row and "14.4 psi" in row for row in rows(app))
        assert app.screen.query_one(OptionList).highlighted == 1


async def test_back_from_the_settings_the_search_is_kept() -> None:
    """Esc on the settings leads to the same row of the same search; opened anew the search is empty."""
    app = watching()
    async with app.run_test(size=(100, 30)) as pilot:
        await pilot.pause()
        app.tick()
        await press(pilot, "r", *"oil", "tab")
        assert isinstance(app.screen, Setup)
        await press(pilot, "escape")
        assert app.screen.query_one(Input).value == "oil"
        await press(pilot, "escape", "r")
        assert app.screen.query_one(Input).value == ""


def test_a_pick_names_no_channel_where_there_is_one() -> None:
    """The same machine is heard through another adapter tomorrow."""
    board = Board(StillFeed(second(0), 1), LAYOUTS, {})
    board.tick()
    assert {pick.channel for pick, _ in offers(board, "")} == {None}
    board = Board(StillFeed([*second(0), rpm(0.5, 900, channel="can1")], 1), LAYOUTS, {})
    board.tick()
    assert {pick.channel for pick, _ in offers(board, "engine speed")} == {None, "can0", "can1"} - {"can0"}


async def test_a_bus_with_thousands_of_readings_stays_usable() -> None:
    """The list is cut, says by how much, and searching finds the rest."""
    frames = [rpm(1, 700 + sender, source=f"{sender:02X}") for sender in range(254)]
    frames += [frame(1.1, f"18FEEF{sender:02X}", "0102030405060708") for sender in range(254)]
    app = watching(frames, 2)
    async with app.run_test(size=(100, 30)) as pilot:
        await pilot.pause()
        app.tick()
        await press(pilot, "r")
        assert len(rows(app)) == 401
        assert "more: type to search" in rows(app)[-1]
        await press(pilot, *"100")
        assert all(" 100 " in row for row in rows(app))


@pytest.mark.parametrize(
    ("typed", "number"),
    [("1", 1.0), ("-4.5", -4.5), (".5", 0.5), ("5.", 5.0), ("", None), ("-", None), (".", None), ("1-2", None),
     ("1.2.3", None), ("--1", None)],
)
def test_what_counts_as_a_number(typed: str, number: float | None) -> None:
    """Half-typed numbers are none yet."""
    assert number_of(typed) == number


def test_every_key_has_words() -> None:
    """On both pages, and the settings in their order."""
    for screen in (Chooser, Setup):
        for binding in screen.BINDINGS:
            assert isinstance(binding, Binding)
            assert binding.tooltip
            assert hasattr(screen, f"action_{binding.action.partition('(')[0]}")
    order = (PLACE, UNIT, QUANTITY, SYSTEM, LOW, HIGH, TRENDS)
    assert list(order) == list(range(7))


async def test_a_tick_after_the_end_is_harmless() -> None:
    """The chooser's own clock may strike once more while the application is taken down with it open."""
    app = watching(second(1))
    async with app.run_test(size=(80, 24)) as pilot:
        await press(pilot, "r")
        chooser = app.screen
        assert isinstance(chooser, Chooser)
    assert not app.screen_stack
    with app._context():
        chooser._follow()
