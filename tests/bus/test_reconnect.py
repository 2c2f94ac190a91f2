"""A bus that goes and comes back: when it is tried again, what is counted, and what the pump makes of it."""

import os
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import can
import pytest

from faultlamp.bus.gaps import MOST_GAPS, Gap, Gaps
from faultlamp.bus.listener import Listener
from faultlamp.bus.options import BusSettings
from faultlamp.bus.pump import LivePump
from faultlamp.bus.reconnect import BusLost, Pause, Reconnecting, bus_off, next_pause
from faultlamp.bus.recorder import Recorder
from faultlamp.capture import Capture
from faultlamp.errors import BusError
from faultlamp.frames import ERROR, Frame
from faultlamp.history.history import History
from support.wire import document

START_NS = 1_700_000_000_000_000_000
S = 1_000_000_000


def frame(time_s: float, flags: int | None = None) -> Frame:
    """A frame so many seconds after the start."""
    made = Frame(START_NS + round(time_s * S), "can0", 0x18FECA00, bytes(8))
    return made if flags is None else Frame(made.time_ns, "can0", 0x20, bytes(8), flags)


class Clock:
    """Seconds that tests set by hand; sleeping takes exactly as long as it was asked to."""

    def __init__(self) -> None:
        self.now_s = 100.0

    def __call__(self) -> float:
        return self.now_s

    def sleep(self, seconds: float) -> None:
        self.now_s += seconds

    def nanoseconds(self) -> int:
        return round(self.now_s * S)


Step = list[Frame] | BusError


class Fake:
    """An adapter that reads out its steps, then fails for good."""

    def __init__(self, steps: list[Step], dropped: int = 0, garbled: int = 0) -> None:
        self.settings = BusSettings("fake", "can0")
        self.hardware_listen_only = False
        self.dropped = dropped
        self.garbled = garbled
        self.closed = 0
        self._steps = list(steps)

    def read(self, timeout_s: float) -> list[Frame]:
        step = self._steps.pop(0) if self._steps else BusError("can0: gone")
        if isinstance(step, BusError):
            raise step
        return step

    def close(self) -> None:
        self.closed += 1


class Port:
    """Where a fake adapter is plugged in: each opening takes the next of `adapters`, or fails with the error there."""

    def __init__(self, *adapters: Fake | BusError) -> None:
        self.adapters = list(adapters)
        self.opened_s: list[float] = []
        self.clock = Clock()

    def open(self) -> Fake:
        self.opened_s.append(self.clock.now_s)
        adapter = self.adapters.pop(0) if self.adapters else BusError("can0: no such device")
        if isinstance(adapter, BusError):
            raise adapter
        return adapter

    def reconnecting(self) -> Reconnecting:
        return Reconnecting(self.open, clock=self.clock, sleep=self.clock.sleep)


@pytest.mark.parametrize(
    ("before", "opened_s", "length_s"),
    [
        pytest.param(None, 99.0, 0.5, id="the first loss"),
        pytest.param(Pause(99, 0.5), None, 1.0, id="could not be opened"),
        pytest.param(Pause(99, 1.0), None, 2.0, id="nor then"),
        pytest.param(Pause(99, 2.0), None, 4.0, id="doubled"),
        pytest.param(Pause(99, 4.0), None, 5.0, id="at most five seconds"),
        pytest.param(Pause(99, 5.0), None, 5.0, id="for ever"),
        pytest.param(Pause(99, 0.5), 99.0, 1.0, id="lost again at once"),
        pytest.param(Pause(99, 4.0), 95.0, 0.5, id="it had stayed for five seconds"),
    ],
)
def test_the_pauses(before: Pause | None, opened_s: float | None, length_s: float) -> None:
    """0.5 s, doubled up to 5 s, from the beginning again only after the bus had stayed."""
    assert next_pause(before, 100.0, opened_s) == Pause(100.0 + length_s, length_s)


def test_a_bus_that_cannot_be_opened_at_first_is_an_error() -> None:
    """Also one that opens and fails at the first read; that one is closed."""
    down = Fake([BusError("the interface is down")])
    for port, words in ((Port(), "no such device"), (Port(down), "the interface is down")):
        with pytest.raises(BusError, match=words) as raised:
            port.reconnecting()
        assert not isinstance(raised.value, BusLost)
    assert down.closed == 1


