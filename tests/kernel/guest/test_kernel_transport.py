"""Sessions as the Linux kernel runs them, when all goes well and when the other side misbehaves."""

import contextlib
from collections import Counter
from pathlib import Path
from typing import NamedTuple

import pytest
from kernel_bus import (
    DM1,
    PROPRIETARY_A,
    LoggedFrame,
    Node,
    RawNode,
    broadcast,
    faults_document,
    logged_frames,
    recorded,
)

from faultlamp.j1939.transport import TRANSPORT_PGNS, Reassembler, Transfer

pytestmark = pytest.mark.kernel

NOTHING = {"completed": 0, "aborted": 0, "timed_out": 0, "incomplete": 0, "out_of_order": 0, "malformed": 0}

# A prime length, so that neither packets of 7 bytes nor blocks of 255 packets repeat it.
PATTERN = bytes(range(251))


def pattern(size: int) -> bytes:
    """A payload in which misplaced packets show."""
    return (PATTERN * (size // len(PATTERN) + 1))[:size]


def reassembled(frames: list[LoggedFrame], pgn: int) -> list[tuple[int, int, bytes]]:
    """(source, destination, payload) of each message of the group, by the project's reassembler."""
    transfers = feed(Reassembler(frozenset({pgn})), frames)
    return [(transfer.source, transfer.destination, transfer.payload) for transfer in transfers if transfer.payload]


def feed(reassembler: Reassembler, frames: list[LoggedFrame]) -> list[Transfer]:
    """Give the reassembler every frame of a transport group; what it says."""
    transfers = []
    for time_us, channel, can_id, data in frames:
        if can_id >> 8 & 0x3FF00 in TRANSPORT_PGNS:
            word = int.from_bytes(data.ljust(8, b"\xff"), "little")
            transfers.append(reassembler.feed(time_us * 1000, channel, can_id, word, len(data)))
    return [transfer for transfer in transfers if transfer is not None]


@pytest.mark.parametrize(
    "size",
    [
        pytest.param(9, id="smallest RTS/CTS"),
        pytest.param(1785, id="largest RTS/CTS"),
        pytest.param(1786, id="smallest extended"),
        pytest.param(2000, id="extended, 2 blocks"),
        pytest.param(20000, id="extended, 12 blocks"),
    ],
)
def test_connection_payload(tmp_path: Path, size: int) -> None:
    """Overheard between two sockets of the kernel, the message is byte for byte what went in, and is counted once."""
    payload = pattern(size)
    with recorded(tmp_path / "bus.log") as log, Node(0x20) as sender, Node(0x21) as receiver:
        sender.send(PROPRIETARY_A, payload, to=0x21)
        assert receiver.receive(PROPRIETARY_A) == payload
    assert reassembled(logged_frames(log), PROPRIETARY_A) == [(0x20, 0x21, payload)]
    assert faults_document(log)["transport"] == NOTHING | {"completed": 1}


def test_broadcast_payload(tmp_path: Path) -> None:
    """A BAM of the kernel comes out byte for byte, cut to its announced size."""
    with recorded(tmp_path / "bus.log") as log:
        broadcast(0x20, DM1, pattern(86))
    assert reassembled(logged_frames(log), DM1) == [(0x20, 0xFF, pattern(86))]


def test_both_directions_at_once(tmp_path: Path) -> None:
    """Two nodes that send to each other at the same time have two sessions."""
    there, back = pattern(1785), pattern(500)[::-1]
    with recorded(tmp_path / "bus.log") as log, Node(0x20) as one, Node(0x21) as other:
        one.send(PROPRIETARY_A, there, to=0x21)
        other.send(PROPRIETARY_A, back, to=0x20)
        assert other.receive(PROPRIETARY_A) == there
        assert one.receive(PROPRIETARY_A) == back
    assert sorted(reassembled(logged_frames(log), PROPRIETARY_A)) == [(0x20, 0x21, there), (0x21, 0x20, back)]
    assert faults_document(log)["transport"] == NOTHING | {"completed": 2}


def test_kernel_sends_packets_again_when_asked(tmp_path: Path) -> None:
    """A CTS that goes back makes the kernel repeat a packet (SAE J1939-21, section 5.10.3); the message is whole."""
    payload = pattern(30)
    with recorded(tmp_path / "bus.log") as log, Node(0x60) as sender, RawNode() as receiver:
        sender.send(PROPRIETARY_A, payload, to=0x61)
        receiver.send(0x18EC6061, "11 02 01 FF FF 00 EF 00")
        receiver.send(0x18EC6061, "11 02 02 FF FF 00 EF 00")
        receiver.send(0x18EC6061, "11 02 04 FF FF 00 EF 00")
        receiver.send(0x18EC6061, "13 1E 00 05 FF 00 EF 00")
    frames = logged_frames(log)
    assert [frame.data[0] for frame in frames if frame.can_id == 0x18EB6160] == [1, 2, 2, 3, 4, 5]
    assert reassembled(frames, PROPRIETARY_A) == [(0x60, 0x61, payload)]
    assert faults_document(log)["transport"] == NOTHING | {"completed": 1}


class UnhappyReceiver(NamedTuple):
    """A node without a stack: what it answers to an RTS for 30 bytes, and why the kernel's sender then gives up."""

    address: int
    answers: list[str]
    reason: int


# Reasons of the Linux kernel's abort (net/can/j1939/transport.c, enum j1939_xtp_abort): 3 timeout, 5 more packets asked
# for than there are, 8 a second CTS while one is in hand.
UNHAPPY_RECEIVERS = {
    "nobody there": UnhappyReceiver(0x61, [], 3),
    "gone after its CTS": UnhappyReceiver(0x62, ["11 02 01 FF FF 00 EF 00"], 3),
    "gone after a hold": UnhappyReceiver(0x63, ["11 00 01 FF FF 00 EF 00"], 3),
    "asks for too many": UnhappyReceiver(0x64, ["11 FF 01 FF FF 00 EF 00"], 5),
    "CTS while on hold": UnhappyReceiver(0x65, ["11 00 01 FF FF 00 EF 00", "11 02 01 FF FF 00 EF 00"], 8),
    "aborts after two": UnhappyReceiver(0x66, ["11 02 01 FF FF 00 EF 00", "FF FA FF FF FF 00 EF 00"], 3),
}


@pytest.fixture(scope="module")
def given_up(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One recording of the kernel sending to all unhappy receivers at the same time, each from a node of its own."""
    with (
        recorded(tmp_path_factory.mktemp("given-up") / "bus.log") as log,
        contextlib.ExitStack() as stack,
        RawNode() as raw,
    ):
        for receiver in UNHAPPY_RECEIVERS.values():
            # Closing the sender waits for the end of its session.
            sender = stack.enter_context(Node(receiver.address + 0x10))
            sender.send(PROPRIETARY_A, pattern(30), to=receiver.address)
            for answer in receiver.answers:
                raw.send(0x18EC0000 | receiver.address + 0x10 << 8 | receiver.address, answer)
    return log


@pytest.mark.parametrize("receiver", UNHAPPY_RECEIVERS.values(), ids=UNHAPPY_RECEIVERS)
def test_kernel_gives_up_sending(given_up: Path, receiver: UnhappyReceiver) -> None:
    """A transfer that the kernel gives up is aborted, or timed out when the wire was silent for too long before."""
    frames = exchanged(given_up, receiver)
    assert frames[-1].can_id & 0xFF == receiver.address + 0x10
    assert frames[-1].data[:2] == bytes((255, receiver.reason))
    reassembler = Reassembler(frozenset())
    feed(reassembler, frames)
    assert [trouble.ending for trouble in reassembler.troubles] == [ending_of(frames)]


def test_all_that_the_kernel_gave_up_is_counted(given_up: Path) -> None:
    """Each of the transfers is counted once, under its own ending; both endings occur."""
    endings = Counter(ending_of(exchanged(given_up, receiver)) for receiver in UNHAPPY_RECEIVERS.values())
    assert set(endings) == {"aborted", "timed_out"}
    assert faults_document(given_up)["transport"] == NOTHING | endings


def test_kernel_gives_up_receiving(tmp_path: Path) -> None:
    """A sender that stops after its first packet is aborted by the receiving kernel (T1, reason 3)."""
    with recorded(tmp_path / "bus.log") as log, Node(0x51) as receiver, RawNode() as sender:
        sender.send(0x18EC5150, "10 64 00 0F 0F 00 EF 00")
        sender.send(0x18EB5150, "01 11 11 11 11 11 11 11")
        receiver.socket.settimeout(1.5)
        with pytest.raises(TimeoutError):
            receiver.receive(PROPRIETARY_A)
    frames = logged_frames(log)
    assert [frame.data[0] for frame in frames] == [0x10, 0x11, 1, 0xFF]
    assert (frames[-1].can_id, frames[-1].data[1]) == (0x18EC5051, 3)
    assert faults_document(log)["transport"] == NOTHING | {ending_of(frames): 1}


def test_kernel_refuses_an_impossible_size(tmp_path: Path) -> None:
    """An RTS for more than 1785 bytes is refused by the kernel, and is malformed to a listener."""
    with recorded(tmp_path / "bus.log") as log, Node(0x51), RawNode() as sender:
        sender.send(0x18EC5150, "10 FF FF FF 0F 00 EF 00")
    frames = logged_frames(log)
    assert [(frame.can_id, frame.data[0]) for frame in frames] == [(0x18EC5150, 0x10), (0x18EC5051, 0xFF)]
    assert faults_document(log)["transport"] == NOTHING | {"malformed": 1}


def exchanged(log: Path, receiver: UnhappyReceiver) -> list[LoggedFrame]:
    """The frames between that receiver and the node that sends to it."""
    pair = {receiver.address, receiver.address + 0x10}
    return [frame for frame in logged_frames(log) if {frame.can_id & 0xFF, frame.can_id >> 8 & 0xFF} == pair]


def ending_of(frames: list[LoggedFrame]) -> str:
    """How one unfinished connection ended: timed out when its first abort came after more than 1250 ms of silence."""
    place = next(at for at, frame in enumerate(frames) if frame.data[0] == 255)
    return "timed_out" if frames[place].time_us - frames[place - 1].time_us > 1_250_000 else "aborted"
