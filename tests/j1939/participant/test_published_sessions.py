"""Sessions that are published elsewhere, with us at either end."""

import pytest

from faultlamp.j1939.participant import Participant
from faultlamp.j1939.participant.events import Delivered, Message
from j1939.participant.simulated_bus import MS, frame, node, of_kind, play

SEVEN = bytes(range(1, 8))
TWENTY = SEVEN + SEVEN + SEVEN[:6]
IDENTIFICATION = b"1234*9876*The Internet*AgISOStack*None*Some Hardware ID*"

BROADCASTS = [
    pytest.param(
        # python-can-j1939, test/test_ecu.py: test_broadcast_receive_long
        1, 65200, TWENTY,
        """00ECFF01  20 14 00 03 FF B0 FE 00
           00EBFF01  01 01 02 03 04 05 06 07
           00EBFF01  02 01 02 03 04 05 06 07
           00EBFF01  03 01 02 03 04 05 06 FF""",
        id="twenty-bytes",
    ),
    pytest.param(
        # Laixer/J1939, src/transport.rs: test_broadcast_transport (there with group 60928)
        1, 61184, bytes(range(1, 10)),
        """1CECFF01  20 09 00 02 FF 00 EF 00
           1CEBFF01  01 01 02 03 04 05 06 07
           1CEBFF01  02 08 09 FF FF FF FF FF""",
        id="nine-bytes",
    ),
    pytest.param(
        # famez/J1939-Framework, Tests/BAM_test.cpp (data fields; identifiers by SAE J1939-21 5.2)
        0x50, 61445, bytes.fromhex("ABCDEF01234567 89ABCDEFABCDEF ABCDEFABCDEF"),
        """1CECFF50  20 14 00 03 FF 05 F0 00
           1CEBFF50  01 AB CD EF 01 23 45 67
           1CEBFF50  02 89 AB CD EF AB CD EF
           1CEBFF50  03 AB CD EF AB CD EF FF""",
        id="etc2",
    ),
    pytest.param(
        # Open-Agriculture/AgIsoStack-plus-plus, test/diagnostic_protocol_tests.cpp
        0xAA, 65226, bytes.fromhex("FFFF D2041F01 37020201 CE220C01"),
        """1CECFFAA  20 0E 00 02 FF CA FE 00
           1CEBFFAA  01 FF FF D2 04 1F 01 37
           1CEBFFAA  02 02 02 01 CE 22 0C 01""",
        id="dm1-three-codes",
    ),
]


@pytest.mark.parametrize(("source", "pgn", "payload", "session"), BROADCASTS)
def test_a_published_broadcast_is_heard(source: int, pgn: int, payload: bytes, session: str) -> None:
    """Its last packet completes the message for everybody."""
    events = play(node(0xF9), session, gap_ns=50 * MS)
    last_ns = (len(session.strip().splitlines()) - 1) * 50 * MS
    assert events == [Message(last_ns, pgn, source, 255, payload)]


@pytest.mark.parametrize(("source", "pgn", "payload", "session"), BROADCASTS)
def test_a_published_broadcast_is_sent(source: int, pgn: int, payload: bytes, session: str) -> None:
    """We send the same frames, with the priority of transport frames, 7."""
    sender = node(source)
    sender.send(0, pgn, 255, payload)
    sent = [pair for step in range(6) for pair in sender.outgoing(step * 50 * MS)]
    published = [line.split(maxsplit=1) for line in session.strip().splitlines()]
    assert sent == [(int(can_id, 16) | 7 << 26, bytes.fromhex(data)) for can_id, data in published]


def exchange(participant: Participant, session: str, peer: int) -> list[tuple[int, bytes]]:
    """Play the peer's lines of a session, in order; what the participant sent meanwhile."""
    sent = participant.outgoing(0)
    time_ns = 0
    for line in session.strip().splitlines():
        can_id, data = line.split(maxsplit=1)
        if int(can_id, 16) & 0xFF == peer:
            time_ns += MS
            participant.feed(frame(time_ns, int(can_id, 16), data))
            for _ in range(20):
                time_ns += MS
                sent += participant.outgoing(time_ns)
    return sent


# python-can-j1939, test/test_ecu.py: test_peer_to_peer_receive_long; one packet for each clear-to-send
ONE_BY_ONE = """
    00EC0201  10 14 00 03 01 B0 FE 00
    1CEC0102  11 01 01 FF FF B0 FE 00
    00EB0201  01 01 02 03 04 05 06 07
    1CEC0102  11 01 02 FF FF B0 FE 00
    00EB0201  02 01 02 03 04 05 06 07
    1CEC0102  11 01 03 FF FF B0 FE 00
    00EB0201  03 01 02 03 04 05 06 FF
    1CEC0102  13 14 00 03 FF B0 FE 00
"""


