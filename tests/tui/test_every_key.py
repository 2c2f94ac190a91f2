"""Every key of every screen does something that can be seen, or says why not; the list comes from the bindings.

A screen or a key that is added is tested without anybody thinking of it: a screen to which no way is known here, and
a key that changes nothing, fail.
"""

import importlib
import pkgutil
from collections.abc import Iterator
from typing import Any

import pytest
from rich.cells import cell_len
from textual.binding import Binding
from textual.pilot import Pilot
from textual.screen import Screen
from textual.widgets import Input, OptionList

import faultlamp.tui
from faultlamp.bus.listener import Listener
from faultlamp.bus.options import BusSettings
from faultlamp.bus.reconnect import Reconnecting
from faultlamp.frames import FrameBlock
from faultlamp.tui.app import DashboardApp
from faultlamp.tui.board import Board
from faultlamp.tui.canvas import Canvas
from faultlamp.tui.intake.asker import Asker, Stage
from faultlamp.tui.replay.player import Player
from faultlamp.tui.replay.recording import Recording
from faultlamp.tui.replay.run import ReplayApp
from support.controllers import name
from support.virtual_bus import settings, unconfigured
from tui.scene import LAYOUTS, HandClock, StillFeed, pump_job

__all__ = ["settings", "unconfigured"]

MARK_TWICE = ("m", *"one", "enter", "escape", "left", "left", "m", *"two", "enter")
# How each screen is reached: from the live dashboard, but for the replay's own.
WAYS: dict[str, tuple[str, ...]] = {
    "Dashboard": (), "ReplayDashboard": (), "DetailPage": ("enter",), "ChecksPage": ("c",), "WigglePage": ("x",),
    "NodesPage": ("b",), "UnknownPage": ("u",), "KeysPage": ("question_mark",), "Chooser": ("r",),
    "Setup": ("r", "tab"), "SavePage": ("k",), "MarksPage": (*MARK_TWICE, "M"), "IntakePage": ("i",),
}
# What comes before a key, on its screen, so that it has something to do.
BEFORE: dict[str, dict[str, tuple[str, ...]]] = {
    "Dashboard": {
        "up": ("down",), "pageup": ("down",), "right": ("left", "left"), "shift+right": ("shift+left", "shift+left"),
        "n": ("shift+left",) * 3, "w": ("plus", "plus"), "right_square_bracket": ("left_square_bracket",),
        "escape": ("left",),
    },
    "Chooser": {"up": ("down",), "pageup": ("pagedown",), "shift+up": ("down",)},
    "Setup": {"up": ("down",), "backspace": ("down", "down", "down", "9"), "delete": ("down", "down", "down", "9")},
    "SavePage": {"up": ("down",)},
    "MarksPage": {"down": ("up",), "up": ("down",)},
}
BEFORE["ReplayDashboard"] = {
    **{key: ("end", *keys) for key, keys in BEFORE["Dashboard"].items() if key != "n"},
    **dict.fromkeys(
        ("p", "comma", "home", "down", "pagedown", "e", "v", "left", "shift+left", "slash", "minus", "plus",
         "left_square_bracket", "equals_sign", "x", "m"), ("end",)),
}


def screens() -> dict[str, type[Screen[Any]]]:
    """All screens of the dashboard that have keys of their own and are shown."""
    for module in pkgutil.walk_packages(faultlamp.tui.__path__, "faultlamp.tui."):
        importlib.import_module(module.name)

    def below(kind: type[Screen[Any]]) -> Iterator[type[Screen[Any]]]:
        for sub in kind.__subclasses__():
            yield sub
            yield from below(sub)

    ours = [kind for kind in below(Screen) if kind.__module__.startswith("faultlamp.")]
    bases = {base for kind in ours for base in kind.__mro__[1:]}
    shown = [kind for kind in ours if kind not in bases or kind.__name__ == "Dashboard"]
    return {kind.__name__: kind for kind in shown if kind.__name__ != "Palette"}


def keys_of(kind: type[Screen[Any]]) -> list[str]:
    """Keys with words, those of the application included; what has none belongs to the toolkit (see `tui.keys`)."""
    found = [
        key
        for base in (*kind.__mro__, DashboardApp)
        if "BINDINGS" in base.__dict__
        for one in base.__dict__["BINDINGS"]
        if isinstance(one, Binding) and one.tooltip
        for key in one.key.split(",")
    ]
    return list(dict.fromkeys(found))


EVERY_KEY = [(screen, key) for screen, kind in screens().items() for key in keys_of(kind)]


@pytest.fixture
def asker(settings: BusSettings, monkeypatch: pytest.MonkeyPatch) -> Iterator[Asker]:
    """Somebody who could ask on a bus, and does nothing here but note that it is told to."""
    source = Reconnecting(lambda: Listener(settings))
    one = Asker(source, "the test's bus", name(5, 129), LAYOUTS)
    monkeypatch.setattr(one, "start", lambda: None)
    yield one
    one.close()
    source.close()


