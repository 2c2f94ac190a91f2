"""Live and replayed the same: a recording sent over a bus, and the same recording opened, end in the same picture.

Different are, and may be: the status line, the words 'live' and 'as recorded', and the marks of faults that nobody has
acknowledged, of which a jump to the end of a recording makes none. The frames are the invented pump set's; python-can's
virtual bus carries them with their own stamps, and no time passes after the last one.
"""

import re
from time import monotonic

import can
import pytest
from textual.pilot import Pilot

from faultlamp.bus.listener import Listener
from faultlamp.bus.options import BusSettings
from faultlamp.bus.pump import LivePump
from faultlamp.bus.reconnect import Reconnecting
from faultlamp.frames import Frame, FrameBlock
from faultlamp.tui.app import DashboardApp
from faultlamp.tui.board import Board
from faultlamp.tui.canvas import Canvas
from faultlamp.tui.dashboard import Dashboard
from faultlamp.tui.findings.page import ChecksPage
from faultlamp.tui.lanes.table import label_width
from faultlamp.tui.replay.player import Player
from faultlamp.tui.replay.recording import Recording
from faultlamp.tui.replay.run import ReplayApp
from faultlamp.tui.watching import LiveFeed
from support.virtual_bus import settings, unconfigured
from tui.scene import AMBER, LAYOUTS, NO_LAMPS, RED_AND_AMBER, HandClock, dm1, second

__all__ = ["settings", "unconfigured"]

# SPN 110 FMI 3, SPN 100 FMI 4, SPN 3509 FMI 4 (a sensor supply), SPN 177 FMI 0: SAE J1939-73, section 5.7.1.
SUPPLY = ("6E000301", "64000401", "B50D0401")
HOT_OIL = "B1000001"


def job() -> list[Frame]:
    """Three electrical faults at once, one that comes and goes; a transmission that asks for the red stop lamp."""
    frames: list[Frame] = []
    for at in range(40):
        codes = [*SUPPLY] * (at >= 20) + ["BE000201"] * (12 <= at < 15)
        frames += second(at, lamps=AMBER if codes else NO_LAMPS, codes=codes, coolant_raw=0xFE if at >= 20 else 125)
        red = at >= 30
        frames += dm1(at + 0.4, RED_AND_AMBER if red else NO_LAMPS, *[HOT_OIL] * red, source="03")
        frames += dm1(at + 0.45, NO_LAMPS, source="0B")
    return sorted(frames, key=lambda one: one.time_ns)


async def picture(pilot: Pilot[None], app: DashboardApp) -> dict[str, list[str]]:
    """The bands and the page of findings as text, without what is allowed to differ."""
    board = app.board
    # Common causes are looked for at most once a second.
    looked_until = monotonic() + 1.2
    while monotonic() < looked_until:
        board.causes.look(board.job, board.now_ns)
        await pilot.pause(0.05)
    app.tick()
    shown = {
        name: [row.text.rstrip() for row in app.screen.query_one(f"#{name}", Canvas).lines]
        for name in ("head", "readings", "lanes")
    }
    shown["readings"] = [re.sub(r"live|as recorded at [\d:.]+| *[▁▂▃▄▅▆▇█]{6,}", "-", row) for row in shown["readings"]]
    await pilot.press("c")
    while not (isinstance(app.screen, ChecksPage) and app.screen.query_one("#page", Canvas).lines):
        await pilot.pause(0.01)
    app.tick()
    page = [row.text.rstrip() for row in app.screen.query_one("#page", Canvas).lines]
    shown["findings"] = page[: page.index("DO THE READINGS AGREE?")]
    await pilot.press("escape")
    return shown


async def live(settings: BusSettings, frames: list[Frame], size: tuple[int, int]) -> dict[str, list[str]]:
    """Sent over a bus, heard by the dashboard."""
    source = Reconnecting(lambda: Listener(settings))
    pump = LivePump(source, clock=HandClock())
    app = DashboardApp(Board(LiveFeed(pump, "the test's bus"), LAYOUTS, {}))
    pump.start()
    try:
        async with app.run_test(size=size) as pilot:
            await stands(pilot, app)
            with can.Bus(
                interface="virtual", channel=settings.channel, ignore_config=True, preserve_timestamps=True
            ) as peer:
                for each in frames:
                    peer.send(can.Message(each.time_ns / 1e9, each.can_id, True, data=each.data))
                end = monotonic() + 20
                while pump.frames < len(frames):
                    assert monotonic() < end
                    await pilot.pause(0.01)
                app.tick()
                app.board.attention.acknowledge()
                return await picture(pilot, app)
    finally:
        pump.close()
        source.close()


async def replayed(frames: list[Frame], size: tuple[int, int]) -> dict[str, list[str]]:
    """Opened, at its end."""
    player = Player(Recording([FrameBlock.from_frames(frames)]), HandClock(), "pump.log")
    app = ReplayApp(player, LAYOUTS, {})
    async with app.run_test(size=size) as pilot:
        await stands(pilot, app)
        await pilot.press("end")
        while not app.board.lanes:
            await pilot.pause(0.01)
        return await picture(pilot, app)


async def stands(pilot: Pilot[None], app: DashboardApp) -> None:
    """The dashboard is there."""
    while not (isinstance(app.screen, Dashboard) and app.screen.query("KeyLine")):
        await pilot.pause(0.01)


@pytest.mark.parametrize("size", [(80, 24), (160, 48)], ids=lambda size: f"{size[0]}x{size[1]}")
async def test_the_same_recording_live_and_replayed(settings: BusSettings, size: tuple[int, int]) -> None:
    """Sentence, lamps, readings, lanes with their bars, and findings are the same."""
    frames = job()
    on_bus, opened = await live(settings, frames, size), await replayed(frames, size)
    assert "asks for the red stop lamp" in " ".join(" ".join(opened["head"]).split())
    assert sum(row[1:2] == "●" for row in opened["lanes"]) == 4
    assert "Sensor Supply Voltage 1" in " ".join(opened["findings"])
    left = label_width(size[0])
    assert any("▐" in row[left:] for row in opened["lanes"])
    for name, rows in opened.items():
        assert on_bus[name] == rows, name