def lines_from(session: str, source: int) -> list[tuple[int, bytes]]:
    """The frames that one node sends in a session, with the priority of transport frames."""
    rows = [line.split(maxsplit=1) for line in session.strip().splitlines()]
    pairs = [(int(can_id, 16) | 7 << 26, bytes.fromhex(data)) for can_id, data in rows]
    return [pair for pair in pairs if pair[0] & 0xFF == source]


def test_the_published_receiver_is_ours() -> None:
    """As receiver we send exactly the published clear-to-sends and acknowledgement."""
    receiver = node(2)
    assert exchange(receiver, ONE_BY_ONE, peer=1) == lines_from(ONE_BY_ONE, 2)


def test_the_published_receiver_gets_our_message() -> None:
    """As sender we send the published frames; only our limit of packets for each clear-to-send is the highest."""
    sender = node(1)
    sender.send(0, 65200, 2, TWENTY)
    announcement, *packets = lines_from(ONE_BY_ONE, 1)
    ours = announcement[0], bytes.fromhex("10 14 00 03 FF B0 FE 00")
    assert exchange(sender, ONE_BY_ONE, peer=2) == [ours, *packets]
    assert of_kind(sender.advance(0), Delivered) == []


def test_eight_packets_under_one_clear_to_send() -> None:
    """AgIsoStack-plus-plus, test/diagnostic_protocol_tests.cpp: 56 bytes of ECU identification as one window."""
    sender = node(0xAA)
    number = sender.send(0, 64965, 0xAB, IDENTIFICATION)
    assert sender.outgoing(0) == [(0x1CECABAA, bytes.fromhex("10 38 00 08 FF C5 FD 00"))]
    sender.feed(frame(MS, 0x18ECAAAB, "11 08 01 FF FF C5 FD 00"))
    packets = [pair for step in range(1, 20) for pair in sender.outgoing(step * MS)]
    assert [can_id for can_id, _ in packets] == [0x1CEBABAA] * 8
    assert packets[0][1] == b"\x011234*98"
    assert packets[-1][1] == b"\x08are ID*"
    assert sender.feed(frame(30 * MS, 0x18ECAAAB, "13 38 00 08 FF C5 FD 00")) == [Delivered(30 * MS, number)]


def test_the_published_request_to_send_is_answered() -> None:
    """The same session with us as receiver: a window as large as the sender allows, then the acknowledgement."""
    receiver = node(0xAB)
    receiver.feed(frame(0, 0x1CECABAA, "10 38 00 08 10 C5 FD 00"))
    assert receiver.outgoing(0) == [(0x1CECAAAB, bytes.fromhex("11 08 01 FF FF C5 FD 00"))]
    events = []
    for number in range(8):
        data = bytes((number + 1,)) + IDENTIFICATION[number * 7 : number * 7 + 7]
        events += receiver.feed(frame(MS, 0x1CEBABAA, data))
    assert events == [Message(MS, 64965, 0xAA, 0xAB, IDENTIFICATION)]
    assert receiver.outgoing(MS) == [(0x1CECAAAB, bytes.fromhex("13 38 00 08 FF C5 FD 00"))]


@pytest.mark.parametrize(
    ("can_id", "data", "refused"),
    [
        # famez/J1939-Framework, Tests/request_frame.cpp
        pytest.param(0x10EA2430, "05 FE 00", "01 FF FF FF 30 05 FE 00", id="specific"),
        # Laixer/J1939, id_decode_2 (identifier); group 65227 chosen here
        pytest.param(0x18EA687A, "CB FE 00", "01 FF FF FF 7A CB FE 00", id="specific-2"),
        # Laixer/J1939, id_decode_1 (identifier)
        pytest.param(0x18EAFF00, "CB FE 00", None, id="global-is-never-refused"),
    ],
)
def test_requests_for_what_we_do_not_have(can_id: int, data: str, refused: str | None) -> None:
    """A request to our address is refused to everybody, naming who asked (AgIsoStack-plus-plus)."""
    asked = node(can_id >> 8 & 0xFF if can_id >> 8 & 0xFF != 255 else 0x24)
    (message,) = asked.feed(frame(0, can_id, data))
    assert message == Message(0, 59904, can_id & 0xFF, can_id >> 8 & 0xFF, bytes.fromhex(data))
    expected = [] if refused is None else [(0x18E8FF00 | (asked.address or 0), bytes.fromhex(refused))]
    assert asked.outgoing(0) == expected