def made(screen: str, asker: Asker) -> DashboardApp:
    """The dashboard from which the screen is reached, nothing in it moves."""
    if screen == "ReplayDashboard":
        player = Player(Recording([FrameBlock.from_frames(pump_job(30))]), HandClock(), "pump.log")
        player.toggle_pause()
        player.home()
        return ReplayApp(player, LAYOUTS, {})
    board = Board(StillFeed(pump_job(30), 30), LAYOUTS, {})
    board.asker = asker
    return DashboardApp(board)


async def settled(pilot: Pilot[Any]) -> None:
    """What was pressed has had its effect, and is drawn."""
    app = pilot.app
    while not app._exit and not (len(app.screen_stack) > 1 and app.screen.query("Canvas,Input")):
        await pilot.pause(0.01)
    await app.workers.wait_for_complete()
    await pilot.pause()
    app.tick()  # type: ignore[attr-defined]
    await pilot.pause()


def seen(app: DashboardApp) -> tuple[object, ...]:
    """All that a person sees or hears of it."""
    rows = [row for canvas in app.screen.query(Canvas) for row in canvas.lines]
    lists = [
        (one.highlighted, [str(one.get_option_at_index(at).prompt) for at in range(one.option_count)])
        for one in app.screen.query(OptionList)
    ]
    inputs = [(one.id, one.display, one.value) for one in app.screen.query(Input)]
    said = [note.message for note in app._notifications]
    return type(app.screen).__name__, rows, lists, inputs, said, app.theme, app._exit, app.return_code


def test_a_way_is_known_to_every_screen() -> None:
    """A new screen is tested too."""
    assert set(screens()) == set(WAYS)
    assert len(EVERY_KEY) > 120


@pytest.mark.parametrize(("screen", "key"), EVERY_KEY, ids=[f"{screen}-{key}" for screen, key in EVERY_KEY])
async def test_every_key_of_every_screen_has_an_effect(
    screen: str, key: str, asker: Asker, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Something on the screen changes, or a message says why not; never an exception."""
    app = made(screen, asker)
    if screen == "IntakePage" and key in ("d", "a"):
        # These mean something once the answers stand there.
        asker.stage = Stage.OVER
        answer = {
            "key": "VIN", "title": "vehicle identification", "pgn": 65260, "spn": None, "fmi": None,
            "outcome": "no_answer", "words": "", "raw": "", "message": None,
        }
        controller = {
            "channel": "can0", "address": 0, "claimed_by_several": False, "NAME": None, "DM1": None,
            "answers": [answer],
        }
        monkeypatch.setattr(asker, "controllers", lambda: [controller])
    async with app.run_test(size=(100, 30)) as pilot:
        await settled(pilot)
        for step in (*WAYS[screen], *BEFORE.get(screen, {}).get(key, ())):
            await pilot.press(step)
            await settled(pilot)
        assert type(app.screen).__name__ == screen
        before = seen(app)
        await pilot.press(key)
        if not app._exit:
            await settled(pilot)
        assert seen(app) != before


@pytest.mark.parametrize(
    ("screen", "opens", "line"),
    [("Dashboard", "slash", "find"), ("Dashboard", "m", "note"), ("ReplayDashboard", "g", "place")],
)
async def test_escape_puts_every_typed_line_away(screen: str, opens: str, line: str, asker: Asker) -> None:
    """What was typed is dropped, and the keys of the screen work again."""
    app = made(screen, asker)
    async with app.run_test(size=(100, 30)) as pilot:
        await settled(pilot)
        await pilot.press(opens, *"zz")
        typed = app.screen.query_one(f"#{line}", Input)
        assert typed.display
        assert typed.value == "zz"
        await pilot.press("escape")
        await settled(pilot)
        assert not typed.display
        assert typed.value == ""
        await pilot.press("question_mark")
        await settled(pilot)
        assert type(app.screen).__name__ == "KeysPage"


@pytest.mark.parametrize("screen", WAYS)
async def test_every_screen_may_be_resized_while_it_is_open(screen: str, asker: Asker) -> None:
    """Nothing breaks however small or large the window becomes; from 70 columns on no row is wider than it."""
    app = made(screen, asker)
    async with app.run_test(size=(100, 30)) as pilot:
        await settled(pilot)
        for step in WAYS[screen]:
            await pilot.press(step)
            await settled(pilot)
        for size in ((20, 6), (200, 60), (70, 20), (80, 24)):
            await pilot.resize_terminal(*size)
            await settled(pilot)
            assert type(app.screen).__name__ == screen
            rows = [row.text for canvas in app.screen.query(Canvas) for row in canvas.lines]
            assert rows
            assert [row for row in rows if cell_len(row) > max(size[0], 70)] == []
        await pilot.press("ctrl+c")
    assert app.return_code == 130
