"""Commands found by a word, the list of keys: both are the bindings, in plain words."""

import pytest
from textual.widgets import Input, OptionList

from faultlamp.tui.dashboard import Dashboard
from faultlamp.tui.keys import KeysPage, key_lines
from faultlamp.tui.marks.page import MarksPage
from faultlamp.tui.palette import KeyCommands, Palette, commands_of
from faultlamp.tui.replay.screen import ReplayDashboard
from tui.test_pages import alive, replaying, stands, text_of, until, watching

SIZE = (80, 24)


@pytest.mark.parametrize("replay", [False, True], ids=["watch", "replay"])
async def test_every_command_is_a_key_and_every_key_a_command(replay: bool) -> None:
    """Also the application's own; but not leaving by Ctrl-C, and nothing of the toolkit's."""
    app = replaying() if replay else watching()
    async with app.run_test(size=SIZE):
        await until(lambda: isinstance(app.screen, Dashboard) and bool(app.screen.active_bindings))
        bindings = (ReplayDashboard if replay else Dashboard).BINDINGS
        wanted = {binding.tooltip for binding in bindings}  # type: ignore[union-attr]
        assert {command.words for command in commands_of(app.screen)} == wanted


async def test_a_word_finds_the_command_and_enter_does_it() -> None:
    """Typed in any order and case; the dashboard is redrawn meanwhile."""
    app = watching()
    async with app.run_test(size=SIZE) as pilot:
        await stands(app, Dashboard)
        await pilot.press("ctrl+p")
        await until(lambda: isinstance(app.screen, Palette))
        await pilot.press(*"Moments marked")
        options = app.screen.query_one(OptionList)
        await until(lambda: options.option_count > 0 and "(M)" in str(options.get_option_at_index(0).prompt))
        app.tick()
        await pilot.press("enter")
        await until(lambda: isinstance(app.screen, MarksPage))
        assert "None so far" in text_of(app)


async def test_escape_leaves_the_palette_and_nothing_is_done() -> None:
    """And a second Ctrl-P does not open a second one."""
    app = watching()
    async with app.run_test(size=SIZE) as pilot:
        await stands(app, Dashboard)
        await pilot.press("ctrl+p")
        await until(lambda: isinstance(app.screen, Palette))
        await pilot.press("ctrl+p")
        assert sum(isinstance(screen, Palette) for screen in app.screen_stack) == 1
        await until(lambda: bool(app.screen.query(Input)))
        await pilot.press("escape")
        await stands(app, Dashboard)


async def test_the_list_of_keys_has_ours_and_not_the_toolkits() -> None:
    """Tab and Shift+Tab move between fields; Ctrl-C is there as the key to leave, with the application's others."""
    app = watching()
    async with app.run_test(size=SIZE) as pilot:
        await stands(app, Dashboard)
        await pilot.press("question_mark")
        await stands(app, KeysPage)
        text = text_of(app)
        keys = text[: text.index("WORDS")]
        assert "Tab" not in keys
        assert "Copy selected" not in keys
        for words in ("Leave at once", "Find a command by a word", "Mark this moment", "Copy the picked fault"):
            assert words in keys
        for word in ("source address", "derate", "key cycle", "freeze frame", "readiness", "protect lamp"):
            assert word in text[text.index("WORDS") :]


def test_no_word_is_cut() -> None:
    """At 80 columns each name fits into its column, and no row is longer than the screen."""
    for row in key_lines([], 77):
        assert "…" not in row.text
        assert len(row.text) <= 77


async def test_opening_it_often_leaves_nothing_behind() -> None:
    """It is made anew each time, and gone each time."""
    app = watching()
    async with app.run_test(size=SIZE) as pilot:
        await stands(app, Dashboard)

        async def open_it(times: int) -> None:
            for _ in range(times):
                await pilot.press("ctrl+p")
                await until(lambda: isinstance(app.screen, Palette) and bool(app.screen.query(Input)))
                await pilot.press("escape")
                await stands(app, Dashboard)
                await pilot.pause()

        await open_it(2)
        before = alive()
        await open_it(10)
        assert alive() <= before


@pytest.mark.parametrize(
    ("typed", "keys"),
    [
        ("copy", ["(y)"]), ("NOTE like", ["(m)"]), ("ecu", ["(e)"]), ("moment mark", ["(m)", "(M)"]),
        ("cpfault", ["(y)"]), ("qqq", []),
    ],
)
async def test_what_is_found(typed: str, keys: list[str]) -> None:
    """By the words of the list of keys and by the short one under the screen; else what comes near, or nothing."""
    app = watching()
    async with app.run_test(size=SIZE):
        await stands(app, Dashboard)
        provider = KeyCommands(app.screen)
        found = [str(hit.prompt) async for hit in provider.search(typed)]
        assert [one.rpartition("  ")[2] for one in found] == keys
