"""The intake on a live watch: nothing is sent before the yes and after the end, and what was answered is shown.

The controllers are made up; what they send follows SAE J1939-73, section 5.7 (DM1, DM2), J1939-71 (VIN, PGN 65260) and
J1939-81 (address claim). Frames are counted at python-can's own driver object, and by a peer on the bus.
"""

from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager
from pathlib import Path
from time import monotonic

import can
import pytest
from textual.pilot import Pilot

from faultlamp.bus.listener import Listener
from faultlamp.bus.options import BusSettings
from faultlamp.bus.pump import LivePump
from faultlamp.bus.reconnect import Reconnecting
from faultlamp.bus.recorder import Recorder
from faultlamp.capture import Capture
from faultlamp.history.history import History
from faultlamp.j1939.participant.events import Message
from faultlamp.j1939.requests import Answer
from faultlamp.tui.app import DashboardApp
from faultlamp.tui.board import Board
from faultlamp.tui.canvas import Canvas
from faultlamp.tui.dashboard import Dashboard
from faultlamp.tui.intake.asker import Asker, Stage
from faultlamp.tui.intake.page import IntakePage
from faultlamp.tui.nodes.roster import roster
from faultlamp.tui.watching import LiveFeed
from support.controllers import Controller, Engine, LiveControllers, name, says, silent
from support.virtual_bus import note_sent, settings, unconfigured
from support.wire import document
from tui.scene import LAYOUTS, StillFeed, pump_job

__all__ = ["settings", "unconfigured"]

VIN = "INVENTEDPUMPSET01"
STORED = [(100, 1), (168, 18), (96, 3)]


def machine() -> tuple[Controller, ...]:
    """An engine with one active and three stored codes, by transport protocol; an exhaust controller that is busy."""
    engine = Engine(active=[(110, 3)], stored=STORED, answers={65260: f"{VIN}*".encode()})
    return engine, Controller(61, {65227: says(Answer.ACCESS_DENIED), 65260: silent})


class Scene:
    """A dashboard on a virtual bus, with who would ask there."""

    def __init__(self, settings: BusSettings, recording: Path | None, *, listen_only: bool = False) -> None:
        self.source = Reconnecting(lambda: Listener(settings))
        self.pump = LivePump(self.source, recorder=None if recording is None else Recorder(str(recording)))
        self.asker = Asker(self.source, "the test's bus", name(5, 129), LAYOUTS, listen_only=listen_only)
        self.board = Board(LiveFeed(self.pump, "the test's bus"), LAYOUTS, {})
        self.board.asker = self.asker
        self.app = DashboardApp(self.board)
        self.pump.start()

    def close(self) -> None:
        """As `watch` ends."""
        self.asker.close()
        self.pump.close()
        self.source.close()


@asynccontextmanager
async def watching(
    settings: BusSettings, recording: Path | None = None, *, listen_only: bool = False
) -> AsyncIterator[tuple[Scene, Pilot[None]]]:
    """The dashboard in a window of 100 by 40."""
    scene = Scene(settings, recording, listen_only=listen_only)
    try:
        async with scene.app.run_test(size=(100, 40)) as pilot:
            await until(pilot, lambda: isinstance(scene.app.screen, Dashboard))
            yield scene, pilot
    finally:
        scene.close()


async def until(pilot: Pilot[None], true: Callable[[], object]) -> None:
    """Wait for a thing to become so, 30 s at most."""
    end = monotonic() + 30
    while not true():
        assert monotonic() < end
        await pilot.pause(0.02)


def text(scene: Scene, canvas: str = "#page") -> str:
    """What a canvas of the present screen says, its rows joined."""
    rows = (row.text for one in scene.app.screen.query(canvas).results(Canvas) for row in one.lines)
    return " ".join(" ".join(rows).split())


def own_frames(peer: can.BusABC) -> int:
    """How many frames of address 249 the peer has heard since it was asked last."""
    heard = list(iter(lambda: peer.recv(0), None))
    return sum(message.arbitration_id & 0xFF == 249 for message in heard)


