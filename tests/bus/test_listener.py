"""Listening on a real python-can bus: what comes out, what cannot go in."""

import contextlib
import gc
import math
from collections.abc import Callable
from typing import Any

import can
import pytest
from can.interfaces.virtual import VirtualBus

from faultlamp.bus import reader as reading
from faultlamp.bus.listener import Listener
from faultlamp.bus.options import BusSettings
from faultlamp.bus.reader import MOST_AT_ONCE, MOST_GARBLED_IN_A_ROW, channel_text
from faultlamp.errors import BusError
from faultlamp.frames import BRS, ERROR, ESI, EXTENDED, FD, REMOTE, Frame
from support.scripted import ScriptedBus
from support.virtual_bus import check_that_sending_is_noted, note_sent

STAMP = 1_700_000_000.123456
STAMP_NS = 1_700_000_000_123_456_000


@pytest.mark.parametrize(
    ("message", "can_id", "data", "flags"),
    [
        pytest.param({"arbitration_id": 0x18FECA00, "data": bytes(range(8))}, 0x18FECA00, bytes(range(8)), EXTENDED,
                     id="j1939"),
        pytest.param({"arbitration_id": 0x18EA00F9, "data": b"\xca\xfe\x00"}, 0x18EA00F9, b"\xca\xfe\x00", EXTENDED,
                     id="three-bytes"),
        pytest.param({"arbitration_id": 0x1FFFFFFF, "data": b""}, 0x1FFFFFFF, b"", EXTENDED, id="no-bytes"),
        pytest.param({"arbitration_id": 0x7FF, "data": b"\x01", "is_extended_id": False}, 0x7FF, b"\x01", 0,
                     id="11-bit"),
        pytest.param({"arbitration_id": 0x18FECA00, "is_remote_frame": True, "dlc": 8}, 0x18FECA00, b"",
                     EXTENDED | REMOTE, id="remote"),
        pytest.param({"arbitration_id": 0x4, "is_error_frame": True, "data": bytes(8)}, 0x4, bytes(8), ERROR,
                     id="error"),
        pytest.param({"arbitration_id": 0x18FECA00, "is_fd": True, "bitrate_switch": True,
                      "error_state_indicator": True, "data": bytes(12)},
                     0x18FECA00, bytes(12), EXTENDED | FD | BRS | ESI, id="fd-12"),
        pytest.param({"arbitration_id": 0x123, "is_extended_id": False, "is_fd": True, "data": bytes(64)},
                     0x123, bytes(64), FD, id="fd-64"),
    ],
)
def test_every_kind_of_frame_comes_through(
    settings: BusSettings, peer: can.BusABC, message: dict[str, Any], can_id: int, data: bytes, flags: int
) -> None:
    """A python-can Message on a virtual bus arrives as the same identifier, bytes and kind."""
    with Listener(settings) as listener:
        peer.send(can.Message(timestamp=STAMP, check=True, **message))
        assert listener.read(1.0) == [Frame(STAMP_NS, settings.channel or "", can_id, data, flags)]
        assert listener.read(0.01) == []


def test_listening_sends_nothing(
    monkeypatch: pytest.MonkeyPatch, settings: BusSettings, peer: can.BusABC
) -> None:
    """Opening, reading, failing to read and closing put no frame on the bus: counted at the driver and at a peer."""
    sent = note_sent(monkeypatch, peer)
    with Listener(settings) as listener:
        for number in range(100):
            peer.send(can.Message(arbitration_id=0x18EAFF00 + number, data=b"\x00\xee\x00", timestamp=STAMP))
            assert len(listener.read(1.0)) == 1
        assert listener.read(0.01) == []
    assert peer.recv(0.05) is None
    assert sent == []
    check_that_sending_is_noted(sent, peer, settings)


def test_no_attribute_of_a_listener_leads_to_a_bus(settings: BusSettings) -> None:
    """Neither the object's attributes nor theirs are a bus or belong to one; only the closures' cells hold it."""
    with Listener(settings) as listener:
        for name in dir(listener):
            value = getattr(listener, name)
            assert not isinstance(value, can.BusABC)
            owner = getattr(value, "__self__", None)
            assert not isinstance(owner, can.BusABC)
            assert not hasattr(value, "send")
        assert not hasattr(listener, "send")
        # Such a bus exists all the same, so the search above had something to miss.
        assert any(isinstance(thing, VirtualBus) and thing.channel_id == settings.channel for thing in gc.get_objects())


@pytest.mark.parametrize(
    ("stamp_s", "time_ns"),
    [
        pytest.param(1_700_000_000.0000004, 1_700_000_000_000_000_000, id="down-to-a-microsecond"),
        pytest.param(1_700_000_000.9999996, 1_700_000_001_000_000_000, id="up-into-the-next-second"),
        pytest.param(0.0, 1_800_000_000_500_000_000, id="none"),
        pytest.param(12_345.678, 1_800_000_000_500_000_000, id="since-boot"),
        pytest.param(1.7e15, 1_800_000_000_500_000_000, id="microseconds-by-mistake"),
        pytest.param(-1.0, 1_800_000_000_500_000_000, id="negative"),
        pytest.param(math.nan, 1_800_000_000_500_000_000, id="nan"),
        pytest.param(math.inf, 1_800_000_000_500_000_000, id="inf"),
    ],
)
def test_time_stamps_are_whole_microseconds_of_the_epoch(
    settings: BusSettings, peer: can.BusABC, stamp_s: float, time_ns: int
) -> None:
    """A driver's stamp is rounded; one that does not count from the epoch gives way to the time of reception."""
    with Listener(settings, clock=lambda: 1_800_000_000.5) as listener:
        peer.send(can.Message(arbitration_id=1, timestamp=stamp_s))
        assert [frame.time_ns for frame in listener.read(1.0)] == [time_ns]


