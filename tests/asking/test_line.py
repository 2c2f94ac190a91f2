"""The two-way bus: what goes out is noted, what comes in is a frame, and being alone is noticed."""

import errno
from collections.abc import Sequence
from typing import Any

import can
import pytest

from faultlamp.bus.conversing import CHANNEL, SteadyClock, converse
from faultlamp.bus.line import Line
from faultlamp.bus.options import BusSettings
from faultlamp.errors import BusError
from faultlamp.frames import Frame
from support.scripted import ScriptedBus

# linux/can/error.h: classes in the identifier, TX_PASSIVE in the controller's byte.
NO_ACKNOWLEDGE, BUS_OFF, CONTROLLER, PROTOCOL = 0x20, 0x40, 0x04, 0x08
PASSIVE = bytes((0, 0x20, 0, 0, 0, 0, 0, 0))
STAMP = 1_700_000_000.0


class Scripted(ScriptedBus):
    """A bus that delivers or raises what a list says, and takes everything unless `failure` says otherwise."""

    def __init__(self, script: list[Any], failure: Exception | None = None) -> None:
        super().__init__(script)
        self.failure = failure
        self.taken: list[can.Message] = []

    def send(self, message: can.Message, timeout: float | None = None) -> None:
        if self.failure is not None:
            raise self.failure
        self.taken.append(message)

    def shutdown(self) -> None:
        """Nothing to close."""


def line(monkeypatch: pytest.MonkeyPatch, bus: Scripted, interface: str = "socketcan") -> Line:
    """A line on such a bus."""
    monkeypatch.setattr(can, "Bus", lambda **_: bus)
    return Line(BusSettings(interface, "can0"))


def error_frame(classes: int, data: bytes = bytes(8)) -> can.Message:
    """What SocketCAN delivers when something is wrong."""
    return can.Message(arbitration_id=classes, is_error_frame=True, data=data, timestamp=STAMP)


def test_both_sides_of_the_talk_are_noted(settings: BusSettings) -> None:
    """What is sent reaches a peer, stands in `sent`, and goes to the tap in order with what is heard."""
    noted: list[Frame] = []

    def tap(frames: Sequence[Frame]) -> None:
        noted.extend(frames)

    with (
        can.Bus(interface="virtual", channel=settings.channel, ignore_config=True) as peer,
        Line(settings, clock=lambda: STAMP) as talk,
    ):
        talk.tap = tap
        talk.send(0x18EA00F9, b"\xcb\xfe\x00")
        heard = peer.recv(1.0)
        assert heard is not None
        assert (heard.arbitration_id, bytes(heard.data), heard.is_extended_id) == (0x18EA00F9, b"\xcb\xfe\x00", True)
        peer.send(can.Message(arbitration_id=0x18FECB00, data=bytes(8)))
        (frame,) = talk.read(1.0)
        assert talk.sent == [Frame(1_700_000_000_000_000_000, settings.channel or "", 0x18EA00F9, b"\xcb\xfe\x00")]
        assert noted == [*talk.sent, frame]
        assert talk.heard == 1


@pytest.mark.parametrize(("can_id", "data"), [(1 << 29, b""), (-1, b""), (0, bytes(9))])
def test_what_is_no_frame_is_not_sent(settings: BusSettings, can_id: int, data: bytes) -> None:
    """29 bits and 8 bytes (SAE J1939-21, section 5.2), as with the speaker."""
    with Line(settings) as talk:
        with pytest.raises(ValueError, match="not a frame"):
            talk.send(can_id, data)
        assert talk.sent == []


@pytest.mark.parametrize(
    "told",
    [error_frame(NO_ACKNOWLEDGE), error_frame(CONTROLLER, PASSIVE)],
    ids=["no-acknowledge", "passive"],
)
def test_alone_on_the_bus(monkeypatch: pytest.MonkeyPatch, told: can.Message) -> None:
    """Linux says that nobody acknowledges (linux/can/error.h): one line says what that means."""
    talk = line(monkeypatch, Scripted([told]))
    talk.send(0x18EAFFF9, b"\x00\xee\x00")
    with pytest.raises(BusError, match=r"nobody on can0 \(socketcan\) acknowledges") as caught:
        talk.read(0.0)
    assert "\n" not in str(caught.value)


def test_an_error_among_others_frames_is_not_solitude(monkeypatch: pytest.MonkeyPatch) -> None:
    """With others heard, a missing acknowledge or a disturbed frame is no reason to stop."""
    frame = can.Message(arbitration_id=0x18FECA00, data=bytes(8), timestamp=STAMP)
    talk = line(monkeypatch, Scripted([frame, error_frame(NO_ACKNOWLEDGE), error_frame(PROTOCOL)]))
    talk.send(0x18EAFFF9, b"\x00\xee\x00")
    assert len(talk.read(0.0)) == 3