def test_it_is_tried_again_until_it_is_back() -> None:
    """Attempts after 0.5, 1, 2, 4 and 5 s; opening without a working read does not count; no frame is left behind."""
    first = Fake([[frame(0)], [frame(1)], BusError("unplugged")])
    half_open = Fake([BusError("still down")])
    second = Fake([[frame(9)], [frame(10)], []])
    absent = BusError("no such device")
    port = Port(first, absent, half_open, absent, absent, second)
    source = port.reconnecting()
    assert source.read(0.05) == [frame(0)]
    assert source.read(0.05) == [frame(1)]
    said: list[str] = []
    heard: list[Frame] = []
    while not heard:
        before_s = port.clock.now_s
        try:
            heard = source.read(0.05)
        except BusLost as lost:
            said += [str(lost)] if not said or said[-1] != str(lost) else []
        assert port.clock.now_s - before_s <= 0.05
    assert heard == [frame(9)]
    assert source.read(0.05) == [frame(10)]
    assert source.read(0.05) == []
    assert [round(after - before, 6) for before, after in zip(port.opened_s, port.opened_s[1:], strict=False)] == [
        0.5, 1.0, 2.0, 4.0, 5.0
    ]
    assert said == ["unplugged", "no such device", "still down", "no such device"]
    assert (first.closed, half_open.closed, second.closed) == (1, 1, 0)


def test_a_loss_is_told_before_the_adapter_is_closed() -> None:
    """Closing a driver may take long; the words come first."""
    first = Fake([[frame(0)]])
    source = Port(first).reconnecting()
    source.read(0.05)
    with pytest.raises(BusLost):
        source.read(0.05)
    assert first.closed == 0
    with pytest.raises(BusLost):
        source.read(0.05)
    assert first.closed == 1


def test_counts_go_on_over_a_loss() -> None:
    """Dropped and garbled are those of all adapters together."""
    port = Port(Fake([[]], dropped=3, garbled=1), Fake([[], []], dropped=4, garbled=2))
    source = port.reconnecting()
    assert (source.dropped, source.garbled) == (3, 1)
    for _ in range(20):
        try:
            source.read(0.05)
        except BusLost:
            continue
        break
    assert (source.dropped, source.garbled) == (7, 3)
    source.close()
    assert (source.dropped, source.garbled) == (7, 3)


def error_frame(can_id: int) -> Frame:
    """An error frame with such classes in its identifier."""
    return Frame(START_NS, "can0", can_id, bytes(8), ERROR)


@pytest.mark.parametrize(
    ("frames", "before", "off"),
    [
        pytest.param([], False, False, id="nothing"), pytest.param([], True, True, id="still nothing"),
        pytest.param([error_frame(0x40)], False, True, id="CAN_ERR_BUSOFF"),
        pytest.param([error_frame(0x44)], False, True, id="with CAN_ERR_CRTL"),
        pytest.param([error_frame(0x04)], True, True, id="CAN_ERR_CRTL alone says nothing"),
        pytest.param([error_frame(0x100)], True, False, id="CAN_ERR_RESTARTED"),
        pytest.param([error_frame(0x40), frame(1)], False, False, id="a frame came later"),
        pytest.param([frame(1), error_frame(0x40)], False, True, id="a frame came before"),
    ],
)
def test_bus_off_by_error_frames(frames: list[Frame], before: bool, off: bool) -> None:
    """The classes of linux/can/error.h."""
    assert bus_off(frames, before) is off


@pytest.mark.parametrize(("interface", "lost"), [("socketcan", True), ("kvaser", False)])
def test_a_controller_that_is_off_the_bus_is_not_heard(interface: str, lost: bool) -> None:
    """Told by SocketCAN's error frames alone; it is not opened again, and heard with its first frame."""
    adapter = Fake([[], [error_frame(0x40)], [], [], [frame(1)], []])
    adapter.settings = BusSettings(interface, "can0")
    port = Port(adapter)
    source = port.reconnecting()
    assert source.read(0.05) == [error_frame(0x40)]
    for _ in range(2):
        if lost:
            with pytest.raises(BusLost, match=r"bus-off; .* ip link set can0 type can restart"):
                source.read(0.05)
        else:
            assert source.read(0.05) == []
    assert source.read(0.05) == [frame(1)]
    assert source.read(0.05) == []
    assert (len(port.opened_s), adapter.closed) == (1, 0)


