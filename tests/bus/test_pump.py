"""The thread between a bus and its watcher: order, room, stretches, time, failures."""

import threading
import time
from collections.abc import Callable
from queue import Empty, Queue

import pytest

from faultlamp.bus import pump as pumping
from faultlamp.bus.listener import Listener
from faultlamp.bus.options import BusSettings
from faultlamp.bus.pump import LivePump
from faultlamp.errors import BusError
from faultlamp.frames import Frame

START_NS = 1_700_000_000_000_000_000
MS = 1_000_000
S = 1_000_000_000


def frame(time_ns: int, can_id: int = 0x18FECA00, channel: str = "can0") -> Frame:
    """A frame `time_ns` after the start."""
    return Frame(START_NS + time_ns, channel, can_id, bytes(8))


class Source:
    """A source that hands over what a test puts in; an empty read takes no time."""

    dropped = 0

    def __init__(self) -> None:
        self.steps: Queue[list[Frame] | Exception] = Queue()
        self.reads = 0
        self.idle = threading.Event()

    def read(self, timeout_s: float) -> list[Frame]:
        self.reads += 1
        try:
            step = self.steps.get(timeout=0.002)
        except Empty:
            self.idle.set()
            return []
        if isinstance(step, Exception):
            raise step
        return step

    def drain(self) -> None:
        """Wait until all is read and the reads after it found nothing."""
        for _ in range(3):
            self.idle.clear()
            assert self.idle.wait(5)
        assert self.steps.empty()


class Clock:
    """Nanoseconds that tests set by hand."""

    def __init__(self) -> None:
        self.now_ns = 77 * S

    def __call__(self) -> int:
        return self.now_ns


def taken(pump: LivePump) -> list[Frame]:
    """All frames of the blocks that are there."""
    return [row for block in pump.take() for row in block.rows()]


@pytest.fixture
def source() -> Source:
    """A source without frames."""
    return Source()


def test_order_is_kept_and_names_only_grow(source: Source) -> None:
    """Blocks hold the frames as they came; a later block's channel names start with those before."""
    frames = [frame(number * MS, number, f"can{number % 3}") for number in range(5000)]
    pump = LivePump(source)
    pump.start()
    for first in range(0, 5000, 700):
        source.steps.put(frames[first : first + 700])
    source.drain()
    blocks = pump.take()
    pump.close()
    assert [row for block in blocks for row in block.rows()] == frames
    assert {block.channels for block in blocks} == {("can0", "can1", "can2")}
    assert not any(block.starts_stretch for block in blocks)
    assert (pump.frames, pump.lost, pump.error) == (5000, 0, None)
    assert pump.take() == []


@pytest.mark.parametrize(
    ("step_ns", "starts"),
    [
        pytest.param(-S, False, id="one-second-back"),
        pytest.param(-S - 1000, True, id="a-microsecond-more"),
        pytest.param(5 * S, False, id="forward"),
    ],
)
def test_a_clock_that_steps_back_starts_a_stretch(source: Source, step_ns: int, starts: bool) -> None:
    """More than one second back against the previous frame, in one read or over two, as for recordings."""
    for split in (False, True):
        pump = LivePump(source)
        first, second = frame(10 * S), frame(10 * S + step_ns)
        if split:
            source.steps.put([first])
            source.steps.put([second])
        else:
            source.steps.put([first, second])
        pump.start()
        source.drain()
        blocks = pump.take()
        pump.close()
        assert [row for block in blocks for row in block.rows()] == [first, second]
        assert [block.starts_stretch for block in blocks] == ([False, True] if starts else [False])


def test_what_finds_no_room_is_counted(monkeypatch: pytest.MonkeyPatch, source: Source) -> None:
    """The oldest stay, the rest is lost and said so; once taken there is room again."""
    monkeypatch.setattr(pumping, "MOST_HELD", 1500)
    pump = LivePump(source)
    frames = [frame(number * MS, number) for number in range(2000)]
    source.steps.put(frames)
    pump.start()
    source.drain()
    assert taken(pump) == frames[:1500]
    assert (pump.frames, pump.lost) == (2000, 500)
    source.steps.put(frames[:10])
    source.drain()
    assert taken(pump) == frames[:10]
    assert pump.lost == 500
    source.dropped = 7
    assert pump.lost == 507
    pump.close()