async def say_yes(pilot: Pilot[None]) -> None:
    """The clear yes."""
    await pilot.press("i")
    await pilot.pause()
    await pilot.press("tab", "enter")


@pytest.fixture
def peer(settings: BusSettings) -> Iterator[can.BusABC]:
    """Somebody else on the bus, who counts."""
    with can.Bus(interface="virtual", channel=settings.channel, ignore_config=True) as bus:
        yield bus


@pytest.mark.parametrize("keys", [
    pytest.param(["i"], id="opened and left open"),
    pytest.param(["i", "i"], id="the same key twice"),
    pytest.param(["i", "enter"], id="enter at once"),
    pytest.param(["i", "enter", "enter"], id="enter twice"),
    pytest.param(["i", "tab", "tab", "enter"], id="yes taken back"),
    pytest.param(["i", "tab", "escape", "i", "enter"], id="a yes of last time does not count"),
    pytest.param(["i", "d", "a", "escape"], id="keys of later pages"),
    pytest.param(["i", "tab", "i", "q"], id="left with yes chosen"),
])
async def test_nothing_is_sent_before_the_yes(
    settings: BusSettings, peer: can.BusABC, monkeypatch: pytest.MonkeyPatch, keys: list[str]
) -> None:
    """Whatever else is pressed on the page: no frame."""
    sent = note_sent(monkeypatch, peer)
    async with watching(settings) as (scene, pilot):
        for key in keys:
            await pilot.press(key)
            await pilot.pause()
        await pilot.pause(0.3)
        assert scene.asker.stage is Stage.NOT_ASKED
    assert sent == []
    assert peer.recv(0) is None


async def test_the_page_says_what_the_yes_is_about(settings: BusSettings) -> None:
    """What, to whom, how often, on which bus, and the caution, without scrolling at 80 by 24."""
    async with watching(settings) as (scene, pilot):
        with LiveControllers(str(settings.channel), Engine(rpm=1500.0)):
            await until(pilot, lambda: scene.board.job.nodes.nodes)
            await pilot.resize_terminal(80, 24)
            await pilot.press("i")
            await until(pilot, lambda: "engine speed 1500 rpm" in text(scene))
            said = text(scene)
            for words in (
                "nothing has been sent yet", "a claim of address 249", "identity, hours, stored and other codes",
                "Nothing is cleared, no test is started", "heard so far: engine 1", "one question at a time, 50 ms",
                "the test's bus", "vehicle speed 0.00 km/h", "Only a machine that stands",
            ):
                assert words in said
            assert text(scene, "#choice").startswith("▸[ No, send nothing ] [ Yes, ask now ]")
            page = scene.app.screen.query_one("#page", Canvas)
            assert len(page.lines) <= 21
            assert scene.board.asker is not None
            assert not scene.board.asker.busy


