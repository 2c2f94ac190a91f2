"""The receiving end, against senders that lose, repeat, stall, lie and storm.

Rules: SAE J1939-21, section 5.10 (from memory), and ISO 11783-3; reasons as the Linux kernel lists them,
net/can/j1939/transport.c.
"""

import pytest

from faultlamp.j1939.participant.events import AbortReason, Event, Message, NotDelivered, ReceiveFailed
from j1939.participant.simulated_bus import MS, SECOND, frame, node, of_kind

TOOL, ENGINE = 0xF9, 0x00
GROUP = bytes.fromhex("00EF00")
RTS_100 = "10 64 00 0F FF 00 EF 00"


class Receiver:
    """A tool that an engine controller, played by the test, sends to."""

    def __init__(self) -> None:
        self.participant = node(TOOL)
        self.events: list[Event] = []
        self.sent: list[str] = []
        self.now_ns = 0

    def tell(self, data: str | bytes, *, extended: bool = False, source: int = ENGINE) -> None:
        """A control frame to the tool."""
        self.hear((0x18C8F900 if extended else 0x18ECF900) | source, data)

    def packet(self, number: int, size: int = 100, *, extended: bool = False, offset: int = 0) -> None:
        """One packet of the pattern message, filled with FF."""
        at = (offset + number - 1) * 7
        seven = pattern(size)[at : at + 7].ljust(7, b"\xff")
        self.hear(0x18C7F900 if extended else 0x18EBF900, bytes((number,)) + seven)

    def hear(self, can_id: int, data: str | bytes) -> None:
        """One frame on the bus."""
        self.events += self.participant.feed(frame(self.now_ns, can_id, data))
        self.drain()

    def wait(self, span_ns: int) -> None:
        """Let time pass, acting when the participant asks to."""
        end = self.now_ns + span_ns
        while (next_ns := self.participant.next_ns()) is not None and next_ns <= end:
            self.now_ns = max(self.now_ns, next_ns)
            self.events += self.participant.advance(self.now_ns)
            self.drain()
        self.now_ns = end

    def drain(self) -> None:
        """Take what is to go out now."""
        self.sent += [data.hex(" ").upper() for _, data in self.participant.outgoing(self.now_ns)]

    @property
    def outcome(self) -> list[object]:
        """The payload of each message, the reason of each failure."""
        return [
            event.payload if isinstance(event, Message) else event.reason
            for event in self.events
            if isinstance(event, Message | ReceiveFailed)
        ]


def pattern(size: int) -> bytes:
    """A payload in which misplaced packets show."""
    return bytes(number % 251 for number in range(size))


def test_a_message_comes_in_windows_of_sixteen() -> None:
    """255 packets take 16 clear-to-sends and one acknowledgement."""
    receiver = Receiver()
    receiver.tell("10 F9 06 FF FF 00 EF 00")
    for number in range(1, 256):
        receiver.packet(number, 1785)
    assert receiver.outcome == [pattern(1785)]
    assert receiver.sent == [
        *(f"11 10 {first:02X} FF FF 00 EF 00" for first in range(1, 241, 16)),
        "11 0F F1 FF FF 00 EF 00",
        "13 F9 06 FF FF 00 EF 00",
    ]


@pytest.mark.parametrize(("most", "window"), [(1, 1), (5, 5), (16, 15), (255, 15), (0, 1)])
def test_a_window_is_no_larger_than_the_sender_wants(most: int, window: int) -> None:
    """Byte 5 of the request to send is the most packets for one clear-to-send; 0, which makes no sense, counts as 1."""
    receiver = Receiver()
    receiver.tell(f"10 64 00 0F {most:02X} 00 EF 00")
    assert receiver.sent == [f"11 {window:02X} 01 FF FF 00 EF 00"]


