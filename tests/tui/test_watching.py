"""The live feed says what the pump knows: frames, time, losses, recording, why it ended."""

import errno
import os
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path
from queue import Empty, Queue
from time import monotonic, sleep

import pytest
from textual.pilot import Pilot

from faultlamp.bus.log_file import LogFile
from faultlamp.bus.pump import LivePump
from faultlamp.bus.reconnect import BusLost
from faultlamp.bus.recorder import Recorder
from faultlamp.errors import BusError
from faultlamp.frames import ERROR, Frame
from faultlamp.frames.load import Bits
from faultlamp.j1939.transport import TransportCounts
from faultlamp.tui.app import DashboardApp
from faultlamp.tui.board import Board
from faultlamp.tui.canvas import Canvas
from faultlamp.tui.meter import Traffic
from faultlamp.tui.status import status_line
from faultlamp.tui.watching import LiveFeed
from support.wire import document, document_by_rows
from tui.scene import LAYOUTS, pump_job, second


class Source:
    """A bus that delivers what it is given, then an error when told to; once lost it stays so until more comes."""

    def __init__(self) -> None:
        self.steps: Queue[list[Frame] | BusError] = Queue()
        self.dropped = 0
        self.lost: BusLost | None = None

    def read(self, timeout_s: float) -> list[Frame]:
        """The next delivery, or nothing after a moment."""
        try:
            step = self.steps.get(timeout=min(timeout_s, 0.01))
        except Empty:
            if self.lost is not None:
                raise self.lost from None
            return []
        self.lost = step if isinstance(step, BusLost) else None
        if isinstance(step, BusError):
            raise step
        return step


def until(true: Callable[[], object], what: str, look: Callable[[], object] = lambda: None) -> None:
    """Wait for a thing to become so, ten seconds at most, looking each time."""
    end = monotonic() + 10
    while not true():
        assert monotonic() < end, what
        look()
        sleep(0.01)


@asynccontextmanager
async def watched() -> AsyncIterator[tuple[Source, LivePump, DashboardApp, Pilot[None]]]:
    """A dashboard of 80x24 on a source with half a minute of the job to deliver."""
    source = Source()
    pump = LivePump(source)
    app = DashboardApp(Board(LiveFeed(pump, "can0 (virtual)"), LAYOUTS, {}))
    pump.start()
    try:
        async with app.run_test(size=(80, 24)) as pilot:
            source.steps.put(pump_job(30))
            yield source, pump, app, pilot
    finally:
        pump.close()


def canvas(app: DashboardApp, name: str) -> str:
    """What a band of the screen says."""
    return "\n".join(row.text for row in app.screen.query_one(name, Canvas).lines)


def test_a_live_watch_leads_to_the_same_history_as_the_frames_themselves() -> None:
    """Nothing is lost or judged too early on the way through pump, feed and board."""
    source, frames = Source(), pump_job(30)
    pump = LivePump(source)
    board = Board(LiveFeed(pump, "can0 (virtual)"), LAYOUTS, {})
    pump.start()
    try:
        for at in range(0, len(frames), 50):
            source.steps.put(frames[at : at + 50])
            board.tick()
        until(lambda: pump.frames == len(frames), "all frames read")
        board.tick()
    finally:
        pump.close()
    assert document(board.job.history) == document_by_rows(frames)


def test_the_status_line_tells_of_recording_and_losses(tmp_path: Path) -> None:
    """The file and its size, and frames that were lost on the way."""
    source = Source()
    pump = LivePump(source, recorder=Recorder(str(tmp_path / "job.log")))
    feed = LiveFeed(pump, "can0 (virtual)")
    pump.start()
    source.steps.put(pump_job(30))
    until(lambda: pump.frames, "frames read")
    pump.close()
    source.dropped = 12
    status = feed.status()
    assert (status.live, status.source, status.mode) == (True, "can0 (virtual)", "listening only, nothing is sent")
    assert status.notes == ("adapter open, 12 frames lost, computer too slow", "recording job.log 0.0 MB")
    assert status.short_notes == ("open, 12 lost", "rec 0.0 MB")
    assert (status.trouble, status.wrong) == ("", True)


def test_what_is_fine_is_said_too() -> None:
    """Adapter, losses and recording are never left to be guessed, at 80 columns too."""
    mode = "only listens, acknowledges nothing", "only listens"
    feed = LiveFeed(LivePump(Source()), "can0 (slcan) at 250000 bit/s", mode=lambda: mode)
    status = feed.status()
    assert status.notes == ("adapter open, nothing lost", "not recording")
    assert not status.wrong
    # Full 29-bit frames, 131 bits each and a tenth for stuffing (ISO 11898-1): 1812 a second are 261.1 kbit/s.
    traffic = Traffic(1812.0, Bits(2 * 1812 * 131, 2 * 1812 * 160), 2.0)
    wide = status_line(status, traffic, TransportCounts(), 160).text.rstrip()
    assert wide == (
        " can0 (slcan) at 250000 bit/s │ only listens, acknowledges nothing │ 1812 frames/s, 261 kbit/s "
        "│ adapter open, nothing lost │ not recording"
    )
    narrow = status_line(status, traffic, TransportCounts(), 80).text.rstrip()
    assert narrow == " can0 (slcan)… │ only listens │ 1812/s, 261 kbit/s │ open, nothing lost │ no rec"


