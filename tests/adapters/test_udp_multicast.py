"""Listening on python-can's UDP multicast bus: real sockets on the loopback interface."""

import json
import sys
import time
from pathlib import Path
from typing import Any

import can
import msgpack
import pytest

from faultlamp.bus import kernel_queue
from faultlamp.bus.listener import Listener
from faultlamp.bus.options import BusSettings
from faultlamp.bus.pump import LivePump
from faultlamp.bus.recorder import Recorder
from faultlamp.frames import BRS, ERROR, EXTENDED, FD, REMOTE
from support.command import start
from support.hearing import hear
from support.multicast import GROUP, free_port, participant, put
from support.recordings import Whole

SETTINGS = BusSettings("udp_multicast", GROUP)


@pytest.fixture
def port(monkeypatch: pytest.MonkeyPatch) -> int:
    """A port of its own for the group, in python-can's configuration."""
    number = free_port()
    monkeypatch.setenv("CAN_CONFIG", json.dumps({"port": number, "hop_limit": 0}))
    return number


def test_every_kind_of_frame_arrives_with_the_systems_stamp(port: int) -> None:
    """What python-can sends on one socket comes out of a listener on another, with the kernel's time."""
    before_ns = time.time_ns()
    with Listener(SETTINGS) as listener, participant(port) as peer:
        assert not listener.hardware_listen_only
        peer.send(can.Message(arbitration_id=0x18FECA00, data=bytes(range(8))))
        peer.send(can.Message(arbitration_id=0x7FF, is_extended_id=False, data=b""))
        peer.send(can.Message(arbitration_id=0x18EAFF00, is_remote_frame=True, dlc=3))
        peer.send(can.Message(arbitration_id=0x20, is_extended_id=False, is_error_frame=True, data=bytes(8)))
        peer.send(can.Message(arbitration_id=0x1FFFFFFF, is_fd=True, bitrate_switch=True, data=bytes(64)))
        frames = hear(listener, 5)
    assert [(frame.can_id, frame.data, frame.flags) for frame in frames] == [
        (0x18FECA00, bytes(range(8)), EXTENDED), (0x7FF, b"", 0), (0x18EAFF00, b"", EXTENDED | REMOTE),
        (0x20, bytes(8), ERROR), (0x1FFFFFFF, bytes(64), EXTENDED | FD | BRS),
    ]
    assert all(before_ns - 1000 <= frame.time_ns <= time.time_ns() + 1000 for frame in frames)
    assert listener.garbled == 0


PLAIN: dict[str, Any] = {
    "timestamp": 0.0, "arbitration_id": 0x18FECA00, "is_extended_id": True, "is_remote_frame": False,
    "is_error_frame": False, "channel": None, "dlc": 8, "data": bytes(8), "is_fd": False, "bitrate_switch": False,
    "error_state_indicator": False,
}