@pytest.mark.parametrize("size", [1, 7, 8])
def test_a_short_message_by_connection_is_taken(size: int) -> None:
    """Nobody has to send 8 bytes or fewer by connection, but who does is understood."""
    receiver = Receiver()
    receiver.tell(f"10 {size:02X} 00 {-(-size // 7):02X} FF 00 EF 00")
    for number in range(1, -(-size // 7) + 1):
        receiver.packet(number, size)
    assert receiver.outcome == [pattern(size)]
    assert receiver.sent[-1] == f"13 {size:02X} 00 {-(-size // 7):02X} FF 00 EF 00"


def test_missing_packets_are_asked_for_when_the_window_ends() -> None:
    """Each stretch that is missing gets a clear-to-send of its own, the first first."""
    receiver = Receiver()
    receiver.tell(RTS_100)
    for number in (1, 2, 4, 5, 6, 10, 11, 12, 13, 14, 15):
        receiver.packet(number)
    receiver.packet(3)
    for number in (7, 8, 9):
        receiver.packet(number)
    assert receiver.sent[1:] == [
        "11 01 03 FF FF 00 EF 00", "11 03 07 FF FF 00 EF 00", "13 64 00 0F FF 00 EF 00",
    ]
    assert receiver.outcome == [pattern(100)]


def test_the_last_packet_is_asked_for_after_t1() -> None:
    """Nothing for 750 ms after a packet: the rest is asked for again."""
    receiver = Receiver()
    receiver.tell(RTS_100)
    for number in range(1, 15):
        receiver.packet(number)
    receiver.wait(750 * MS - 1)
    assert len(receiver.sent) == 1
    receiver.wait(1)
    assert receiver.sent[1:] == ["11 01 0F FF FF 00 EF 00"]
    receiver.packet(15)
    assert receiver.outcome == [pattern(100)]


def test_a_clear_to_send_without_effect_is_repeated_twice() -> None:
    """Every 1250 ms (T2), then the connection is aborted for time."""
    receiver = Receiver()
    receiver.tell(RTS_100)
    receiver.wait(3750 * MS - 1)
    assert receiver.sent == ["11 0F 01 FF FF 00 EF 00"] * 3
    receiver.wait(1)
    assert receiver.sent[3:] == ["FF 03 FF FF FF 00 EF 00"]
    assert receiver.outcome == [AbortReason.TIMEOUT]
    assert receiver.participant.next_ns() is None


def test_a_packet_that_never_comes_ends_it() -> None:
    """Asked for twice more while others come, then reason 5."""
    receiver = Receiver()
    receiver.tell(RTS_100)
    for number in (1, *range(5, 16), 4, 3):
        receiver.packet(number)
    assert receiver.sent[1:] == [
        "11 03 02 FF FF 00 EF 00", "11 02 02 FF FF 00 EF 00", "FF 05 FF FF FF 00 EF 00",
    ]
    assert receiver.outcome == [AbortReason.RETRANSMIT_LIMIT]


def test_a_packet_that_is_not_repeated_ends_it() -> None:
    """Asked for twice more while nothing comes, 1250 ms each, then reason 3."""
    receiver = Receiver()
    receiver.tell(RTS_100)
    for number in (1, *range(3, 16)):
        receiver.packet(number)
    receiver.wait(2500 * MS)
    assert receiver.sent[1:] == ["11 01 02 FF FF 00 EF 00"] * 2 + ["FF 03 FF FF FF 00 EF 00"]
    assert receiver.outcome == [AbortReason.TIMEOUT]


def test_the_same_packet_twice() -> None:
    """With the same bytes it is ignored, with others nobody knows which is right (reason 8)."""
    receiver = Receiver()
    receiver.tell(RTS_100)
    receiver.packet(1)
    receiver.packet(1)
    assert receiver.outcome == []
    receiver.hear(0x18EBF900, "01 77 77 77 77 77 77 77")
    assert receiver.outcome == [AbortReason.DUPLICATE_SEQUENCE]
    assert receiver.sent[-1] == "FF 08 FF FF FF 00 EF 00"


def test_filling_may_differ_in_a_repeated_last_packet() -> None:
    """Bytes after the end of the message are not part of it, and a repeated packet is one whatever is asked for."""
    receiver = Receiver()
    receiver.tell(RTS_100)
    receiver.packet(15)
    receiver.hear(0x18EBF900, b"\x0f" + pattern(100)[98:] + bytes(5))
    assert receiver.outcome == []


def test_repeated_packets_do_not_keep_a_connection_alive() -> None:
    """Only what is new resets the time."""
    receiver = Receiver()
    receiver.tell(RTS_100)
    for _ in range(60):
        receiver.packet(1)
        receiver.wait(100 * MS)
    assert receiver.outcome == [AbortReason.TIMEOUT]


BAD_PACKETS = [
    pytest.param("00 11 11 11 11 11 11 11", AbortReason.BAD_SEQUENCE, id="number-0"),
    pytest.param("10 11 11 11 11 11 11 11", AbortReason.UNEXPECTED_PACKET, id="not-allowed"),
    pytest.param("FF 11 11 11 11 11 11 11", AbortReason.UNEXPECTED_PACKET, id="far-beyond"),
    pytest.param("01 11 11", AbortReason.OTHER, id="short"),
]


@pytest.mark.parametrize(("data", "reason"), BAD_PACKETS)
def test_a_packet_that_makes_no_sense(data: str, reason: AbortReason) -> None:
    """The connection is aborted with the standard's reason, and what follows is ignored."""
    receiver = Receiver()
    receiver.tell(RTS_100)
    receiver.hear(0x18EBF900, data)
    receiver.packet(1)
    assert receiver.outcome == [reason]
    assert receiver.sent[1:] == [f"FF {reason:02X} FF FF FF 00 EF 00"]


BAD_REQUESTS = [
    pytest.param("10 FA 06 00 FF 00 EF 00", False, AbortReason.TOO_LARGE_OR_UNEXPECTED_OFFSET, id="1786-bytes"),
    pytest.param("10 00 00 00 FF 00 EF 00", False, AbortReason.OTHER, id="0-bytes"),
    pytest.param("10 64 00 0E FF 00 EF 00", False, AbortReason.OTHER, id="packets-do-not-fit-the-size"),
    pytest.param("14 F9 06 00 00 00 EF 00", True, AbortReason.OTHER, id="extended-1785-bytes"),
    pytest.param("14 01 00 10 00 00 EF 00", True, AbortReason.NO_RESOURCES, id="extended-over-1-mib"),
    pytest.param("14 FF FF FF FF 00 EF 00", True, AbortReason.NO_RESOURCES, id="extended-4-gib"),
]


@pytest.mark.parametrize(("data", "extended", "reason"), BAD_REQUESTS)
def test_a_request_to_send_that_cannot_be_met(data: str, extended: bool, reason: AbortReason) -> None:
    """It is aborted at once; nothing is kept, nothing is told."""
    receiver = Receiver()
    receiver.tell(data, extended=extended)
    assert receiver.sent == [f"FF {reason:02X} FF FF FF 00 EF 00"]
    assert receiver.events == []
    assert receiver.participant.next_ns() is None


def test_too_much_at_once_is_refused() -> None:
    """Extended connections may announce 4 MiB together; the fifth of 1 MiB is told that we are busy."""
    receiver = Receiver()
    for source in range(5):
        receiver.tell("14 00 00 10 00 00 EF 00", extended=True, source=source)
    assert [data[:5] for data in receiver.sent] == ["15 FF"] * 4 + ["FF 01"]
    receiver.tell("FF 03 FF FF FF 00 EF 00", extended=True, source=2)
    receiver.tell("14 00 00 10 00 00 EF 00", extended=True, source=4)
    assert receiver.sent[-1][:5] == "15 FF"


def test_a_repeated_request_to_send_begins_anew() -> None:
    """Before the first packet it is a repetition; later it is a failure of the first and a second beginning."""
    receiver = Receiver()
    receiver.tell(RTS_100)
    receiver.tell(RTS_100)
    assert receiver.events == []
    receiver.packet(1)
    receiver.tell(RTS_100)
    assert receiver.outcome == [None]
    for number in range(1, 16):
        receiver.packet(number)
    assert receiver.outcome == [None, pattern(100)]
    assert [data[:8] for data in receiver.sent] == ["11 0F 01"] * 3 + ["13 64 00"]


def test_another_message_in_place_of_the_first_is_told() -> None:
    """A request to send for something else means that the first will never come."""
    receiver = Receiver()
    receiver.tell(RTS_100)
    receiver.tell("10 14 00 03 FF 00 EF 00")
    assert receiver.outcome == [None]


def test_the_sender_breaks_off() -> None:
    """Its reason is passed on; an abort of another group is not about this."""
    receiver = Receiver()
    receiver.tell(RTS_100)
    receiver.tell("FF 02 FF FF FF CA FE 00")
    assert receiver.events == []
    receiver.tell("FF 02 FF FF FF 00 EF 00")
    assert of_kind(receiver.events, ReceiveFailed) == [
        ReceiveFailed(0, 0xEF00, ENGINE, AbortReason.NO_RESOURCES, "broken off by the other node: no room for it")
    ]
    assert len(receiver.sent) == 1


@pytest.mark.parametrize(
    ("data", "reason"),
    [
        pytest.param("16 FF 00 00 00 CA FE 00", AbortReason.OFFSET_WRONG_GROUP, id="another-group"),
        pytest.param("16 00 00 00 00 00 EF 00", AbortReason.OFFSET_TOO_MANY, id="no-packets"),
        pytest.param("16 FF 01 00 00 00 EF 00", AbortReason.BAD_OFFSET, id="offset-1"),
        pytest.param("16 FF FF FF FF 00 EF 00", AbortReason.BAD_OFFSET, id="offset-max"),
    ],
)
def test_an_offset_that_makes_no_sense(data: str, reason: AbortReason) -> None:
    """The extended connection is aborted with its reason of ISO 11783-3."""
    receiver = Receiver()
    receiver.tell("14 88 13 00 00 00 EF 00", extended=True)
    receiver.tell(data, extended=True)
    assert receiver.outcome == [reason]
    assert receiver.sent[1:] == [f"FF {reason:02X} FF FF FF 00 EF 00"]


def test_an_offset_for_more_packets_than_allowed() -> None:
    """The last window of 2000 bytes allows 31 packets; 32 are too many (reason 11)."""
    receiver = Receiver()
    receiver.tell("14 D0 07 00 00 00 EF 00", extended=True)
    receiver.tell("16 FF 00 00 00 00 EF 00", extended=True)
    for number in range(1, 256):
        receiver.packet(number, 2000, extended=True)
    receiver.tell("16 20 FF 00 00 00 EF 00", extended=True)
    assert receiver.outcome == [AbortReason.OFFSET_TOO_MANY]


def test_a_second_offset_in_one_window() -> None:
    """Reason 9."""
    receiver = Receiver()
    receiver.tell("14 88 13 00 00 00 EF 00", extended=True)
    receiver.tell("16 FF 00 00 00 00 EF 00", extended=True)
    receiver.tell("16 FF 00 00 00 00 EF 00", extended=True)
    assert receiver.outcome == [AbortReason.TOO_LARGE_OR_UNEXPECTED_OFFSET]


def test_an_extended_sender_may_take_smaller_windows() -> None:
    """The offset says how many packets follow; the next clear-to-send goes on after them."""
    receiver = Receiver()
    receiver.tell("14 D0 07 00 00 00 EF 00", extended=True)
    offset = 0
    for count in (100, 100, 86):
        receiver.tell(bytes((0x16, count)) + offset.to_bytes(3, "little") + GROUP, extended=True)
        for number in range(1, count + 1):
            receiver.packet(number, 2000, extended=True, offset=offset)
        offset += count
    assert receiver.outcome == [pattern(2000)]
    assert receiver.sent == [
        "15 FF 01 00 00 00 EF 00", "15 BA 65 00 00 00 EF 00", "15 56 C9 00 00 00 EF 00", "17 D0 07 00 00 00 EF 00",
    ]


def test_packets_without_an_offset() -> None:
    """One window of them is waited out and asked for again; more are reason 6."""
    receiver = Receiver()
    receiver.tell("14 D0 07 00 00 00 EF 00", extended=True)
    for number in range(1, 256):
        receiver.packet(number, 2000, extended=True)
        receiver.wait(5 * MS)
    receiver.wait(SECOND)
    assert receiver.sent == ["15 FF 01 00 00 00 EF 00"] * 2
    for _ in range(255):
        receiver.packet(1, 2000, extended=True)
    assert receiver.outcome == []
    receiver.packet(1, 2000, extended=True)
    assert receiver.outcome == [AbortReason.UNEXPECTED_PACKET]


@pytest.mark.parametrize(
    ("can_id", "data"),
    [
        pytest.param(0x18EBF900, "01 11 11 11 11 11 11 11", id="packet-without-connection"),
        pytest.param(0x18C7F900, "01 11 11 11 11 11 11 11", id="extended-packet-without-connection"),
        pytest.param(0x18C8F900, "16 FF 00 00 00 00 EF 00", id="offset-without-connection"),
        pytest.param(0x18ECF900, "11 0F 01 FF FF 00 EF 00", id="clear-to-send-without-connection"),
        pytest.param(0x18ECF900, "FF 03 FF FF FF 00 EF 00", id="abort-without-connection"),
        pytest.param(0x18ECF900, "10 64 00 0F FF 00 EF", id="request-of-7-bytes"),
        pytest.param(0x18ECF900, "10 64 00 0F FF 00 EF FF", id="request-for-no-group"),
        pytest.param(0x18ECF9FE, RTS_100, id="request-from-the-null-address"),
        pytest.param(0x18ECF9FF, RTS_100, id="request-from-everybody"),
        pytest.param(0x18EC2100, RTS_100, id="request-to-another"),
        pytest.param(0x18ECFF00, RTS_100, id="request-to-everybody"),
        pytest.param(0x1BECF900, RTS_100, id="not-j1939"),
    ],
)
def test_frames_that_ask_nothing_of_us(can_id: int, data: str) -> None:
    """They are neither answered nor told."""
    receiver = Receiver()
    receiver.hear(can_id, data)
    assert (receiver.sent, receiver.events) == ([], [])
    assert receiver.participant.next_ns() is None


def test_ordinary_and_extended_connections_do_not_mix() -> None:
    """One of each from the same node, interleaved, both arrive."""
    receiver = Receiver()
    receiver.tell(RTS_100)
    receiver.tell("14 D0 07 00 00 00 EF 00", extended=True)
    receiver.tell("16 FF 00 00 00 00 EF 00", extended=True)
    for number in range(1, 256):
        receiver.packet(number, 2000, extended=True)
        if number <= 15:
            receiver.packet(number)
    receiver.tell("16 1F FF 00 00 00 EF 00", extended=True)
    for number in range(1, 32):
        receiver.packet(number, 2000, extended=True, offset=255)
    assert receiver.outcome == [pattern(100), pattern(2000)]


def test_hanging_up_aborts_every_connection_once() -> None:
    """Each direction gets an abort for its group (SAE J1939-21, section 5.10.1), a broadcast none."""
    tool = Receiver()
    tool.tell(RTS_100)
    tool.participant.send(0, 0xEF00, 0x03, bytes(20))
    tool.participant.send(0, 0xEF00, 0x03, bytes(30))
    tool.participant.send(0, 0xFECA, 0xFF, bytes(20))
    tool.drain()
    tool.sent.clear()
    tool.participant.hang_up(0)
    tool.drain()
    assert sorted(tool.sent) == ["FF 02 FF FF FF 00 EF 00"] * 2
    tool.events += tool.participant.advance(0)
    assert len(of_kind(tool.events, NotDelivered)) == 3
    assert len(of_kind(tool.events, ReceiveFailed)) == 1
    tool.sent.clear()
    tool.participant.hang_up(0)
    tool.wait(10 * SECOND)
    assert tool.sent == []
