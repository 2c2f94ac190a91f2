"""Finding a loose wire by hand: what is counted, what is shown, when the bell rings.

A fault breaks when a DM1 lists it and makes when one does not (SAE J1939-73, section 5.7.1). Raw 0xFE of a one-byte
signal is 'error' (SAE J1939-71, section 5.1.4, from memory). Jump thresholds are common practice, no source.
"""

from collections.abc import Iterable
from typing import Any

import pytest
from textual.binding import Binding
from textual.pilot import Pilot

from faultlamp.findings.make_and_break import Contact, ContactLog
from faultlamp.frames import Frame, FrameBlock
from faultlamp.tui.app import DashboardApp
from faultlamp.tui.board import Board
from faultlamp.tui.canvas import Canvas
from faultlamp.tui.dashboard import Dashboard
from faultlamp.tui.feed import FeedStatus
from faultlamp.tui.page import Page
from faultlamp.tui.replay.player import Player
from faultlamp.tui.replay.recording import Recording
from faultlamp.tui.replay.run import ReplayApp
from faultlamp.tui.wiggle.letters import large
from faultlamp.tui.wiggle.page import WigglePage
from faultlamp.tui.wiggle.text import CAUTION, Shown, wiggle_lines
from support.wire import ns
from tui.scene import (
    AMBER,
    COOLANT_HIGH,
    LAYOUTS,
    NO_LAMPS,
    OIL_LOW,
    RED_AND_AMBER,
    HandClock,
    StillFeed,
    coolant,
    dm1,
    pump_job,
)

LIVE = FeedStatus(live=True, source="can0", mode="listening only", short_mode="listening", waiting="Nothing heard.")


class Bench:
    """The dashboard over a live bus whose seconds pass when told to; bells at one moment are one and are counted."""

    def __init__(self, frames: Iterable[Frame], now_s: float) -> None:
        self.clock = HandClock()
        self.feed = StillFeed(frames, now_s, LIVE)
        self.app = DashboardApp(Board(self.feed, LAYOUTS, {}, clock=self.clock))
        self._rung: set[int] = set()
        self.app.bell = lambda: self._rung.add(self.clock.at_ns)  # type: ignore[method-assign]

    @property
    def rings(self) -> int:
        """How often the bell was heard."""
        return len(self._rung)

    async def pass_s(self, pilot: Pilot[Any], seconds: float, *frames: Frame) -> None:
        """Time passes, and these frames come meanwhile."""
        self.clock.pass_s(seconds)
        self.feed.now_s = (self.feed.now_s or 0) + seconds
        self.feed.pending = [FrameBlock.from_frames(frames)]
        await settled(pilot)


async def settled(pilot: Pilot[Any]) -> None:
    """The screen stands, a tick has passed and was drawn."""
    app = pilot.app
    assert isinstance(app, DashboardApp)
    while not (isinstance(app.screen, Dashboard | WigglePage) and app.screen.query("KeyLine")):
        await pilot.pause(0.01)
    await app.workers.wait_for_complete()
    await pilot.pause()
    app.tick()
    await pilot.pause()


async def press(pilot: Pilot[Any], *keys: str) -> None:
    """Keys, and what they lead to."""
    await pilot.press(*keys)
    await settled(pilot)


def shown(app: DashboardApp) -> str:
    """The page's plain text."""
    assert isinstance(app.screen, WigglePage)
    return "\n".join(row.text.rstrip() for row in app.screen.query_one("#page", Canvas).lines)


def word(state: str, width: int = 76, rows: int = 7) -> str:
    """The large word's first row, as it stands in the page."""
    return large(state, width, rows)[0].strip()


def engine(at: float, *codes: str, raw: int = 0xFE) -> list[Frame]:
    """DM1 and coolant of engine 1."""
    return [coolant(at, raw), *dm1(at + 0.01, AMBER if codes else NO_LAMPS, *codes)]