def test_time_is_the_frames_own(source: Source) -> None:
    """`now_ns` goes on from the last stamp; `settled_ns` only as far as an empty read has shown that nothing came."""
    clock = Clock()
    pump = LivePump(source, clock=clock)
    assert (pump.now_ns(), pump.settled_ns()) == (None, None)
    source.steps.put([frame(0)])
    pump.start()
    source.drain()
    assert pump.now_ns() == START_NS
    # Not taken yet, so nothing may be concluded.
    assert pump.settled_ns() is None
    pump.take()
    assert pump.settled_ns() == START_NS
    clock.now_ns += 3 * S
    source.drain()
    pump.take()
    assert pump.now_ns() == START_NS + 3 * S
    assert pump.settled_ns() == START_NS + 3 * S - pumping._GRACE_NS
    # A frame that was on its way takes the time back to what it says.
    source.steps.put([frame(2 * S)])
    source.drain()
    pump.take()
    assert pump.now_ns() == pump.settled_ns() == START_NS + 2 * S
    pump.close()


def test_a_suspended_process_is_not_taken_for_a_silent_bus() -> None:
    """When the clock jumps while a read waits, the frames that read brings decide, not the jump."""
    clock = Clock()
    pump_ref: list[LivePump] = []
    seen: list[int | None] = []

    class Suspended:
        """Sleeps 10 s inside its second read, which then finds nothing; the frames come with the third."""

        reads = 0
        dropped = 0

        def read(self, _: float) -> list[Frame]:
            self.reads += 1
            if self.reads == 1:
                return [frame(0)]
            if self.reads == 2:
                clock.now_ns += 10 * S
                return []
            if self.reads == 3:
                pump_ref[0].take()
                seen.append(pump_ref[0].settled_ns())
                return [frame(number * S) for number in range(1, 11)]
            time.sleep(0.001)
            return []

    pump = LivePump(Suspended(), clock=clock)
    pump_ref.append(pump)
    pump.start()
    deadline = time.monotonic() + 5
    while pump.frames < 11 and time.monotonic() < deadline:
        time.sleep(0.001)
    pump.take()
    pump.close()
    assert seen == [START_NS]
    assert pump.settled_ns() == START_NS + 10 * S


@pytest.mark.parametrize(
    ("failure", "words"),
    [
        pytest.param(BusError("can0 (socketcan) is gone; plug it in"), "is gone", id="bus"),
        pytest.param(ZeroDivisionError("oops"), "fault of faultlamp itself", id="bug"),
    ],
)
def test_a_failure_ends_the_reading_and_is_told(source: Source, failure: Exception, words: str) -> None:
    """What came before can still be taken, and `error` says why nothing more comes."""
    pump = LivePump(source)
    source.steps.put([frame(0)])
    source.steps.put(failure)
    pump.start()
    deadline = time.monotonic() + 5
    while pump.error is None and time.monotonic() < deadline:
        time.sleep(0.001)
    assert words in str(pump.error)
    assert taken(pump) == [frame(0)]
    pump.close()
    assert words in str(pump.error)


def test_closing_ends_the_thread(source: Source) -> None:
    """No read follows, closing again and before starting does no harm."""
    LivePump(source).close()
    pump = LivePump(source)
    pump.start()
    source.drain()
    pump.close()
    pump.close()
    reads = source.reads
    time.sleep(0.02)
    assert source.reads == reads
    assert pump.error is None


def test_a_real_bus_through_the_pump(settings: BusSettings, send: Callable[[Frame], None]) -> None:
    """python-can's virtual bus at one end, the same frames at the other."""
    frames = [Frame(START_NS + number * MS, settings.channel or "", 0x18FEF100 + number % 256, bytes(8))
              for number in range(3000)]
    with Listener(settings) as listener:
        pump = LivePump(listener)
        pump.start()
        for one in frames:
            send(one)
        deadline = time.monotonic() + 10
        while pump.frames < len(frames) and time.monotonic() < deadline:
            time.sleep(0.01)
        pump.close()
        assert taken(pump) == frames