def test_closed_means_closed() -> None:
    """What is opened while another thread closes is closed too, and nothing is opened afterwards."""
    opening, go_on = threading.Event(), threading.Event()
    late = Fake([[], [], []])
    adapters: Iterator[Fake] = iter([Fake([[]]), late])
    calls = 0

    def slow() -> Fake:
        nonlocal calls
        calls += 1
        if calls > 1:
            opening.set()
            go_on.wait(5)
        return next(adapters)

    source = Reconnecting(slow, sleep=lambda _: None)

    def read() -> None:
        while calls < 2:
            try:
                source.read(0.0)
            except BusLost:
                time.sleep(0.01)

    thread = threading.Thread(target=read)
    thread.start()
    assert opening.wait(5)
    source.close()
    go_on.set()
    thread.join(5)
    assert late.closed == 1
    assert source.read(0.0) == []
    assert calls == 2


# From here on: what the pump makes of it.


def pump_on(port: Port, recorder: Recorder | None = None, asleep: Callable[[], int] = lambda: 0) -> LivePump:
    """A pump whose thread never runs: tests read step by step."""
    return LivePump(
        port.reconnecting(), recorder=recorder, clock=port.clock.nanoseconds, wall=lambda: START_NS - 7 * S,
        asleep=asleep,
    )


def test_a_gap_in_the_frames_own_time() -> None:
    """From when the bus was last heard to when it was heard again; told while it lasts; nothing is settled in it."""
    port = Port(Fake([[], [frame(0)], [], []]), Fake([[], [], [frame(3.75)]]))
    pump = pump_on(port)
    pump._read()
    pump._read()
    assert (pump.gaps(), pump.trouble) == ((), None)
    port.clock.now_s += 1
    pump._read()
    port.clock.now_s += 2
    pump._read()
    assert pump.trouble == "can0: gone"
    # Heard in vain for a second; the two seconds after that nobody listened.
    assert pump.gaps() == (Gap(START_NS + S, None, "can0: gone", 1),)
    pump.take()
    settled_ns = pump.settled_ns()
    assert settled_ns is not None
    assert settled_ns <= START_NS + S
    while pump.trouble is not None:
        pump._read()
        pump.take()
        if pump.trouble is not None:
            assert pump.settled_ns() == settled_ns
    assert port.clock.now_s == 103.5
    assert pump.gaps() == (Gap(START_NS + S, START_NS + round(3.5 * S), "can0: gone", 1),)
    assert pump.now_ns() == START_NS + round(3.5 * S)
    pump._read()
    pump.take()
    assert pump.settled_ns() == START_NS + round(3.5 * S) - 50_000_000
    # The next frame says that its clock has gone on a quarter of a second more.
    pump._read()
    assert pump.gaps() == (Gap(START_NS + S, START_NS + round(3.75 * S), "can0: gone", 1),)
    assert [row for block in pump.take() for row in block.rows()] == [frame(3.75)]
    assert pump.gap_count == 1


def test_a_gap_before_the_first_frame() -> None:
    """The computer's clock stands in for the frames'."""
    pump = pump_on(Port(Fake([[]])))
    pump._read()
    assert pump.gaps() == (Gap(START_NS - 7 * S, None, "can0: gone", 1),)


def test_frames_stamped_before_the_gap_never_turn_it_around() -> None:
    """A clock that was set back meanwhile leaves a gap of no length."""
    port = Port(Fake([[], [frame(0)]]), Fake([[], [frame(-100)]]))
    pump = pump_on(port)
    for _ in range(20):
        pump._read()
        if pump.gap_count and pump.trouble is None:
            break
    pump._read()
    assert pump.gaps() == (Gap(START_NS, START_NS, "can0: gone", 1),)


