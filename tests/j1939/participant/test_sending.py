"""The sending end, against receivers that ask again, hold, stall, lie and storm.

Rules: SAE J1939-21, section 5.10 (from memory); reasons as the Linux kernel lists them, net/can/j1939/transport.c.
"""

from collections.abc import Callable

import pytest

from faultlamp.j1939.participant import Participant
from faultlamp.j1939.participant.events import AbortReason, Delivered, Event, Message, NotDelivered
from faultlamp.j1939.participant.outbox import MOST_WAITING
from faultlamp.j1939.participant.participant import LARGEST_SENT
from j1939.participant.simulated_bus import MS, SECOND, frame, node, of_kind
from support.names import name

TOOL, ENGINE = 0xF9, 0x00
CONTROL, EXTENDED_CONTROL = 0x1CECF900, 0x1CC8F900
GROUP = bytes.fromhex("00EF00")


class Sender:
    """One message on its way to an engine controller that the test plays."""

    def __init__(self, size: int) -> None:
        self.participant = node(TOOL)
        self.extended = size > 1785
        self.payload = bytes(number % 251 for number in range(size))
        self.number = self.participant.send(0, 0xEF00, ENGINE, self.payload)
        self.events: list[Event] = []
        self.control: list[bytes] = []
        self.packets: list[int] = []
        self.now_ns = 0
        self.drain()

    def drain(self) -> None:
        """Take what is to go out now."""
        for can_id, data in self.participant.outgoing(self.now_ns):
            if can_id >> 16 & 0xFF in (0xEB, 0xC7):
                self.packets.append(data[0])
            else:
                self.control.append(data)

    def wait(self, span_ns: int) -> None:
        """Let time pass, acting when the participant asks to."""
        end = self.now_ns + span_ns
        while True:
            self.events += self.participant.advance(self.now_ns)
            self.drain()
            next_ns = self.participant.next_ns()
            if next_ns is None or next_ns > end:
                break
            self.now_ns = max(self.now_ns, next_ns)
        self.now_ns = end
        self.events += self.participant.advance(end)
        self.drain()

    def tell(self, *head: int, group: bytes = GROUP) -> None:
        """The controller sends a control frame: its first bytes, filled with FF to five."""
        data = bytes(head).ljust(5, b"\xff") + group
        can_id = EXTENDED_CONTROL if self.extended else CONTROL
        self.events += self.participant.feed(frame(self.now_ns, can_id, data))
        self.drain()

    def allow(self, packets: int, following: int) -> None:
        """Clear to send."""
        if self.extended:
            self.tell(0x15, packets, *following.to_bytes(3, "little"))
        else:
            self.tell(0x11, packets, following)

    def acknowledge(self) -> None:
        """End of message."""
        size = len(self.payload)
        if self.extended:
            self.tell(0x17, *size.to_bytes(4, "little"))
        else:
            self.tell(0x13, *size.to_bytes(2, "little"), -(-size // 7))

    @property
    def outcome(self) -> list[str | int | None]:
        """'delivered', or the reason of each failure."""
        return [
            "delivered" if isinstance(event, Delivered) else event.reason
            for event in self.events
            if isinstance(event, Delivered | NotDelivered)
        ]


def test_a_receiver_may_take_it_in_pieces() -> None:
    """Windows of any size, one after the other, then the acknowledgement."""
    sender = Sender(100)
    for packets, following in ((1, 1), (3, 2), (9, 5), (2, 14)):
        sender.allow(packets, following)
        sender.wait(50 * MS)
    sender.acknowledge()
    assert sender.packets == list(range(1, 16))
    assert sender.outcome == ["delivered"]


def test_packets_leave_a_millisecond_apart() -> None:
    """An owner that comes in time gets one at a time; one that comes late gets eight at most."""
    sender = Sender(1785)
    sender.allow(255, 1)
    assert sender.packets == [1]
    for _ in range(4):
        sender.now_ns += MS
        sender.drain()
    assert sender.packets == [1, 2, 3, 4, 5]
    sender.now_ns += 100 * MS
    sender.drain()
    assert sender.packets == list(range(1, 14))
    sender.drain()
    assert sender.packets == list(range(1, 14))


def test_more_packets_than_are_left_means_all_that_are_left() -> None:
    """A clear-to-send for 255 packets of a message that has 3."""
    sender = Sender(20)
    sender.allow(255, 1)
    sender.wait(10 * MS)
    sender.acknowledge()
    assert (sender.packets, sender.outcome) == ([1, 2, 3], ["delivered"])


def test_lost_packets_are_sent_again() -> None:
    """Each clear-to-send that goes back gets what it names (section 5.10.3.2)."""
    sender = Sender(100)
    sender.allow(15, 1)
    sender.wait(50 * MS)
    sender.allow(1, 4)
    sender.wait(50 * MS)
    sender.allow(2, 8)
    sender.wait(50 * MS)
    sender.acknowledge()
    assert sender.packets == [*range(1, 16), 4, 8, 9]
    assert sender.outcome == ["delivered"]


@pytest.mark.parametrize("size", [100, 2000])
def test_the_same_packet_is_sent_three_times_and_no_more(size: int) -> None:
    """The third repetition asked for ends the connection with reason 5."""
    sender = Sender(size)
    for _ in range(10):
        sender.allow(1, 1)
        sender.wait(20 * MS)
    assert sender.packets == [1, 1, 1]
    assert sender.control[-1] == b"\xff\x05\xff\xff\xff" + GROUP
    assert sender.outcome == [AbortReason.RETRANSMIT_LIMIT]


@pytest.mark.parametrize("size", [1785, 5000])
def test_asking_again_for_ever_other_packets_ends_as_well(size: int) -> None:
    """However a receiver varies what it asks for, each packet leaves at most three times on average."""
    sender = Sender(size)
    total = -(-size // 7)
    following = 1
    while not sender.outcome:
        sender.allow(255, following)
        sender.wait(2 * SECOND // 5)
        following = following % min(total, len(sender.packets) or 1) + 1
    assert len(sender.packets) <= 3 * total
    assert sender.outcome == [AbortReason.RETRANSMIT_LIMIT]


def test_holds_keep_the_connection() -> None:
    """A clear-to-send for no packets asks to wait; each keeps the connection for another 1050 ms (T4)."""
    sender = Sender(100)
    for _ in range(10):
        sender.allow(0, 1)
        sender.wait(1049 * MS)
    assert sender.outcome == []
    sender.allow(15, 1)
    sender.wait(50 * MS)
    sender.acknowledge()
    assert sender.outcome == ["delivered"]
    assert len(sender.control) == 1


def test_a_hold_that_is_not_renewed_ends_after_t4() -> None:
    """1050 ms after the last hold the connection is aborted for time."""
    sender = Sender(100)
    sender.allow(0, 1)
    sender.wait(1050 * MS - 1)
    assert sender.outcome == []
    sender.wait(1)
    assert sender.outcome == [AbortReason.TIMEOUT]
    assert sender.control[-1][:2] == b"\xff\x03"


def test_holding_for_ever_ends_after_a_minute() -> None:
    """The standard names no limit; ours is a minute in all."""
    sender = Sender(100)
    while not sender.outcome:
        sender.allow(0, 1)
        sender.wait(500 * MS)
    assert sender.now_ns == 60 * SECOND + 500 * MS
    assert sender.outcome == [AbortReason.TIMEOUT]


def test_the_minute_counts_all_holds_together() -> None:
    """A receiver that takes a packet every 20 s of holding has used it up during the fourth."""
    sender = Sender(100)
    for following in range(1, 16):
        for _ in range(20):
            sender.allow(0, following)
            sender.wait(SECOND)
        if sender.outcome:
            break
        sender.allow(1, following)
        sender.wait(100 * MS)
    assert sender.packets == [1, 2, 3]
    assert sender.outcome == [AbortReason.TIMEOUT]


def test_the_request_to_send_is_repeated_twice() -> None:
    """Every 1250 ms (T3), then the abort; 3750 ms in all."""
    sender = Sender(100)
    sender.wait(3750 * MS - 1)
    assert [data[0] for data in sender.control] == [16, 16, 16]
    assert sender.outcome == []
    sender.wait(1)
    assert [data[0] for data in sender.control] == [16, 16, 16, 255]
    assert sender.outcome == [AbortReason.TIMEOUT]


def test_a_late_receiver_is_not_disturbed_by_the_repetition() -> None:
    """A receiver that answers both requests to send repeats itself; that is no error."""
    sender = Sender(100)
    sender.wait(1250 * MS)
    sender.allow(15, 1)
    sender.allow(15, 1)
    sender.wait(50 * MS)
    sender.acknowledge()
    assert sender.packets == list(range(1, 16))
    assert sender.outcome == ["delivered"]


@pytest.mark.parametrize("size", [100, 2000])
def test_silence_after_the_packets_ends_after_t3(size: int) -> None:
    """1250 ms after the last packet without an answer the connection is aborted for time."""
    sender = Sender(size)
    sender.allow(10, 1)
    sender.wait(9 * MS)
    assert len(sender.packets) == 10
    sender.wait(1250 * MS - 1)
    assert sender.outcome == []
    sender.wait(1)
    assert sender.outcome == [AbortReason.TIMEOUT]


def test_clear_to_send_while_sending_ends_it() -> None:
    """Reason 4, unless it repeats the one in hand or asks to wait."""
    sender = Sender(100)
    sender.allow(15, 1)
    sender.allow(15, 1)
    sender.allow(0, 1)
    assert sender.outcome == []
    sender.allow(5, 3)
    assert sender.outcome == [AbortReason.CTS_WHILE_SENDING]
    sender.wait(SECOND)
    assert sender.packets == [1]


WRONG: list[tuple[str, int, Callable[[Sender], None], int | None]] = [
    ("packet-0", 100, lambda sender: sender.allow(1, 0), AbortReason.BAD_SEQUENCE),
    ("beyond", 100, lambda sender: sender.allow(1, 16), AbortReason.BAD_SEQUENCE),
    ("left-out", 100, lambda sender: sender.allow(1, 3), AbortReason.BAD_SEQUENCE),
    ("extended-packet-0", 2000, lambda sender: sender.allow(1, 0), AbortReason.CTS_BEYOND_MESSAGE),
    ("extended-beyond", 2000, lambda sender: sender.allow(1, 287), AbortReason.CTS_BEYOND_MESSAGE),
    ("acknowledged-at-once", 100, Sender.acknowledge, AbortReason.OTHER),
    ("aborted", 100, lambda sender: sender.tell(0xFF, 1), AbortReason.BUSY),
    ("aborted-extended", 2000, lambda sender: sender.tell(0xFF, 2), AbortReason.NO_RESOURCES),
    ("aborted-reserved-reason", 100, lambda sender: sender.tell(0xFF, 77), 77),
]


@pytest.mark.parametrize(
    ("size", "act", "reason"), [pytest.param(size, act, reason, id=case) for case, size, act, reason in WRONG]
)
def test_a_receiver_that_makes_no_sense(size: int, act: Callable[[Sender], None], reason: int) -> None:
    """The connection ends with the standard's reason, one abort at most, and nothing follows."""
    sender = Sender(size)
    act(sender)
    before = list(sender.control)
    sender.wait(10 * SECOND)
    assert sender.outcome == [reason]
    assert sender.control == before
    assert sender.packets == []


def test_an_acknowledgement_of_another_size_is_no_delivery() -> None:
    """The receiver has something, but not our message."""
    sender = Sender(100)
    sender.allow(15, 1)
    sender.wait(50 * MS)
    sender.tell(0x13, 99, 0, 15)
    (failed,) = of_kind(sender.events, NotDelivered)
    assert (failed.reason, failed.words) == (None, "99 bytes acknowledged instead of 100")


@pytest.mark.parametrize(
    "disturb",
    [
        pytest.param(lambda sender: sender.tell(0x11, 0xFF, 1, group=b"\xca\xfe\x00"), id="cts-of-another-group"),
        pytest.param(lambda sender: sender.tell(0xFF, 3, group=b"\xca\xfe\x00"), id="abort-of-another-group"),
        pytest.param(lambda sender: sender.tell(0x13, 100, 0, 15, group=b"\xff\xff\xff"), id="end-of-no-group"),
        pytest.param(lambda sender: sender.tell(0x77), id="unknown-control"),
        pytest.param(
            lambda sender: sender.participant.feed(frame(0, CONTROL, "11 0F 01 FF FF 00 EF")), id="short-control"
        ),
        pytest.param(
            lambda sender: sender.participant.feed(frame(0, CONTROL | 0x21, "11 0F 01 FF FF 00 EF 00")),
            id="another-node",
        ),
        pytest.param(
            lambda sender: sender.participant.feed(frame(0, EXTENDED_CONTROL, "15 0F 01 00 00 00 EF 00")),
            id="extended-cts",
        ),
    ],
)
def test_what_is_not_about_our_message_changes_nothing(disturb: Callable[[Sender], None]) -> None:
    """Frames of other groups, nodes and protocols neither release packets nor end the connection."""
    sender = Sender(100)
    disturb(sender)
    sender.wait(100 * MS)
    assert (sender.packets, sender.outcome, len(sender.control)) == ([], [], 1)
    sender.allow(15, 1)
    sender.wait(50 * MS)
    sender.acknowledge()
    assert sender.outcome == ["delivered"]


def test_extended_windows_are_preceded_by_their_offset() -> None:
    """ISO 11783-3: the offset is one less than the first packet, the numbers begin at 1 again."""
    sender = Sender(2000)
    sender.allow(255, 1)
    sender.wait(SECOND)
    sender.allow(100, 256)
    sender.wait(SECOND)
    sender.acknowledge()
    assert [data.hex() for data in sender.control] == [
        "14d007000000ef00", "16ff00000000ef00", "161fff000000ef00",
    ]
    assert sender.packets == [*range(1, 256), *range(1, 32)]
    assert sender.outcome == ["delivered"]


def test_one_connection_to_a_node_at_a_time() -> None:
    """The second message to a node waits for the first; one to another node does not."""
    participant = node(TOOL)
    participant.send(0, 0xEF00, ENGINE, bytes(20))
    participant.send(0, 0xEF00, ENGINE, bytes(30))
    participant.send(0, 0xEF00, 3, bytes(40))
    assert [(can_id, data[1]) for can_id, data in participant.outgoing(0)] == [(0x1CEC00F9, 20), (0x1CEC03F9, 40)]
    participant.feed(frame(MS, CONTROL, "FF 01 FF FF FF 00 EF 00"))
    assert [(can_id, data[1]) for can_id, data in participant.outgoing(MS)] == [(0x1CEC00F9, 30)]


@pytest.mark.parametrize(
    ("pgn", "destination", "size", "message"),
    [
        pytest.param(0xFECA, 255, 1786, "message size 1786", id="too-long-for-everybody"),
        pytest.param(0xEF00, 0, LARGEST_SENT + 1, "message size 1048577", id="too-long"),
        pytest.param(0xEF00, 254, 8, "destination 254", id="null-address"),
        pytest.param(0xEF00, 256, 8, "destination 256", id="no-address"),
        pytest.param(0xEF01, 0, 8, "parameter group 61185", id="low-byte-of-an-addressed-group"),
        pytest.param(1 << 18, 0, 8, "pgn 262144", id="no-group"),
    ],
)
def test_what_cannot_be_sent_is_refused(pgn: int, destination: int, size: int, message: str) -> None:
    """Each is a mistake of the program and raises ValueError."""
    with pytest.raises(ValueError, match=f"^{message}"):
        node(TOOL).send(0, pgn, destination, bytes(size))


def test_a_message_to_ourselves_is_not_delivered() -> None:
    """There is nobody else at our address."""
    participant = node(TOOL)
    participant.send(0, 0xEF00, TOOL, bytes(8))
    assert [event.words for event in of_kind(participant.advance(0), NotDelivered)] == ["that is our own address"]
    assert participant.outgoing(0) == []


def test_the_queue_has_an_end() -> None:
    """What finds no room is reported as not delivered; the rest is kept."""
    participant = Participant(name(TOOL))
    for _ in range(MOST_WAITING + 3):
        participant.send(0, 0xEF00, ENGINE, bytes(20))
    assert len(of_kind(participant.advance(0), NotDelivered)) == 3


@pytest.mark.parametrize("size", [8, 20])
def test_what_has_gone_makes_room(size: int) -> None:
    """Any number of messages can be sent, one after the other."""
    participant = node(TOOL)
    events: list[Event] = []
    for place in range(MOST_WAITING + 3):
        participant.send(place, 0xEF00, ENGINE, bytes(size))
        participant.outgoing(place)
        events += participant.feed(frame(place, CONTROL, "FF 01 FF FF FF 00 EF 00"))
    assert len(of_kind(events, NotDelivered if size > 8 else Delivered)) == MOST_WAITING + 3
    assert {event.reason for event in of_kind(events, NotDelivered)} <= {AbortReason.BUSY}


def test_single_frames_go_as_they_are_and_need_not_wait() -> None:
    """A request has 3 bytes on the wire, also while a connection to the same node is open; numbers come back."""
    participant = node(TOOL)
    participant.send(0, 0xEF00, ENGINE, bytes(20))
    participant.outgoing(0)
    number = participant.send(MS, 59904, ENGINE, b"\xcb\xfe\x00")
    assert participant.next_ns() == MS
    assert participant.outgoing(MS) == [(0x18EA00F9, b"\xcb\xfe\x00")]
    assert participant.advance(MS) == [Delivered(MS, number)]
    assert of_kind(participant.advance(MS), Message) == []
