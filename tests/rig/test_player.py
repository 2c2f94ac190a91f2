"""Frames in real time, with a clock set by hand."""

from threading import Event

import pytest

from faultlamp.frames import Frame
from faultlamp.rig.player import play

S = 1_000_000_000
FRAMES = [Frame(at, "can0", 0x18FECA00 + number, bytes([number])) for number, at in enumerate((0, S, S, 3 * S))]


class HandClock:
    """A clock that only sleeping, or a slow bus, moves."""

    def __init__(self) -> None:
        self.now_s = 1000.0
        self.sleeps: list[float] = []

    def __call__(self) -> float:
        return self.now_s

    def sleep(self, seconds: float) -> None:
        self.sleeps.append(seconds)
        self.now_s += seconds


@pytest.mark.parametrize("speed", [1.0, 2.0, 0.5])
def test_each_frame_goes_out_at_its_time(speed: float) -> None:
    """Frames are sent in order, as many seconds after the start as their time says, divided by the speed."""
    clock, sent = HandClock(), []
    count = play(
        FRAMES, lambda can_id, data: sent.append((clock.now_s - 1000, can_id, data)), speed=speed, clock=clock,
        sleep=clock.sleep,
    )
    assert count == 4
    assert [(can_id, data) for _, can_id, data in sent] == [(frame.can_id, frame.data) for frame in FRAMES]
    assert [at for at, _, _ in sent] == pytest.approx([0, 1 / speed, 1 / speed, 3 / speed])


def test_start_is_now() -> None:
    """Frames with epoch times play from the given start."""
    clock, sent = HandClock(), []
    frames = [Frame(1764000000 * S + frame.time_ns, "can0", 1, b"") for frame in FRAMES]
    play(frames, lambda *_: sent.append(clock.now_s), start_ns=1764000000 * S, clock=clock, sleep=clock.sleep)
    assert sent == pytest.approx([1000, 1001, 1001, 1003])


def test_a_slow_bus_makes_it_late_and_loses_nothing() -> None:
    """When sending takes 0.7 s a frame, all go out in order, late ones without another wait."""
    clock, sent = HandClock(), []

    def send(can_id: int, data: bytes) -> None:
        sent.append(data)
        clock.now_s += 0.7

    play(FRAMES, send, clock=clock, sleep=clock.sleep)
    assert sent == [frame.data for frame in FRAMES]
    assert sum(clock.sleeps) == pytest.approx(0.3 + 0.6)


def test_stop_ends_a_long_wait_soon() -> None:
    """Set while it waits, the stop event ends the play within a fraction of a second, before the next frame."""
    clock, sent, stop = HandClock(), [], Event()

    def sleep(seconds: float) -> None:
        clock.sleep(seconds)
        if clock.now_s > 1001.4:
            stop.set()

    assert play(FRAMES, lambda *_: sent.append(clock.now_s), stop=stop, clock=clock, sleep=sleep) == 3
    assert len(sent) == 3
    assert clock.now_s < 1002


def test_stop_ends_a_flood_without_waits() -> None:
    """A stop set by the sender takes effect although no frame is early."""
    stop, sent = Event(), []

    def send(can_id: int, data: bytes) -> None:
        sent.append(data)
        if len(sent) == 2:
            stop.set()

    frames = [Frame(0, "can0", 1, bytes([number])) for number in range(9)]
    assert play(frames, send, stop=stop, clock=lambda: 5.0) == 2