def test_reading_is_bounded_and_loses_nothing(settings: BusSettings, send: Callable[[Frame], None]) -> None:
    """A flood comes in several reads, in order."""
    with Listener(settings) as listener:
        frames = [Frame(STAMP_NS + number * 1000, settings.channel or "", number, b"") for number in range(5000)]
        for frame in frames:
            send(frame)
        first, second = listener.read(1.0), listener.read(1.0)
        assert (len(first), first + second) == (MOST_AT_ONCE, frames)


class Scripted(ScriptedBus):
    """A bus that delivers or raises what a list says."""

    def __init__(self, script: list[Any]) -> None:
        super().__init__(script)
        self.closed = 0

    def shutdown(self) -> None:
        self.closed += 1
        raise OSError("gone")


def scripted(monkeypatch: pytest.MonkeyPatch, script: list[Any]) -> tuple[Listener, Scripted]:
    """A listener on such a bus."""
    bus = Scripted(script)
    monkeypatch.setattr(can, "Bus", lambda **_: bus)
    return Listener(BusSettings("slcan", "/dev/ttyUSB0")), bus


def message(can_id: int) -> can.Message:
    """A plain frame."""
    return can.Message(arbitration_id=can_id, timestamp=STAMP)


def test_rubbish_between_frames_is_counted_and_skipped(monkeypatch: pytest.MonkeyPatch) -> None:
    """What python-can's slcan raises on a garbled line (int() of no number, an index past the end) ends nothing."""
    oversized = can.Message(arbitration_id=5, data=bytes(9), timestamp=STAMP)
    script = [message(1), ValueError("invalid literal for int()"), message(2), IndexError("string index"), oversized,
              message(3)]
    listener, _ = scripted(monkeypatch, script)
    assert [frame.can_id for frame in listener.read(0)] == [1, 2, 3]
    assert listener.garbled == 3
    assert listener.read(0) == []


def test_a_datagram_that_python_can_cannot_unpack_is_rubbish_too(monkeypatch: pytest.MonkeyPatch) -> None:
    """python-can's udp_multicast raises CanOperationError from a ValueError then."""
    wrapped = can.CanOperationError("could not unpack received message")
    wrapped.__cause__ = ValueError("Unpack failed: incomplete input")
    listener, _ = scripted(monkeypatch, [wrapped, message(1)])
    assert [frame.can_id for frame in listener.read(0)] == [1]
    assert listener.garbled == 1


def test_nothing_but_rubbish_is_a_broken_adapter(monkeypatch: pytest.MonkeyPatch) -> None:
    """After a hundred in a row the bus counts as gone."""
    listener, _ = scripted(monkeypatch, [ValueError("rubbish") for _ in range(MOST_GARBLED_IN_A_ROW)])
    with pytest.raises(BusError, match=r"cannot read from /dev/ttyUSB0 \(slcan\): rubbish; "):
        listener.read(0)


def test_frames_before_a_failure_come_first(monkeypatch: pytest.MonkeyPatch) -> None:
    """The read that meets the failure returns what it has and what waits behind it, since Linux tells of an error
    before the frames that came earlier (socket(7)); the next one raises, and so do all later ones."""
    unplugged = can.CanOperationError("Could not read from serial device")
    unplugged.__cause__ = OSError(5, "Input/output error")
    listener, bus = scripted(monkeypatch, [message(1), message(2), unplugged, message(3), unplugged, message(4)])
    assert [frame.can_id for frame in listener.read(0)] == [1, 2, 3]
    for _ in range(2):
        with pytest.raises(BusError, match="still plugged in") as raised:
            listener.read(0)
        assert "\n" not in str(raised.value)
    listener.close()
    listener.close()
    assert bus.closed == 2


@pytest.mark.parametrize(
    ("raw", "text"),
    [
        ("can0", "can0"), ("/dev/ttyUSB0", "/dev/ttyUSB0"), ("", "can"), ("two words", "two_words"),
        ("\x1b[2J", "_[2J"), ("größe", "gr__e"), ("x" * 100, "x" * 64),
    ],
)
def test_channel_names_fit_a_recording(raw: str, text: str) -> None:
    """Visible ASCII without spaces: what a candump line can hold."""
    assert channel_text(raw) == text


def test_channel_names_are_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    """A source that invents channels (udp_multicast carries names) gets its own name after a while."""
    script = [can.Message(arbitration_id=1, channel=f"c{number}", timestamp=STAMP) for number in range(200)]
    listener, _ = scripted(monkeypatch, script)
    names = {frame.channel for frame in listener.read(0)}
    assert len(names) == reading._MOST_NAMES + 1
    assert "/dev/ttyUSB0" in names


def test_a_closed_listener_says_so(settings: BusSettings) -> None:
    """Reading afterwards is an error in one line, not a traceback."""
    listener = Listener(settings)
    listener.close()
    with pytest.raises(BusError, match="cannot read from"), contextlib.closing(listener):
        listener.read(0.01)
