"""What calls for attention, and what does not: bell, flash, marks of what nobody has acknowledged.

The flash obeys WCAG 2.1, success criterion 2.3.1: at most three in any second.
"""

import pytest

from faultlamp.frames import Frame, FrameBlock
from faultlamp.tui.app import DashboardApp
from faultlamp.tui.attention import EVERY_NS, FLASH_NS, MOST_ALARMS
from faultlamp.tui.board import Board
from faultlamp.tui.paint import Role
from faultlamp.tui.replay.player import Player
from faultlamp.tui.replay.recording import Recording
from faultlamp.tui.times import NS_PER_S
from tui.scene import (
    AMBER,
    COOLANT_HIGH,
    LAYOUTS,
    NO_LAMPS,
    OIL_LOW,
    RED_AND_AMBER,
    HandClock,
    StillFeed,
    dm1,
    pump_job,
    rpm,
)


class Live:
    """A board that hears what it is told, second by second; the first second has been heard."""

    def __init__(self) -> None:
        self.clock = HandClock()
        self.feed = StillFeed(dm1(0, NO_LAMPS), 0)
        self.board = Board(self.feed, LAYOUTS, {}, clock=self.clock)
        self.board.tick()

    def hear(self, at_s: float, *frames: Frame) -> int:
        """Frames up to that second; how often it rang at that."""
        self.clock.at_ns = round(at_s * NS_PER_S)
        self.feed.pending = [FrameBlock.from_frames(frames)] if frames else []
        self.feed.now_s = at_s
        self.board.tick()
        return int(self.board.attention.take_bell())


def test_a_new_fault_rings_once_and_is_marked_until_it_is_acknowledged() -> None:
    """The mark goes, the fault stays."""
    live = Live()
    assert live.hear(10, *dm1(10, AMBER, COOLANT_HIGH)) == 1
    assert sum(live.hear(at, *dm1(at, AMBER, COOLANT_HIGH)) for at in range(11, 60)) == 0
    rows = [row.text for row in live.board.lanes_band(80, 10)]
    assert rows[3].startswith("▸●◆Engine 1  !110/3")
    assert "1 active, 0 earlier, 1 unseen (!), following" in rows[0]
    assert live.board.attention.acknowledge() == 1
    rows = [row.text for row in live.board.lanes_band(80, 10)]
    assert rows[3].startswith("▸●◆Engine 1   110/3")
    assert "1 active, 0 earlier, following" in rows[0]


def test_what_was_there_before_is_no_news() -> None:
    """Neither fault nor lamp of the first seconds."""
    live = Live()
    assert live.hear(1, *dm1(1, RED_AND_AMBER, COOLANT_HIGH)) == 0
    assert sum(live.hear(at, *dm1(at, RED_AND_AMBER, COOLANT_HIGH)) for at in range(2, 30)) == 0
    assert not live.board.attention.unseen


def test_a_fault_that_only_was_not_heard_is_no_news() -> None:
    """Key off and on, or a lost bus: no DM1 for five seconds is a silence (SAE J1939-73, section 5.7.1)."""
    live = Live()
    live.hear(1, *dm1(1, AMBER, COOLANT_HIGH))
    live.hear(20)
    assert live.hear(30, *dm1(30, AMBER, COOLANT_HIGH)) == 0
    assert live.hear(31, *dm1(31, NO_LAMPS)) == 0
    assert live.hear(32, *dm1(32, AMBER, COOLANT_HIGH)) == 1


def test_a_storm_does_not_ring_for_ever() -> None:
    """Another fault each second for ten minutes: five bells, ten seconds apart; acknowledged, five more."""
    live = Live()
    rung = []
    for at in range(10, 610):
        code = ((at + 1000) | 3 << 16 | 1 << 24).to_bytes(4, "little").hex()
        if live.hear(at, *dm1(at, AMBER, code)):
            rung.append(at)
    assert rung == [10, 20, 30, 40, 50]
    assert len(rung) == MOST_ALARMS
    assert rung[1] - rung[0] == EVERY_NS / NS_PER_S
    assert live.board.attention.resting
    assert "bell rests until a is pressed" in live.board.status(160).text
    live.board.attention.acknowledge()
    assert live.hear(700, *dm1(700, AMBER, OIL_LOW)) == 1


def test_a_fault_that_comes_and_goes_rings_once_until_it_is_acknowledged() -> None:
    """The mark that stands already says it."""
    live = Live()
    rung = sum(
        live.hear(at, *dm1(at, AMBER if at % 2 else NO_LAMPS, *[COOLANT_HIGH] * (at % 2))) for at in range(10, 200)
    )
    assert rung == 1