async def test_an_intake_from_yes_to_who_is_who(
    settings: BusSettings, peer: can.BusABC, tmp_path: Path
) -> None:
    """Lanes get the stored codes, the page the rest; the recording replays to the same; silence afterwards."""
    recording = tmp_path / "job.log"
    async with watching(settings, recording) as (scene, pilot):
        with LiveControllers(str(settings.channel), *machine()):
            await until(pilot, lambda: len(scene.board.lanes) == 1)
            await say_yes(pilot)
            await until(pilot, lambda: scene.asker.stage is Stage.ASKING)
            scene.app.tick()
            assert "ASKING transmits" in text(scene)
            await pilot.press("q")
            scene.app.tick()
            assert "TRANSMITS" in text(scene, "#status")
            assert "sends nothing" not in text(scene, "#status")
            await until(pilot, lambda: scene.asker.stage is Stage.OVER)
            assert scene.asker.trouble == ""
            sent = scene.asker.progress.sent
            # Three stored codes take three packets: they can only have come by transport protocol.
            await until(pilot, lambda: len(scene.board.lanes) == 4)
            stored = {(lane.fault.spn, lane.fault.fmi) for lane in scene.board.lanes}
            assert stored == {(110, 3), *STORED}
            scene.app.tick()
            assert "sends nothing" in text(scene, "#status")
            await pilot.press("i")
            scene.app.tick()
            said = text(scene)
            for words in (
                "WHO IS WHO", f"VIN {VIN} (Engine 1)", "Codes 1 active, 3 stored", "ENGINE 1 address 0",
                "Stored DM2 SPN 100 FMI 1", "EXHAUST EMISSION CONTROLLER address 61", "Access denied DM2",
                "No answer VIN", "Refused component",
            ):
                assert words in said, said
            await pilot.press("d")
            scene.app.tick()
            assert f"Vehicle identification vin: {VIN}" in text(scene)
            assert own_frames(peer) == sent
            # Who still took part would have to answer: a request to everybody for address claims (SAE J1939-81).
            peer.send(can.Message(arbitration_id=0x18EAFF00, data=bytes.fromhex("00EE00")))
            await pilot.pause(0.5)
            assert own_frames(peer) == 0
        scene.pump.close()
        scene.board.tick()
        live = document(scene.board.job.history)
    replayed = History()
    for block in Capture([str(recording)]).blocks():
        replayed.feed_block(block)
    lines = recording.read_text().splitlines()
    assert sum("F9#" in line for line in lines) == sent
    assert document(replayed) == live


async def test_escape_stops_at_once_and_keeps_what_was_answered(settings: BusSettings) -> None:
    """After the stop nothing leaves; `a` asks for another yes."""
    async with watching(settings) as (scene, pilot):
        with LiveControllers(str(settings.channel), *machine()):
            await until(pilot, lambda: scene.board.lanes)
            await say_yes(pilot)
            await until(pilot, lambda: scene.asker.progress.done >= 4)
            await pilot.press("escape")
            sent = scene.asker.progress.sent
            await until(pilot, lambda: scene.asker.stage is Stage.OVER)
            await pilot.pause(0.5)
            # A frame may have been on its way when the key was pressed.
            assert scene.asker.progress.sent - sent <= 1
            scene.app.tick()
            assert "stopped by you" in text(scene)
            assert f"VIN {VIN}" in text(scene)
            assert isinstance(scene.app.screen, IntakePage)
            await pilot.press("a", "a", "i")
            await pilot.pause()
            assert scene.asker.count == 1
            await pilot.press("i", "a", "tab", "enter")
            await until(pilot, lambda: scene.asker.count == 2)
        assert scene.asker.busy
    assert scene.asker.stage is Stage.OVER


@pytest.mark.parametrize("leave", [False, True], ids=["Esc", "left"])
async def test_a_transfer_under_way_is_aborted(settings: BusSettings, peer: can.BusABC, leave: bool) -> None:
    """RTS, our CTS, then a stop: an abort to the sender, and nothing else (SAE J1939-21, section 5.10.2)."""

    def begins(controller: Controller, message: Message, pgn: int) -> None:
        rts = bytes((16, 20, 0, 3, 255)) + pgn.to_bytes(3, "little")
        controller.put(0xEC00, message.source, rts)

    def told() -> list[tuple[int, bytes]]:
        """Destination and data of the connection management that address 249 sends."""
        while (message := peer.recv(0)) is not None:
            if message.arbitration_id & 0xFFFF00FF == 0x1CEC00F9:
                heard.append((message.arbitration_id >> 8 & 0xFF, bytes(message.data)))
        return heard

    heard: list[tuple[int, bytes]] = []
    with LiveControllers(str(settings.channel), Controller(0, {65227: begins, 65260: begins, 65259: begins})):
        async with watching(settings) as (scene, pilot):
            await say_yes(pilot)
            await until(pilot, told)
            if not leave:
                await pilot.press("escape")
                await until(pilot, lambda: scene.asker.stage is Stage.OVER)
        cts, *rest = told()
    assert cts[0] == 0
    assert cts[1][0] == 17
    [(to, abort)] = rest
    assert to == 0
    assert abort[0] == 255
    assert abort[5:] == cts[1][5:]