@pytest.mark.parametrize("size", [(80, 24), (160, 48)])
async def test_x_watches_the_picked_fault(size: tuple[int, int]) -> None:
    """A word in block letters and the shape of a wire; makes and breaks counted, timed and logged; a bell on each."""
    bench = Bench(pump_job(30), 30)
    async with bench.app.run_test(size=size) as pilot:
        await settled(pilot)
        before = bench.rings
        await press(pilot, "x")
        width, rows = size[0] - 4, 7 if size[1] < 40 else 14
        text = shown(bench.app)
        flat = " ".join(text.split())
        assert "WIGGLE fault SPN 110 FMI 3 Engine Coolant Temperature 1: voltage above normal" in flat
        assert word("BROKEN", width, rows) in text
        assert "BROKEN: active" in flat
        assert "No make or break so far." in flat
        assert " ".join(CAUTION.split()) in flat
        assert bench.rings == before
        await bench.pass_s(pilot, 1, *engine(30.5))
        assert word("WHOLE", width, rows) in shown(bench.app)
        assert "make 1" in shown(bench.app)
        assert bench.rings == before + 1
        await bench.pass_s(pilot, 1, *engine(31.5, COOLANT_HIGH))
        assert word("BROKEN", width, rows) in shown(bench.app)
        log = [row for row in shown(bench.app).splitlines() if "━" in row]
        assert [row.split("  ")[0].strip() for row in log] == ["22:13:51.510", "22:13:50.510", "22:13:50.000"]
        assert ["BREAK 1" in log[0], "make 1" in log[1], "found broken" in log[2]] == [True] * 3
        assert bench.rings == before + 2
        assert "Last BREAK <1 s ago." in " ".join(shown(bench.app).split())
        await press(pilot, "escape")
        assert type(bench.app.screen) is Dashboard


async def test_tab_goes_on_to_the_reading_that_answers_at_once() -> None:
    """The fault's page recommends its reading; then every frame counts: error, number, a jump."""
    bench = Bench(pump_job(30), 30)
    async with bench.app.run_test(size=(80, 24)) as pilot:
        await settled(pilot)
        await press(pilot, "x")
        assert "Its reading answers at once: Tab watches that." in " ".join(shown(bench.app).split())
        await press(pilot, "tab")
        flat = " ".join(shown(bench.app).split())
        assert "WIGGLE reading SPN 110 Engine Coolant Temperature 1, engine 1" in flat
        assert "NOT KNOWN: " in flat
        assert word("NOT KNOWN") in shown(bench.app)
        assert "a jump of more than 5 degC" in flat
        frames = [coolant(at, raw) for at, raw in ((30.1, 0xFE), (30.2, 125), (30.25, 126), (30.29, 150))]
        await bench.pass_s(pilot, 0.3, *frames)
        log = bench.app.board.watch.log
        assert (log.breaks, log.makes, log.jumps) == (1, 2, 1)
        text = shown(bench.app)
        assert word("WHOLE") in text
        assert "jumped from 86 to 110 degC" in text
        await press(pilot, "left")
        assert "WIGGLE fault SPN 110" in shown(bench.app)
        await press(pilot, "left", "right", "right")
        assert "WIGGLE reading SPN 110" in shown(bench.app)


async def test_r_counts_anew() -> None:
    """From zero, from now."""
    bench = Bench(pump_job(30), 30)
    async with bench.app.run_test(size=(80, 24)) as pilot:
        await settled(pilot)
        await press(pilot, "x")
        await bench.pass_s(pilot, 1, *engine(30.5))
        assert bench.app.board.watch.log.makes == 1
        await press(pilot, "r")
        assert (bench.app.board.watch.log.makes, bench.app.board.watch.log.breaks) == (0, 0)
        assert "No make or break so far." in " ".join(shown(bench.app).split())


async def test_h_silences_the_bell_and_brings_it_back() -> None:
    """The page says which; nothing rings afterwards for what came meanwhile."""
    bench = Bench(pump_job(30), 30)
    async with bench.app.run_test(size=(80, 24)) as pilot:
        await settled(pilot)
        await press(pilot, "x", "h")
        assert "bell off, h: on" in shown(bench.app)
        before = bench.rings
        await bench.pass_s(pilot, 1, *engine(30.5))
        assert bench.rings == before
        await press(pilot, "h")
        assert "a bell on each, h: off" in shown(bench.app)
        assert bench.rings == before
        await bench.pass_s(pilot, 1, *engine(31.5, COOLANT_HIGH))
        assert bench.rings == before + 1