def test_before_anything_was_sent_nobody_is_blamed(monkeypatch: pytest.MonkeyPatch) -> None:
    """An error frame from before belongs to somebody else's talk."""
    talk = line(monkeypatch, Scripted([error_frame(NO_ACKNOWLEDGE)]))
    assert len(talk.read(0.0)) == 1


def test_bus_off_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """The controller switched itself off after 256 errors of its own (ISO 11898-1)."""
    talk = line(monkeypatch, Scripted([error_frame(BUS_OFF)]))
    with pytest.raises(BusError, match="bus-off"):
        talk.read(0.0)


@pytest.mark.parametrize(
    "failure",
    [can.CanOperationError("Transmit buffer full"), can.CanOperationError("no", errno.ENOBUFS),
     OSError(errno.ENOBUFS, "No buffer space available")],
    ids=["python-can-gives-up", "python-can-number", "system"],
)
def test_a_queue_that_stays_full_is_solitude(monkeypatch: pytest.MonkeyPatch, failure: Exception) -> None:
    """What python-can and Linux say when no frame leaves, since none is acknowledged."""
    talk = line(monkeypatch, Scripted([], failure))
    with pytest.raises(BusError, match="alone there"):
        talk.send(0x18EAFFF9, b"\x00\xee\x00")
    assert talk.sent == []


def test_other_failures_keep_their_own_words(monkeypatch: pytest.MonkeyPatch) -> None:
    """A link that is down is not solitude."""
    talk = line(monkeypatch, Scripted([], OSError(errno.ENETDOWN, "Network is down")))
    with pytest.raises(BusError, match="interface is down"):
        talk.send(0x18EAFFF9, b"\x00\xee\x00")


def test_an_adapter_in_listen_only_mode_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    """A driver that says that it does not send is not talked on."""
    bus = Scripted([])
    bus.listens_only = True  # type: ignore[attr-defined]
    with pytest.raises(BusError, match="listen-only"):
        line(monkeypatch, bus, "slcan")
    assert bus.taken == []


def test_an_echo_is_not_somebody_else(monkeypatch: pytest.MonkeyPatch) -> None:
    """A driver that hands out our own frame: it is not noted twice, and nobody was heard; a second one is another's."""
    noted: list[Frame] = []
    echo = can.Message(arbitration_id=0x18EAFFF9, data=b"\x00\xee\x00", timestamp=STAMP)
    bus = Scripted([echo, None, echo])
    monkeypatch.setattr(can, "Bus", lambda **_: bus)
    talk = Line(BusSettings("slcan", "can0"))
    talk.tap = noted.extend
    talk.send(0x18EAFFF9, b"\x00\xee\x00")
    assert (len(talk.read(0.0)), talk.heard, len(noted)) == (1, 0, 1)
    assert (len(talk.read(0.0)), talk.heard, len(noted)) == (1, 1, 2)


class Echo:
    """Answers every frame with one of its own, and wants to be called after a while."""

    def __init__(self) -> None:
        self.heard: list[Frame] = []
        self.advanced: list[int] = []
        self._answers: list[tuple[int, bytes]] = [(0x18EAFFF9, b"\x00\xee\x00")]

    def feed(self, frame: Frame) -> None:
        self.heard.append(frame)
        self._answers.append((frame.can_id + 1, frame.data))

    def advance(self, now_ns: int) -> None:
        self.advanced.append(now_ns)

    def outgoing(self, _: int) -> list[tuple[int, bytes]]:
        answers, self._answers = self._answers, []
        return answers

    def next_ns(self) -> int | None:
        return self.advanced[-1] + 20_000_000


def test_conversing(settings: BusSettings) -> None:
    """Frames go both ways, what was answered last goes out before the end, and time is the talker's own."""
    talker = Echo()
    with can.Bus(interface="virtual", channel=settings.channel, ignore_config=True) as peer, Line(settings) as talk:
        peer.send(can.Message(arbitration_id=0x18FECA00, data=b"\x01", timestamp=5.0))
        converse(talk, talker, SteadyClock(), lambda: bool(talker.heard))
        assert [(frame.channel, frame.can_id) for frame in talker.heard] == [(CHANNEL, 0x18FECA00)]
        assert talker.advanced[0] <= talker.heard[0].time_ns <= talker.advanced[-1]
        assert [frame.can_id for frame in talk.sent] == [0x18EAFFF9, 0x18FECA01]