def test_a_sleep_is_a_gap_too() -> None:
    """What the system counts as sleep was not listened to, although the adapter never complained."""
    slept = [0]
    port = Port(Fake([[], [frame(0)], [], []]))
    pump = pump_on(port, asleep=lambda: slept[0])
    pump._read()
    pump._read()
    read, source = port.clock, pump._listener

    class Sleeper:
        """The computer sleeps for an hour while this waits."""

        dropped = 0

        def read(self, timeout_s: float) -> list[Frame]:
            read.now_s += 3600
            slept[0] += 3600 * S
            return source.read(timeout_s)

    pump._listener = Sleeper()
    pump._read()
    assert pump.gaps() == (Gap(START_NS, START_NS + 3600 * S, "this computer slept", 1),)


def test_gaps_are_bounded() -> None:
    """The newest are kept, all are counted."""
    gaps = Gaps()
    for number in range(MOST_GAPS + 5):
        gaps.begin(number * S, "gone")
        gaps.begin(number * S + 1, "still gone")
        gaps.end(number * S + 2)
    kept = gaps.kept()
    assert (len(kept), gaps.count, kept[0].number, kept[-1].number) == (MOST_GAPS, MOST_GAPS + 5, 6, MOST_GAPS + 5)
    assert kept[-1] == Gap((MOST_GAPS + 4) * S, (MOST_GAPS + 4) * S + 2, "gone", MOST_GAPS + 5)


@pytest.mark.parametrize(
    ("start", "end", "first", "last", "touches"),
    [
        pytest.param(2, 4, 0, 1, False, id="later"), pytest.param(2, 4, 0, 2, True, id="from its start"),
        pytest.param(2, 4, 3, 3, True, id="inside"), pytest.param(2, 4, 5, 9, False, id="earlier"),
        pytest.param(2, None, 5, 9, True, id="lasting"), pytest.param(2, None, 0, 1, False, id="lasting, later"),
    ],
)
def test_touching(start: int, end: int | None, first: int, last: int, touches: bool) -> None:
    """Ends included."""
    assert Gap(start, end, "").touches(first, last) is touches


def test_what_came_before_a_loss_is_in_the_file_at_once(tmp_path: Path) -> None:
    """Opening an adapter may take seconds, in which nothing else is written."""
    recorder = Recorder(str(tmp_path / "a.log"))
    pump = pump_on(Port(Fake([[], [frame(0)]])), recorder)
    pump._read()
    assert recorder.frames == 0
    pump._read()
    assert recorder.frames == 1
    recorder.close()


