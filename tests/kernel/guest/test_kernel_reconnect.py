"""A real interface that goes down and comes up again under a watch and a recording."""

import sys
import time
from collections.abc import Callable
from pathlib import Path

import can
import pytest
from kernel_bus import BUS, DM1, Code, broadcast, diagnostic_message, listeners, listening, logged_frames
from test_kernel_listener import SETTINGS, interface_down

from faultlamp.bus.listener import Listener
from faultlamp.bus.pump import LivePump
from faultlamp.bus.reconnect import Reconnecting
from faultlamp.errors import BusError

pytestmark = pytest.mark.kernel

S = 1_000_000_000
CODE = Code(110, 3, 2)


def until(true: Callable[[], object], seconds: float = 10) -> float:
    """Wait for a thing to become so; returns how long it took."""
    began_s = time.monotonic()
    while not true():
        assert time.monotonic() - began_s < seconds
        time.sleep(0.01)
    return time.monotonic() - began_s


def send(numbers: range) -> None:
    """A frame for each number, through a socket of its own: one that was open when the link went down fails once."""
    with can.Bus(interface="socketcan", channel=BUS, ignore_config=True) as peer:
        for number in numbers:
            peer.send(can.Message(arbitration_id=number))


def test_an_interface_that_goes_down_and_up() -> None:
    """The kernel's ENETDOWN is a gap, told within a second; what is sent afterwards is heard, nothing is lost."""
    with Reconnecting(lambda: Listener(SETTINGS)) as source:
        pump = LivePump(source)
        pump.start()
        send(range(100))
        until(lambda: pump.frames == 100)
        with interface_down(BUS):
            assert until(lambda: pump.trouble is not None) < 1
            assert "the interface is down" in (pump.trouble or "")
            time.sleep(1)
        until(lambda: pump.trouble is None)
        send(range(100, 200))
        until(lambda: pump.frames == 200)
        pump.close()
    assert [row.can_id for block in pump.take() for row in block.rows()] == list(range(200))
    assert (pump.lost, pump.error) == (0, None)
    (gap,) = pump.gaps()
    assert gap.end_ns is not None
    assert 0.9 * S < gap.end_ns - gap.start_ns < 5 * S
    assert "the interface is down" in gap.reason


def test_an_interface_that_is_down_at_the_start_is_an_error() -> None:
    """It lets itself be opened; the first read says that it is not there."""
    with interface_down(BUS), pytest.raises(BusError, match="the interface is down; bring it up: ip link set"):
        Reconnecting(lambda: Listener(SETTINGS))


def test_watch_and_record_outlive_the_interface(tmp_path: Path) -> None:
    """Both say that the bus was lost and is back, hear the same DM1s before and after, and end by themselves."""
    log, output = tmp_path / "bus.log", tmp_path / "watch.txt"
    program = [sys.executable, "-m", "faultlamp"]
    bus = ["-i", "socketcan", "-c", BUS, "--for", "14"]
    # Each is in the kernel's list for frames and in the one for error frames.
    before = listeners()
    with (
        output.open("wb") as lines,
        (tmp_path / "record.txt").open("wb") as silent,
        listening([*program, "watch", *bus], before + 2, lines) as watch,
        listening([*program, "record", "-o", str(log), *bus], before + 4, silent) as record,
    ):
        broadcast(0x00, DM1, diagnostic_message(b"\x04\xff", [CODE]))
        with interface_down(BUS):
            time.sleep(1.2)
        until(lambda: listeners() >= before + 4 and b"bus back" in output.read_bytes(), 20)
        time.sleep(1)
        broadcast(0x00, DM1, diagnostic_message(b"\x04\xff", []))
        assert (watch.wait(30), record.wait(30)) == (0, 0)
    words = [line.split(" ", 2)[2] for line in output.read_text().splitlines()]
    places = [
        next(place for place, word in enumerate(words) if word.startswith(start))
        for start in ("fault active", "bus lost: cannot read from vcan0 (socketcan): the interface is down", "bus back",
                      "fault cleared")
    ]
    assert places == sorted(places)
    # SAE J1939-21: each of these DM1s, 6 and 8 bytes, is one frame.
    assert [(frame.can_id, frame.data[2]) for frame in logged_frames(log)] == [(0x18FECA00, 110), (0x18FECA00, 0)]
