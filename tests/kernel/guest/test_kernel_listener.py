"""A listener on a real SocketCAN interface: what the kernel keeps, drops and refuses."""

import fcntl
import os
import socket
import struct
import time
from collections.abc import Iterator
from contextlib import contextmanager

import can
import pytest
from kernel_bus import BUS, OTHER_BUS

from faultlamp.bus import kernel_queue
from faultlamp.bus.listener import Listener
from faultlamp.bus.options import BusSettings
from faultlamp.bus.pump import LivePump
from faultlamp.bus.simulator import SimulatorBus
from faultlamp.errors import BusError
from faultlamp.frames import ERROR, EXTENDED, REMOTE

pytestmark = pytest.mark.kernel

SETTINGS = BusSettings("socketcan", BUS)
# <linux/if.h>, <linux/sockios.h>
IFF_UP, SIOCGIFFLAGS, SIOCSIFFLAGS = 1, 0x8913, 0x8914


@contextmanager
def interface_down(name: str) -> Iterator[None]:
    """`ip link set NAME down`, and up again afterwards."""

    def change(up: bool) -> None:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as any_socket:
            answer = fcntl.ioctl(any_socket, SIOCGIFFLAGS, struct.pack("16sH22x", name.encode(), 0))
            (flags,) = struct.unpack_from("16xH", answer)
            flags = flags | IFF_UP if up else flags & ~IFF_UP
            fcntl.ioctl(any_socket, SIOCSIFFLAGS, struct.pack("16sH22x", name.encode(), flags))

    change(False)
    try:
        yield
    finally:
        change(True)


@pytest.fixture
def peer() -> Iterator[can.BusABC]:
    """Another participant, straight from python-can."""
    with can.Bus(interface="socketcan", channel=BUS, ignore_config=True) as bus:
        yield bus


def test_frames_carry_the_kernels_stamps(peer: can.BusABC) -> None:
    """Each kind arrives as itself, with the time at which the kernel saw it."""
    with Listener(SETTINGS) as listener:
        before_ns = time.time_ns()
        peer.send(can.Message(arbitration_id=0x18FECA00, data=bytes(range(8))))
        peer.send(can.Message(arbitration_id=0x7DF, is_extended_id=False, data=b"\x02\x01"))
        peer.send(can.Message(arbitration_id=0x18FECA00, is_remote_frame=True, dlc=3))
        peer.send(can.Message(arbitration_id=0x20, is_extended_id=False, is_error_frame=True, data=bytes(8)))
        after_ns = time.time_ns()
        frames = [frame for _ in range(4) for frame in listener.read(1.0)]
    assert [(frame.channel, frame.can_id, frame.data, frame.flags) for frame in frames] == [
        (BUS, 0x18FECA00, bytes(range(8)), EXTENDED),
        (BUS, 0x7DF, b"\x02\x01", 0),
        (BUS, 0x18FECA00, b"", EXTENDED | REMOTE),
        (BUS, 0x20, bytes(8), ERROR),
    ]
    assert all(before_ns - 1000 <= frame.time_ns <= after_ns + 1000 for frame in frames)
    assert all(frame.time_ns % 1000 == 0 for frame in frames)


def test_all_interfaces_at_once_keep_their_names(peer: can.BusABC) -> None:
    """Without a channel python-can listens on every CAN interface; the frames say which."""
    with (
        can.Bus(interface="socketcan", channel=OTHER_BUS, ignore_config=True) as other,
        Listener(BusSettings("socketcan")) as listener,
    ):
        peer.send(can.Message(arbitration_id=1))
        other.send(can.Message(arbitration_id=2))
        frames = [*listener.read(1.0), *listener.read(0.2)]
    assert [(frame.channel, frame.can_id) for frame in frames] == [(BUS, 1), (OTHER_BUS, 2)]


def test_what_the_kernel_drops_is_counted(monkeypatch: pytest.MonkeyPatch, peer: can.BusABC) -> None:
    """A listener that does not read for too long: frames read and frames dropped make up all that were sent."""
    monkeypatch.setattr(kernel_queue, "WANTED_BYTES", 8192)
    sent = 500
    with Listener(SETTINGS) as listener:
        for number in range(sent):
            peer.send(can.Message(arbitration_id=number))
        frames = listener.read(1.0)
        assert 0 < len(frames) < sent
        assert [frame.can_id for frame in frames] == list(range(len(frames)))
        assert listener.dropped == sent - len(frames)
    assert listener.dropped == sent - len(frames)


@pytest.mark.skipif(os.geteuid() != 0, reason="needs the right to make a socket's queue longer than the system's limit")
def test_a_long_queue_holds_what_a_short_stall_brings(peer: can.BusABC) -> None:
    """Two seconds of a full bus at 1 Mbit/s, unread, are all there afterwards."""
    sent = 14_000
    with Listener(SETTINGS) as listener:
        for number in range(sent):
            peer.send(can.Message(arbitration_id=number))
        frames = [frame for _ in range(4) for frame in listener.read(1.0)]
        assert [frame.can_id for frame in frames] == list(range(sent))
        assert listener.dropped == 0


def test_an_interface_that_goes_down_is_one_line(peer: can.BusABC) -> None:
    """What came before is handed over; then the pump says what happened and how to mend it."""
    with Listener(SETTINGS) as listener:
        pump = LivePump(listener)
        pump.start()
        peer.send(can.Message(arbitration_id=1))
        deadline = time.monotonic() + 5
        while not pump.frames and time.monotonic() < deadline:
            time.sleep(0.01)
        with interface_down(BUS):
            while pump.error is None and time.monotonic() < deadline:
                time.sleep(0.01)
        pump.close()
        assert sum(len(block) for block in pump.take()) == 1
    assert str(pump.error) == (
        f"cannot read from {BUS} (socketcan): the interface is down; bring it up: "
        f"ip link set {BUS} up type can bitrate 250000"
    )


def test_an_interface_that_is_down_from_the_start() -> None:
    """It can be opened, and says so at the first read; sending says so too."""
    with interface_down(BUS), Listener(SETTINGS) as listener, SimulatorBus(SETTINGS) as bus:
        with pytest.raises(BusError, match="the interface is down"):
            listener.read(1.0)
        with pytest.raises(BusError, match=r"cannot send on .* the interface is down"):
            bus.send(1, b"")


@pytest.mark.parametrize("channel", ["can9", "0", "lo"])
def test_a_channel_that_is_not_there_names_those_that_are(channel: str) -> None:
    """Also for a number, and for an interface that is not CAN."""
    with pytest.raises(BusError) as raised:
        Listener(BusSettings("socketcan", channel))
    line = str(raised.value)
    assert line == f"cannot open {channel} (socketcan): no such device; channels here: {BUS}, {OTHER_BUS}"