@pytest.mark.parametrize(
    "raw",
    [
        pytest.param(b"", id="empty"),
        pytest.param(b"\xc1", id="no-msgpack"),
        pytest.param(b"\xff" * 5000, id="too-long"),
        pytest.param(b"\x93" * 2000, id="nested"),
        pytest.param(msgpack.packb([1, 2]), id="a-list"),
        pytest.param(msgpack.packb({"rm": "-rf"}), id="unknown-keys"),
        pytest.param(msgpack.packb(PLAIN | {"arbitration_id": 1.5}), id="identifier-a-fraction"),
        pytest.param(msgpack.packb(PLAIN | {"arbitration_id": "1"}), id="identifier-a-text"),
        pytest.param(msgpack.packb(PLAIN | {"arbitration_id": 1 << 40}), id="identifier-too-long"),
        pytest.param(msgpack.packb(PLAIN | {"arbitration_id": -1}), id="identifier-negative"),
        pytest.param(msgpack.packb(PLAIN | {"arbitration_id": None}), id="identifier-missing"),
        pytest.param(msgpack.packb(PLAIN | {"data": "text"}), id="data-a-text"),
        pytest.param(msgpack.packb(PLAIN | {"data": [256]}), id="data-no-bytes"),
        pytest.param(msgpack.packb(PLAIN | {"data": bytes(9), "dlc": 9}), id="nine-bytes"),
        pytest.param(msgpack.packb(PLAIN | {"dlc": 3}), id="length-that-lies"),
        pytest.param(msgpack.packb(PLAIN | {"dlc": 7.5}), id="length-a-fraction"),
        pytest.param(msgpack.packb(PLAIN | {"is_fd": True, "is_remote_frame": True}), id="remote-fd"),
    ],
)
def test_a_datagram_that_is_no_frame_is_counted(port: int, raw: bytes, tmp_path: Path) -> None:
    """Anybody on the network may send to the group: the frames around it arrive and are recorded, it does not."""
    path = tmp_path / "a.log"
    with Listener(SETTINGS) as listener, participant(port) as peer:
        pump = LivePump(listener, recorder=Recorder(str(path)))
        pump.start()
        peer.send(can.Message(arbitration_id=1))
        put(port, raw)
        peer.send(can.Message(arbitration_id=2))
        deadline = time.monotonic() + 10
        while pump.frames < 2 and time.monotonic() < deadline:
            time.sleep(0.01)
        pump.close()
        assert [number for block in pump.take() for number in block.can_id.tolist()] == [1, 2]
        assert pump.error is None
        assert listener.garbled == 1
    whole = Whole(path)
    assert (len(whole.rows), whole.stats.bad_lines) == (2, 0)


@pytest.mark.parametrize("channel", [[], {"a": 1}, 2.5, "\x1b[2J\n", "x" * 500, -1, True])
def test_a_channel_name_that_is_none_stays_harmless(port: int, channel: object) -> None:
    """A datagram says its channel itself."""
    with Listener(SETTINGS) as listener:
        put(port, msgpack.packb(PLAIN | {"channel": channel}))
        (frame,) = hear(listener, 1)
    assert frame.channel.isprintable()
    assert " " not in frame.channel
    assert 1 <= len(frame.channel) <= 64


@pytest.mark.skipif(sys.platform != "linux", reason="Linux alone counts what a socket's full queue drops")
def test_what_the_system_drops_is_counted(port: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """A listener that does not read for too long: frames read and frames dropped make up all that were sent."""
    monkeypatch.setattr(kernel_queue, "WANTED_BYTES", 16_384)
    sent = 500
    with Listener(SETTINGS) as listener, participant(port) as peer:
        for number in range(sent):
            peer.send(can.Message(arbitration_id=number))
        frames = hear(listener, sent // 100)
        assert 0 < len(frames) < sent
        assert listener.dropped == sent - len(frames)
    assert listener.dropped == sent - len(frames)


def test_watch_prints_and_records(port: int, tmp_path: Path) -> None:
    """`faultlamp watch -i udp_multicast` in a process of its own."""
    path = tmp_path / "net.log"
    words = ("watch", "-i", "udp_multicast", "-c", GROUP, "--for", "1.2", "--record", str(path))
    with start(tmp_path, *words, port=port, hop_limit=0) as watch, participant(port) as peer:
        assert watch.stderr is not None
        assert "listening on" in watch.stderr.readline()
        for _ in range(100):
            # SAE J1939-73, section 5.7.1: amber lamp, SPN 110 FMI 3, one occurrence.
            peer.send(can.Message(arbitration_id=0x18FECA00, data=bytes.fromhex("04FF6E000301FFFF")))
        out, err = watch.communicate(timeout=30)
    assert watch.returncode == 0, err
    assert "fault active: engine 1 (0) SPN 110 FMI 3" in out
    assert "100 frames in" in err
    assert len(Whole(path).rows) == 100