@pytest.mark.parametrize("gap_s", [1, 4, 7], ids=["a-second", "less-than-a-silence", "more-than-a-silence"])
def test_the_history_over_a_gap_is_that_of_its_recording(tmp_path: Path, gap_s: int) -> None:
    """Whatever was asked meanwhile, live and replayed agree: a gap is no silence before frames say so."""

    def dm1(time_s: float) -> Frame:
        # SAE J1939-73, section 5.7.1: amber lamp, SPN 110 FMI 3, one occurrence.
        return Frame(START_NS + round(time_s * S), "can0", 0x18FECA00, bytes.fromhex("04FF6E000301FFFF"))

    port = Port(
        Fake([[], *[[dm1(number)] for number in range(4)]]),
        *[BusError("no such device")] * (gap_s // 2),
        Fake([[], *[[dm1(3 + gap_s + number)] for number in range(4)]]),
    )
    recorder = Recorder(str(tmp_path / "a.log"))
    pump = pump_on(port, recorder)
    live, replayed = History(), History()
    while pump.frames < 8:
        pump._read()
        for block in pump.take():
            live.feed_block(block)
        live.advance(pump.settled_ns() or 0)
    pump.close()
    for block in Capture([str(tmp_path / "a.log")], strict=True).blocks():
        replayed.feed_block(block)
    assert pump.gap_count == 1
    assert len(live.controllers["can0", 0].faults[110, 3].spans) == (2 if gap_s > 5 else 1)
    assert document(live) == document(replayed)


def test_error_frames_are_counted_and_no_loss() -> None:
    """An adapter that reports disturbances still hears."""
    pump = pump_on(Port(Fake([[], [frame(0), frame(1, ERROR), frame(2, ERROR)], []])))
    pump._read()
    assert (pump.frames, pump.error_frames, pump.trouble) == (3, 2, None)


def test_frames_that_nobody_takes_are_not_kept() -> None:
    """A recorder without a watcher holds nothing, and calls nothing lost."""
    port = Port(Fake([[], [frame(0), frame(1)], []]))
    pump = LivePump(port.reconnecting(), keep=False)
    pump._read()
    assert (pump.frames, pump.lost, pump.take()) == (2, 0, [])


def until(true: Callable[[], bool], seconds: float) -> float:
    """Wait for a thing to become so; returns how long it took."""
    began_s = time.monotonic()
    while not true():
        assert time.monotonic() - began_s < seconds
        time.sleep(0.005)
    return time.monotonic() - began_s


def test_python_cans_own_bus_that_goes_and_comes_back(
    monkeypatch: pytest.MonkeyPatch, settings: BusSettings, peer: can.BusABC
) -> None:
    """A virtual bus whose driver fails while it is unplugged: told within a second, all frames afterwards are there."""
    unplugged = threading.Event()
    receive, make = can.interfaces.virtual.VirtualBus._recv_internal, can.interfaces.virtual.VirtualBus.__init__

    def failing(bus: can.BusABC, timeout: float | None) -> object:
        if unplugged.is_set():
            raise can.CanOperationError("read failed") from OSError(5, "Input/output error")
        return receive(bus, timeout)

    def absent(bus: can.BusABC, *args: object, **kwargs: object) -> None:
        if unplugged.is_set():
            raise can.CanInitializationError("no such adapter")
        make(bus, *args, **kwargs)

    monkeypatch.setattr(can.interfaces.virtual.VirtualBus, "_recv_internal", failing)
    monkeypatch.setattr(can.interfaces.virtual.VirtualBus, "__init__", absent)

    def send(number: int) -> None:
        peer.send(can.Message(arbitration_id=number, is_extended_id=True, timestamp=time.time()))

    with Reconnecting(lambda: Listener(settings)) as source:
        pump = LivePump(source)
        pump.start()
        send(1)
        until(lambda: pump.frames == 1, 5)
        unplugged.set()
        assert until(lambda: pump.trouble is not None, 5) < 1
        until(lambda: "no such adapter" in (pump.trouble or ""), 5)
        unplugged.clear()
        until(lambda: pump.trouble is None, 5)
        send(2)
        until(lambda: pump.frames == 2, 5)
        pump.close()
    assert [row.can_id for block in pump.take() for row in block.rows()] == [1, 2]
    (gap,) = pump.gaps()
    assert gap.end_ns is not None
    assert 1.4 * S < gap.end_ns - gap.start_ns < 5 * S
    assert "Input/output error" in gap.reason or "read failed" in gap.reason


@pytest.mark.skipif(os.name == "nt", reason="needs pseudo-terminals")
def test_a_serial_adapter_that_is_plugged_in_again(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """python-can's slcan driver on a port that vanishes and is there again: told within a second, heard again."""
    from support.serial_adapter import SerialAdapter

    monkeypatch.setenv("CAN_CONFIG", '{"sleep_after_open": 0.05}')
    port = tmp_path / "ttyUSB0"
    sent = frame(0)
    with SerialAdapter() as first, SerialAdapter() as second:
        port.symlink_to(first.port)
        with Reconnecting(lambda: Listener(BusSettings("slcan", str(port), 250_000))) as source:
            pump = LivePump(source)
            pump.start()
            first.wait_for(lambda one: one.mode)
            first.deliver(sent)
            until(lambda: pump.frames == 1, 5)
            port.unlink()
            first.unplug()
            assert until(lambda: pump.trouble is not None, 5) < 1
            until(lambda: "cannot open" in (pump.trouble or ""), 5)
            port.symlink_to(second.port)
            until(lambda: pump.trouble is None, 10)
            second.wait_for(lambda one: one.mode)
            second.deliver(sent)
            until(lambda: pump.frames == 2, 5)
            pump.close()
        second.wait_for(lambda one: not one.mode)
        assert (first.transmitted, second.transmitted) == ([], [])
    assert [row.data for block in pump.take() for row in block.rows()] == [sent.data] * 2
    assert len(pump.gaps()) == 1