@pytest.mark.parametrize(
    ("codes", "rings_at"),
    [pytest.param([OIL_LOW], 10, id="with a fault"), pytest.param([], 15, id="without, if it stays")],
)
def test_a_new_red_stop_lamp(codes: list[str], rings_at: int) -> None:
    """At once beside a fault; alone only when it is no lamp test (common practice, no source)."""
    live = Live()
    rung = [at for at in range(10, 40) if live.hear(at, *dm1(at, "10FF", *codes))]
    assert rung == [rings_at]


def test_a_lamp_test_is_silent() -> None:
    """All lamps for three seconds at key on, no fault (common practice, no source)."""
    live = Live()
    assert sum(live.hear(at, *dm1(at, "55FF" if 10 <= at < 13 else NO_LAMPS)) for at in range(5, 40)) == 0


def test_a_fault_and_its_red_lamp_ring_once_together() -> None:
    """One alarm for what comes at once."""
    live = Live()
    assert live.hear(10, *dm1(10, RED_AND_AMBER, OIL_LOW)) == 1
    assert sum(live.hear(at, *dm1(at, RED_AND_AMBER, OIL_LOW)) for at in range(11, 40)) == 0


def test_the_flash_is_slow_short_and_ends_with_the_acknowledgement() -> None:
    """Looked at each hundredth of a second: its changes are at least a second apart, and after five it is over."""
    live = Live()
    live.hear(10, *dm1(10, AMBER, COOLANT_HIGH))
    shown = []
    for hundredth in range(1000):
        live.clock.at_ns = 10 * NS_PER_S + hundredth * NS_PER_S // 100
        shown.append(live.board.attention.lit(live.clock.at_ns))
    changes = [at for at in range(1, 1000) if shown[at] != shown[at - 1]]
    assert shown[0]
    assert changes == [100, 200, 300, 400, 500]
    assert FLASH_NS == 5 * NS_PER_S
    live.clock.at_ns = 10 * NS_PER_S
    assert live.board.head(80, 24)[0].ground is Role.CURSOR
    live.board.attention.acknowledge()
    assert live.board.head(80, 24)[0].ground is not Role.CURSOR
    assert "1 active fault" in live.board.head(80, 24)[0].text


def test_muted_it_flashes_without_a_bell() -> None:
    """And says so in the status line."""
    live = Live()
    live.board.attention.muted = True
    assert live.hear(10, *dm1(10, AMBER, COOLANT_HIGH)) == 0
    assert live.board.attention.lit(live.clock.at_ns)
    assert "bell off" in live.board.status(160).text


async def test_the_keys_of_attention_and_the_real_bell(monkeypatch: pytest.MonkeyPatch) -> None:
    """The terminal's bell once; a acknowledges; h silences and says so."""
    feed = StillFeed(pump_job(3), 3)
    app = DashboardApp(Board(feed, LAYOUTS, {}))
    rung: list[int] = []
    monkeypatch.setattr(app, "bell", lambda: rung.append(1))
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        app.tick()
        feed.pending, feed.now_s = [FrameBlock.from_frames([*dm1(12, AMBER, COOLANT_HIGH), rpm(12, 800)])], 12
        app.tick()
        app.tick()
        assert len(rung) == 1
        assert len(app.board.attention.unseen) == 1
        await pilot.press("a")
        assert not app.board.attention.unseen
        assert len(app.board.shown_lanes) == 1
        assert any("1 fault marked as seen; nothing is hidden." in notice.message for notice in app._notifications)
        await pilot.press("a", "h")
        assert app.board.attention.muted
        assert any("Nothing was unseen." in notice.message for notice in app._notifications)
        assert "no bell" in app.board.status(80).text
        await pilot.press("h")
        assert not app.board.attention.muted


def test_seeking_in_a_recording_is_no_news_but_playing_is() -> None:
    """A jump over both faults is silent; played, the first one rings."""
    clock = HandClock()
    player = Player(Recording([FrameBlock.from_frames(pump_job(30))]), clock, "pump.log")
    board = Board(player, LAYOUTS, {}, clock=clock)
    player.end()
    board.tick(jumped=True)
    assert len(board.lanes) == 2
    assert not board.attention.take_bell()
    assert not board.attention.unseen
    player.home()
    player.toggle_pause()
    board.tick(jumped=True)
    if player.paused:
        player.toggle_pause()
    rung = []
    for _ in range(120):
        clock.pass_s(0.125)
        board.tick()
        if board.attention.take_bell():
            rung.append(player.elapsed_ns // NS_PER_S)
    assert rung == [10]
    assert len(board.attention.unseen) == 1