def test_everything_that_is_amiss_at_once() -> None:
    """Gaps, losses, garble, error frames: counted in words, and in fewer words."""
    source = Source()
    source.dropped = 5
    pump = LivePump(source, clock=lambda: 0)
    feed = LiveFeed(pump, "can0 (slcan)", garbled=lambda: 3)
    pump._keep([replace(pump_job(1)[0], flags=ERROR)], 0)
    for _ in range(2):
        pump._lose("the interface is down")
        pump._find()
    pump._lose("the interface is down")
    status = feed.status()
    assert status.notes[0] == "ADAPTER LOST, 3 gaps, 5 frames lost, computer too slow, 3 garbled, 1 error frame"
    assert status.short_notes[0] == "LOST, 3 gaps, 5 lost, 3 garbled, 1 err"
    assert status.trouble == "bus lost 0.0 s ago, trying again; the interface is down"
    assert len(status.gaps) == 3


def test_a_recording_that_ended_is_said_in_the_sentence(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A full disk: the watching goes on, and why there is no recording any more stands on top."""

    def full(_: LogFile, __: bytes) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(LogFile, "append", full)
    source, frames = Source(), pump_job(30)
    recorder = Recorder(str(tmp_path / "job.log"))
    pump = LivePump(source, recorder=recorder)
    board = Board(LiveFeed(pump, "can0 (virtual)"), LAYOUTS, {})
    pump.start()
    try:
        source.steps.put(frames)
        until(lambda: recorder.error is not None, "the disk is full")
        until(lambda: pump.frames == len(frames), "all frames read")
        board.tick()
    finally:
        pump.close()
    head = " ".join(row.text.strip() for row in board.head(80, 24)[:3])
    assert "Running at 1500 rpm, 2 active faults." in head
    assert "Recording ended: No space left on device; watching goes on." in head
    assert "REC ENDED" in board.status(80).text
    assert document(board.job.history) == document_by_rows(frames)


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
async def test_an_adapter_that_goes_and_comes_back() -> None:
    """The reason stands in the sentence within a second; faults and lanes remain; afterwards the gap is marked."""
    async with watched() as (source, _, app, pilot):
        source.steps.put(BusLost("cannot read from can0 (socketcan): the interface is down; bring it up"))
        began = monotonic()
        until(lambda: "Not listening now: bus lost" in canvas(app, "#head"), "the loss", app.tick)
        assert monotonic() - began < 1
        assert "trying again; cannot read from can0" in canvas(app, "#head").replace("\n ", " ")
        assert "LOST, 1 gap" in canvas(app, "#status")
        assert len(app.board.lanes) == 2
        source.steps.put(second(33))
        until(lambda: "Running" in canvas(app, "#head"), "the bus again", app.tick)
        assert "open, 1 gap" in canvas(app, "#status")
        await pilot.pause()
        rows = canvas(app, "#lanes").splitlines()
        assert "░ not heard" in rows[2]
        assert all("░" in row for row in rows[2:5])
        await pilot.press("enter")
        app.tick()
        await pilot.pause()
        page = " ".join(" ".join(row.text for row in app.screen.query_one("#page", Canvas).lines).split())
        assert "but for 1 gap in which the bus was lost" in page
        assert "up to 1500 rpm, then not heard: the bus was lost" in page
        assert app.is_running


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
async def test_a_source_that_fails_for_good_is_said_so_and_the_dashboard_stays() -> None:
    """The reason stands in the sentence; faults and lanes remain to be read."""
    async with watched() as (source, pump, app, pilot):
        source.steps.put(BusError("can0: the adapter has gone; plug it in and start again"))
        until(lambda: pump.error, "the error")
        app.tick()
        await pilot.pause()
        head = app.board.head(80, 24)[0].text
        assert head.startswith(" Not listening now: can0: the adapter has gone")
        assert len(app.board.lanes) == 2
        assert app.is_running


def test_before_anything_was_heard_the_sentence_leads_to_the_checks() -> None:
    """There is no present moment yet."""
    feed = LiveFeed(LivePump(Source()), "can0 (virtual)")
    assert feed.now_ns() is None
    assert feed.status().waiting == "Nothing heard yet. If it stays like that, go through what stands below."
