"""The live feed says what the pump knows: frames, time, losses, recording, why it ended."""

from pathlib import Path
from queue import Empty, Queue
from time import monotonic, sleep

import pytest

from faultlamp.bus.pump import LivePump
from faultlamp.bus.recorder import Recorder
from faultlamp.errors import BusError
from faultlamp.frames import Frame
from faultlamp.tui.app import DashboardApp
from faultlamp.tui.board import Board
from faultlamp.tui.watching import LiveFeed
from support.wire import document, document_by_rows
from tui.scene import LAYOUTS, pump_job


class Source:
    """A bus that delivers what it is given, then an error when told to."""

    def __init__(self) -> None:
        self.steps: Queue[list[Frame] | BusError] = Queue()
        self.dropped = 0

    def read(self, timeout_s: float) -> list[Frame]:
        """The next delivery, or nothing after a moment."""
        try:
            step = self.steps.get(timeout=min(timeout_s, 0.01))
        except Empty:
            return []
        if isinstance(step, BusError):
            raise step
        return step


def until(true: object, what: str) -> None:
    """Wait for a thing to become so, ten seconds at most."""
    end = monotonic() + 10
    while not true():  # type: ignore[operator]
        assert monotonic() < end, what
        sleep(0.01)


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
    assert status.notes == ("12 frames lost, computer too slow", "recording job.log 0.0 MB")
    assert status.trouble == ""


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
async def test_an_adapter_that_goes_is_said_so_and_the_dashboard_stays() -> None:
    """The reason stands in the sentence; faults and lanes remain to be read."""
    source = Source()
    pump = LivePump(source)
    app = DashboardApp(Board(LiveFeed(pump, "can0 (virtual)"), LAYOUTS, {}))
    pump.start()
    try:
        async with app.run_test(size=(80, 24)) as pilot:
            source.steps.put(pump_job(30))
            source.steps.put(BusError("can0: the adapter has gone; plug it in and start again"))
            until(lambda: pump.error, "the error")
            app.tick()
            await pilot.pause()
            head = app.board.head(80, 24)[0].text
            assert head.startswith(" Not listening now: can0: the adapter has gone")
            assert len(app.board.lanes) == 2
            assert app.is_running
    finally:
        pump.close()


def test_before_anything_was_heard_the_checks_are_named() -> None:
    """Common practice, no source: key, connector, bit rate, resistance across the pair."""
    feed = LiveFeed(LivePump(Source()), "can0 (virtual)")
    waiting = feed.status().waiting
    assert feed.now_ns() is None
    for check in ("key on?", "Connector seated?", "Bit rate", "60 ohm"):
        assert check in waiting