async def test_a_storm_rings_as_fast_as_a_terminal_can_and_counts_all() -> None:
    """Twenty changes in a tick are one bell; within a quarter of a second there is no second one."""
    bench = Bench(pump_job(30), 30)
    async with bench.app.run_test(size=(80, 24)) as pilot:
        await settled(pilot)
        await press(pilot, "x", "tab")
        before = bench.rings
        frames = [coolant(30 + at / 1000, 0xFE if at % 2 else 125) for at in range(1, 41)]
        await bench.pass_s(pilot, 0.1, *frames)
        assert bench.app.board.watch.log.breaks == 19
        assert bench.rings == before + 1
        await bench.pass_s(pilot, 0.1, coolant(30.15, 0xFE), coolant(30.16, 125))
        assert bench.rings == before + 1
        await bench.pass_s(pilot, 0.2)
        assert bench.rings == before + 2


async def test_one_event_rings_once() -> None:
    """A fault that is watched and new, with a red stop lamp: one bell; the fault is marked as unseen all the same."""
    bench = Bench(pump_job(30), 30)
    rung: list[int] = []
    bench.app.bell = lambda: rung.append(bench.clock.at_ns)  # type: ignore[method-assign]
    async with bench.app.run_test(size=(80, 24)) as pilot:
        await settled(pilot)
        await press(pilot, "x")
        await bench.pass_s(pilot, 1, *engine(30.5))
        assert len(rung) == 1
        await bench.pass_s(pilot, 20, *engine(50), coolant(50.4, 0xFE), *dm1(50.5, RED_AND_AMBER, COOLANT_HIGH))
        assert len(rung) == 2
        await bench.pass_s(pilot, 1)
        assert len(rung) == 2
        assert len(bench.app.board.attention.unseen) == 1


async def test_a_reading_that_broke_and_the_fault_that_follows_ring_once() -> None:
    """The controller makes a fault of it a second later: that is marked, not rung; another fault rings."""
    bench = Bench(pump_job(9), 9)
    async with bench.app.run_test(size=(80, 24)) as pilot:
        await settled(pilot)
        await press(pilot, "x")
        while "WIGGLE reading SPN 110" not in " ".join(shown(bench.app).split()):
            await press(pilot, "tab")
        await bench.pass_s(pilot, 1, coolant(9.5, 125))
        before = bench.rings
        await bench.pass_s(pilot, 1, coolant(10.2, 0xFE))
        assert bench.rings == before + 1
        await bench.pass_s(pilot, 1, coolant(11.2, 0xFE), *dm1(11.5, AMBER, COOLANT_HIGH))
        assert bench.rings == before + 1
        assert len(bench.app.board.attention.unseen) == 1
        await bench.pass_s(pilot, 1, coolant(12.2, 0xFE), *dm1(12.4, AMBER, COOLANT_HIGH, OIL_LOW))
        assert bench.rings == before + 2
        await press(pilot, "escape")
        for at in range(13, 25):
            await bench.pass_s(pilot, 1, *engine(at + 0.5, raw=125))
        await press(pilot, "a")
        await bench.pass_s(pilot, 1, *engine(25.5, COOLANT_HIGH))
        assert bench.rings == before + 3


async def test_it_goes_on_counting_behind_other_pages_without_a_bell() -> None:
    """Left and opened again for the same fault the counts are there; nothing rings for what came meanwhile."""
    bench = Bench(pump_job(30), 30)
    async with bench.app.run_test(size=(80, 24)) as pilot:
        await settled(pilot)
        await press(pilot, "x", "x")
        assert type(bench.app.screen) is Dashboard
        before = bench.rings
        await bench.pass_s(pilot, 1, *engine(30.5))
        assert bench.rings == before
        await press(pilot, "x")
        assert bench.app.board.watch.log.makes == 1
        assert bench.rings == before
        await press(pilot, "escape", "up", "x")
        assert "WIGGLE fault SPN 100 FMI 1" in shown(bench.app)
        assert bench.app.board.watch.log.makes == 0


