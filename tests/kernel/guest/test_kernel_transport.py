"""Sessions as the Linux kernel runs them, when all goes well and when the other side misbehaves."""

from pathlib import Path

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

from faultlamp.j1939.transport import TRANSPORT_PGNS, Reassembler

pytestmark = pytest.mark.kernel

NOTHING = {"completed": 0, "aborted": 0, "timed_out": 0, "incomplete": 0, "out_of_order": 0, "malformed": 0}

# A prime length, so that neither packets of 7 bytes nor blocks of 255 packets repeat it.
PATTERN = bytes(range(251))


def pattern(size: int) -> bytes:
    """A payload in which misplaced packets show."""
    return (PATTERN * (size // len(PATTERN) + 1))[:size]


def reassembled(frames: list[LoggedFrame], pgn: int) -> list[tuple[int, int, bytes]]:
    """(source, destination, payload) of each message of the group, by the project's reassembler."""
    reassembler = Reassembler(frozenset({pgn}))
    messages = []
    for time_us, channel, can_id, data in frames:
        if can_id >> 8 & 0x3FF00 in TRANSPORT_PGNS:
            word = int.from_bytes(data.ljust(8, b"\xff"), "little")
            transfer = reassembler.feed(time_us * 1000, channel, can_id, word, len(data))
            if transfer is not None and transfer.payload is not None:
                messages.append((transfer.source, transfer.destination, transfer.payload))
    return messages


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


# What a receiver without a stack answers to the kernel's RTS for 30 bytes, and the reason in the abort that the kernel
# then sends: 3 timeout, 5 more packets asked for than there are, 8 a second CTS while one is in hand (Linux kernel,
# net/can/j1939/transport.c, enum j1939_xtp_abort).
UNHAPPY_RECEIVERS = [
    pytest.param([], 3, id="nobody there"),
    pytest.param(["11 02 01 FF FF 00 EF 00"], 3, id="gone after its CTS"),
    pytest.param(["11 00 01 FF FF 00 EF 00"], 3, id="gone after a hold"),
    pytest.param(["11 FF 01 FF FF 00 EF 00"], 5, id="asks for too many"),
    pytest.param(["11 00 01 FF FF 00 EF 00", "11 02 01 FF FF 00 EF 00"], 8, id="CTS while on hold"),
    pytest.param(["11 02 01 FF FF 00 EF 00", "FF FA FF FF FF 00 EF 00"], 3, id="aborts after two packets"),
]


@pytest.mark.parametrize(("answers", "reason"), UNHAPPY_RECEIVERS)
def test_kernel_gives_up_sending(tmp_path: Path, answers: list[str], reason: int) -> None:
    """A transfer that the kernel gives up counts as aborted, or as timed out when the wire was silent for too long."""
    with recorded(tmp_path / "bus.log") as log, RawNode() as receiver, Node(0x60) as sender:
        sender.send(PROPRIETARY_A, pattern(30), to=0x61)
        for answer in answers:
            receiver.send(0x18EC6061, answer)
        # Closing the sender waits for the end of its session.
    frames = logged_frames(log)
    assert frames[-1].can_id == 0x18EC6160
    assert frames[-1].data[:2] == bytes((255, reason))
    assert faults_document(log)["transport"] == NOTHING | {ending_of(frames): 1}


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


def ending_of(frames: list[LoggedFrame]) -> str:
    """How one unfinished connection ended: timed out when its first abort came after more than 1250 ms of silence."""
    place = next(at for at, frame in enumerate(frames) if frame.data[0] == 255)
    return "timed_out" if frames[place].time_us - frames[place - 1].time_us > 1_250_000 else "aborted"