async def test_leaving_the_dashboard_ends_the_asking(settings: BusSettings) -> None:
    """As Esc does."""
    async with watching(settings) as (scene, pilot):
        await say_yes(pilot)
        await until(pilot, lambda: scene.asker.progress.sent)
    assert scene.asker.stage is Stage.OVER
    assert not scene.asker.busy


async def test_nobody_there_is_said(settings: BusSettings) -> None:
    """An empty bus: what to check."""
    async with watching(settings) as (scene, pilot):
        await say_yes(pilot)
        await until(pilot, lambda: scene.asker.stage is Stage.OVER)
        scene.app.tick()
        assert "nobody was heard" in text(scene)
        assert "Nobody answered. Key on?" in text(scene)


async def test_listen_only_refuses(
    settings: BusSettings, peer: can.BusABC, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The key says so, and nothing that is pressed after it sends."""
    sent = note_sent(monkeypatch, peer)
    async with watching(settings, listen_only=True) as (scene, pilot):
        await pilot.press("i", "tab", "enter")
        await pilot.pause(0.2)
        assert isinstance(scene.app.screen, Dashboard)
        assert [note.message for note in scene.app._notifications][:1] == [
            "--listen-only: nothing is ever sent, so nobody is asked. Start watch without it to ask."
        ]
        scene.asker.start()
        assert scene.asker.stage is Stage.NOT_ASKED
    assert sent == []


async def test_an_adapter_that_may_only_listen_offers_no_yes(settings: BusSettings) -> None:
    """Why, in place of what would be sent; Enter goes back."""
    async with watching(settings) as (scene, pilot):
        scene.asker.objection = lambda: "can0 is in listen-only mode, so nothing can be asked"
        await pilot.press("i")
        scene.app.tick()
        assert "Cannot ask: can0 is in listen-only mode" in text(scene)
        assert "Yes" not in text(scene, "#choice")
        await pilot.press("tab", "enter")
        await pilot.pause()
        assert isinstance(scene.app.screen, Dashboard)
        assert scene.asker.stage is Stage.NOT_ASKED


async def test_a_replay_has_nobody_to_ask() -> None:
    """The key says so."""
    app = DashboardApp(Board(StillFeed(pump_job(30), 30), LAYOUTS, {}))
    async with app.run_test(size=(80, 24)) as pilot:
        await until(pilot, lambda: isinstance(app.screen, Dashboard))
        await pilot.press("i")
        await pilot.pause()
        assert isinstance(app.screen, Dashboard)
        assert any("there is nobody to ask" in note.message for note in app._notifications)


async def test_a_click_chooses_and_another_one_does_it(settings: BusSettings) -> None:
    """One click on the yes sends nothing."""
    async with watching(settings) as (scene, pilot):
        await pilot.press("i")
        await pilot.pause(0.2)
        assert await pilot.click("#choice", offset=(28, 0))
        await pilot.pause()
        assert scene.asker.count == 0
        assert text(scene, "#choice").startswith("[ No, send nothing ] ▸[ Yes, ask now ]")
        await pilot.click("#choice", offset=(28, 0))
        await until(pilot, lambda: scene.asker.count == 1)


async def test_the_service_tool_is_missed_by_nobody(settings: BusSettings) -> None:
    """After the intake the page of the bus does not call faultlamp silent, nor warn of it before the next one."""
    async with watching(settings) as (scene, pilot):
        with LiveControllers(str(settings.channel), *machine()):
            await until(pilot, lambda: scene.board.lanes)
            await say_yes(pilot)
            await until(pilot, lambda: scene.asker.stage is Stage.OVER)
            await pilot.press("a")
            await pilot.pause(0.2)
            assert "Another tool was heard" not in text(scene)
            await pilot.press("escape")
            later_ns = (scene.board.now_ns or 0) + 60_000_000_000
            entries = {entry.source_address: entry for entry in roster(scene.board.job, later_ns).entries}
            assert entries[0].missing
            assert not entries[249].missing
