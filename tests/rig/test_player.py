"""The rig in real time, with a clock set by hand and a bus made of lists."""

from collections.abc import Callable
from threading import Event

import pytest

from faultlamp.frames import Frame
from faultlamp.rig.generator import generate
from faultlamp.rig.live import MOST_AT_ONCE, LiveRig
from faultlamp.rig.player import play
from faultlamp.rig.scenario import Scenario

S = 1_000_000_000
BEGIN_NS = 1000 * S

Load = Callable[[str], Scenario]


class HandBus:
    """A bus and a clock that only waiting, or slow sending, moves; nobody else speaks there."""

    def __init__(self, send_s: float = 0.0) -> None:
        self.now_ns = BEGIN_NS
        self.sent: list[tuple[float, int, bytes]] = []
        self.waits: list[float] = []
        self._send_ns = round(send_s * S)

    def clock(self) -> int:
        return self.now_ns

    def read(self, timeout_s: float) -> list[Frame]:
        self.waits.append(timeout_s)
        self.now_ns += round(timeout_s * S)
        return []

    def send(self, can_id: int, data: bytes) -> None:
        self.sent.append(((self.now_ns - BEGIN_NS) / S, can_id, data))
        self.now_ns += self._send_ns


@pytest.mark.parametrize("speed", [1.0, 2.0, 0.5, 3.3])
def test_each_frame_goes_out_at_its_time(small: str, load: Load, speed: float) -> None:
    """Frames are sent in order, as many seconds after the start as their time says, divided by the speed."""
    scenario, bus = load(small), HandBus()
    expected = list(generate(scenario))
    assert play(LiveRig(scenario, speed=speed), bus, clock_ns=bus.clock) == len(expected)
    assert [(can_id, data) for _, can_id, data in bus.sent] == [(frame.can_id, frame.data) for frame in expected]
    assert [at for at, _, _ in bus.sent] == pytest.approx([frame.time_ns / S / speed for frame in expected], abs=1e-6)


def test_a_slow_bus_makes_it_late_and_loses_nothing(small: str, load: Load) -> None:
    """When sending takes 0.7 s a frame, all go out in order, and it hardly waits any more."""
    scenario, bus = load(small), HandBus(send_s=0.7)
    play(LiveRig(scenario), bus, clock_ns=bus.clock)
    assert [data for _, _, data in bus.sent] == [frame.data for frame in generate(scenario)]
    assert sum(bus.waits) < 1


def test_a_long_sleep_is_caught_up_in_pieces(small: str, load: Load) -> None:
    """After a computer's sleep of hours the frames that were missed come a limited number at once."""
    rig = LiveRig(load(small.replace("duration_s = 10", "duration_s = 10000")))
    rig.start(0)
    late_ns = 9000 * S
    assert len(rig.outgoing(late_ns)) <= MOST_AT_ONCE + 8
    next_ns = rig.next_ns()
    assert next_ns is not None
    assert next_ns < late_ns


def test_stop_ends_a_long_wait_soon(small: str, load: Load) -> None:
    """Set while it waits, the stop event ends the play within a fraction of a second, before the next frame."""
    stop = Event()
    text = '[[phase]]\nname = "before"\nkind = "key_off"\nduration_s = 60\n\n'

    class Stopping(HandBus):
        def read(self, timeout_s: float) -> list[Frame]:
            super().read(timeout_s)
            if self.now_ns > BEGIN_NS + round(1.4 * S):
                stop.set()
            return []

    bus = Stopping()
    rig = LiveRig(load(small.replace("[[phase]]", text + "[[phase]]", 1)))
    assert play(rig, bus, stop=stop, clock_ns=bus.clock) == 0
    assert bus.now_ns < BEGIN_NS + 2 * S


def test_stop_ends_a_flood_without_waits(small: str, load: Load) -> None:
    """A stop set while frames are late takes effect before the next of them."""
    stop = Event()

    class Stopping(HandBus):
        def send(self, can_id: int, data: bytes) -> None:
            super().send(can_id, data)
            if len(self.sent) == 2:
                stop.set()

    bus = Stopping(send_s=5)
    assert play(LiveRig(load(small)), bus, stop=stop, clock_ns=bus.clock) == 2


def test_what_is_heard_is_heard_now(small: str, load: Load) -> None:
    """Read with an adapter's odd stamp it gets DM2 (PGN 65227) soon (SAE J1939-21, 5.12.3, from memory: 200 ms)."""

    class Asking(HandBus):
        asked_ns = 0

        def read(self, timeout_s: float) -> list[Frame]:
            super().read(timeout_s)
            if not self.asked_ns and self.now_ns > BEGIN_NS + 4 * S:
                self.asked_ns = self.now_ns
                return [Frame(5, "vcan9", 0x18EAFFF9, bytes.fromhex("CBFE00"))]
            return []

    bus = Asking()
    play(LiveRig(load(small)), bus, clock_ns=bus.clock)
    answers = [at - (bus.asked_ns - BEGIN_NS) / S for at, can_id, _ in bus.sent if can_id == 0x18FECB00]
    assert answers == pytest.approx([0.012], abs=1e-6)