async def test_nothing_to_watch_is_said() -> None:
    """Before the first frame."""
    bench = Bench([], 0)
    bench.feed.now_s = None
    async with bench.app.run_test(size=(80, 24)) as pilot:
        await settled(pilot)
        await press(pilot, "x")
        assert isinstance(bench.app.screen, Dashboard)
        assert any("Nothing to watch yet" in notice.message for notice in bench.app._notifications)


async def test_without_a_fault_a_reading_is_watched() -> None:
    """The first one on the screen that the bus carries."""
    bench = Bench(pump_job(5), 5)
    async with bench.app.run_test(size=(80, 24)) as pilot:
        await settled(pilot)
        await press(pilot, "x")
        assert "WIGGLE reading SPN 190 Engine Speed" in shown(bench.app)


async def test_a_lost_bus_is_no_broken_wire() -> None:
    """Not known while it lasts, and coming back is neither a make nor a break."""
    bench = Bench(pump_job(5), 5)
    async with bench.app.run_test(size=(80, 24)) as pilot:
        await settled(pilot)
        await press(pilot, "x", "tab")
        await bench.pass_s(pilot, 0.5, coolant(5.2, 125))
        assert bench.app.board.watch.state is Contact.WHOLE
        bench.feed.said = LIVE._replace(trouble="the adapter \x1b[2J is gone")
        await bench.pass_s(pilot, 20)
        assert word("NOT KNOWN") in shown(bench.app)
        assert "the bus is lost, the adapter ·[2J is gone" in " ".join(shown(bench.app).split())
        bench.feed.said = LIVE
        await bench.pass_s(pilot, 0.5, coolant(25.8, 125))
        log = bench.app.board.watch.log
        assert bench.app.board.watch.state is Contact.WHOLE
        assert (log.breaks, log.makes) == (0, 0)


async def test_no_frame_any_more_is_a_break() -> None:
    """Older than five of its usual intervals: ET1 comes once a second (SAE J1939-71, PGN 65262)."""
    bench = Bench(pump_job(5), 5)
    async with bench.app.run_test(size=(80, 24)) as pilot:
        await settled(pilot)
        await press(pilot, "x", "tab")
        await bench.pass_s(pilot, 0.5, coolant(5.2, 125))
        await bench.pass_s(pilot, 4.5)
        assert bench.app.board.watch.state is Contact.WHOLE
        await bench.pass_s(pilot, 0.4)
        assert bench.app.board.watch.state is Contact.BROKEN
        assert "stale: no frame" in shown(bench.app)


async def test_on_a_recording_it_counts_what_is_played_and_begins_anew_where_it_moved_back() -> None:
    """Played on the counts grow; moved back the page says that it counts from there."""
    clock = HandClock()
    frames = pump_job(20) + [one for at in range(20, 30) for one in engine(at, *([COOLANT_HIGH] * (at % 2)))]
    player = Player(Recording([FrameBlock.from_frames(frames)]), clock, "pump.log")
    player.seek(ns(15) - ns(0))
    player.toggle_pause()
    app = ReplayApp(player, LAYOUTS, {})
    async with app.run_test(size=(80, 24)) as pilot:
        await settled(pilot)
        player.seek(15_000_000_000)
        await settled(pilot)
        await press(pilot, "x")
        player.toggle_pause()
        clock.pass_s(10)
        await settled(pilot)
        log = app.board.watch.log
        assert log.makes >= 2
        assert "playing 1x" in shown(app)
        player.seek(12_000_000_000)
        await settled(pilot)
        assert "The recording moved back: counted anew from there." in " ".join(shown(app).split())
        assert app.board.watch.log.makes == 0


async def test_every_key_of_the_page_has_words_and_an_action() -> None:
    """None leads nowhere, no two share a key."""
    page = WigglePage(Board(StillFeed([], None), LAYOUTS, {}))
    bindings = [one for one in (*WigglePage.BINDINGS, *Page.BINDINGS) if isinstance(one, Binding)]
    keys = [key for binding in bindings for key in binding.key.split(",")]
    assert len(keys) == len(set(keys))
    assert set(keys) >= {"x", "escape", "q", "r", "h", "left", "right", "tab", "shift+tab"}
    for binding in bindings:
        assert binding.tooltip
        assert hasattr(page, f"action_{binding.action.partition('(')[0]}")


@pytest.mark.parametrize("state", list(Contact))
@pytest.mark.parametrize("size", [(20, 6), (40, 12), (78, 23), (158, 47), (250, 69)])
def test_any_size_is_filled_exactly_and_says_the_state(state: Contact, size: tuple[int, int]) -> None:
    """Rows and cells as asked for; the state is there as a word or in block letters."""
    log = ContactLog()
    for at in range(50):
        log.change(ns(at), Contact.BROKEN if at % 2 else Contact.WHOLE, f"text {at}")
    log.change(ns(60), state, "here")
    rows = wiggle_lines(Shown("WIGGLE what", state, log, "here", ["a note " * 20], "bell"), ns(70), ns(0), *size)
    assert len(rows) == size[1]
    assert {len(row.text) for row in rows} == {size[0]}
    name = {Contact.WHOLE: "WHOLE", Contact.BROKEN: "BROKEN", Contact.UNKNOWN: "NOT KNOWN"}[state]
    texts = [row.text for row in rows]
    assert any(name in text for text in texts) or any(
        all(any(line.strip() in text for text in texts) for line in large(name, width, height))
        for width, height in ((size[0] - 2, 7), (size[0] - 2, 14))
    )


def test_how_it_was_found_is_not_when_it_began() -> None:
    """A fault that was active before anybody looked; after the first change of its own it is."""
    log = ContactLog()
    log.change(ns(10), Contact.BROKEN, "active")
    shown = Shown("WIGGLE what", Contact.BROKEN, log, "active", [], "bell")
    text = " ".join(" ".join(row.text for row in wiggle_lines(shown, ns(12), ns(0), 78, 23)).split())
    assert "BROKEN: active, found so at 22:13:30.000, 2 s ago. No make or break so far." in text
    log.change(ns(20), Contact.WHOLE, "not active")
    shown = shown._replace(state=Contact.WHOLE, said="not active")
    text = " ".join(" ".join(row.text for row in wiggle_lines(shown, ns(27), ns(0), 78, 23)).split())
    assert "WHOLE: not active, since 22:13:40.000, for 7 s." in text


@pytest.mark.parametrize("size", [(38, 14), (58, 19), (78, 23)], ids=str)
@pytest.mark.parametrize("state", list(Contact))
def test_the_caution_goes_before_the_log(state: Contact, size: tuple[int, int]) -> None:
    """Whole, in the smallest window too: hands are at the engine while this page is open."""
    log = ContactLog()
    log.change(ns(10), state, "here")
    rows = wiggle_lines(Shown("WIGGLE what " * 9, state, log, "here", ["a note " * 9], "bell"), ns(70), ns(0), *size)
    assert CAUTION in " ".join(" ".join(row.text for row in rows).split())


@pytest.mark.parametrize(
    ("text", "width", "height", "rows"),
    [("WHOLE", 78, 7, 7), ("BROKEN", 78, 7, 7), ("NOT KNOWN", 78, 7, 4), ("BROKEN", 156, 14, 14), ("3", 2, 4, 1)],
)
def test_letters_are_as_large_as_there_is_room(text: str, width: int, height: int, rows: int) -> None:
    """Seven rows a scale, four in half blocks, else the text itself; never wider than asked for, all rows alike."""
    drawn = large(text, width, height)
    assert len(drawn) == rows
    assert len({len(row) for row in drawn}) == 1
    assert len(drawn[0]) <= width


def test_each_letter_looks_like_no_other() -> None:
    """All letters that the words and counts need are different."""
    letters = [tuple(large(char, 10, 7)) for char in "BEHKLNORTW0123456789"]
    assert len(set(letters)) == len(letters)
