"""Messages into frames, against published sessions and the standard's limits."""

from collections.abc import Callable

import pytest

from faultlamp.j1939 import segmentation as seg


def frames(text: str) -> list[tuple[int, bytes]]:
    """Lines of `IDENTIFIER  BYTES` as (identifier, data)."""
    rows = [line.split(maxsplit=1) for line in text.strip().splitlines()]
    return [(int(can_id, 16), bytes.fromhex(data)) for can_id, data in rows]


SEVEN = bytes(range(1, 8))

BROADCASTS = [
    pytest.param(
        # AgIsoStack-plus-plus, test/diagnostic_protocol_tests.cpp: three codes in ISO 11783 mode
        65226, 0xAA, bytes.fromhex("FFFF D2041F01 37020201 CE220C01"), 7,
        """1CECFFAA  20 0E 00 02 FF CA FE 00
           1CEBFFAA  01 FF FF D2 04 1F 01 37
           1CEBFFAA  02 02 02 01 CE 22 0C 01""",
        id="dm1-three-codes",
    ),
    pytest.param(
        # worked by hand from SAE J1939-73 5.7.1 and J1939-21 5.10: 100/1/5, 110/16/2, 520200/31/127
        65226, 0x00, bytes.fromhex("14FF 64000105 6E001002 08F0FF7F"), 6,
        """18ECFF00  20 0E 00 02 FF CA FE 00
           18EBFF00  01 14 FF 64 00 01 05 6E
           18EBFF00  02 00 10 02 08 F0 FF 7F""",
        id="dm1-spn-above-65535",
    ),
    pytest.param(
        # python-can-j1939, test/test_ecu.py: test_broadcast_receive_long
        65200, 0x01, SEVEN + SEVEN + SEVEN[:6], 0,
        """00ECFF01  20 14 00 03 FF B0 FE 00
           00EBFF01  01 01 02 03 04 05 06 07
           00EBFF01  02 01 02 03 04 05 06 07
           00EBFF01  03 01 02 03 04 05 06 FF""",
        id="twenty-bytes",
    ),
    pytest.param(
        # Laixer/J1939, src/transport.rs: test_broadcast_transport
        60928, 0x01, bytes(range(1, 10)), 7,
        """1CECFF01  20 09 00 02 FF 00 EE 00
           1CEBFF01  01 01 02 03 04 05 06 07
           1CEBFF01  02 08 09 FF FF FF FF FF""",
        id="nine-bytes-the-fewest",
    ),
    pytest.param(
        # famez/J1939-Framework, Tests/BAM_test.cpp (data fields; identifiers by SAE J1939-21 5.2)
        61445, 0x50, bytes.fromhex("ABCDEF01234567 89ABCDEFABCDEF ABCDEFABCDEF"), 7,
        """1CECFF50  20 14 00 03 FF 05 F0 00
           1CEBFF50  01 AB CD EF 01 23 45 67
           1CEBFF50  02 89 AB CD EF AB CD EF
           1CEBFF50  03 AB CD EF AB CD EF FF""",
        id="etc2",
    ),
    pytest.param(
        # text rule of famez/J1939-Framework's VIN test (ended by '*'), worked by hand for a made-up number
        65260, 0x00, b"TESTVIN0123456789*", 6,
        """18ECFF00  20 12 00 03 FF EC FE 00
           18EBFF00  01 54 45 53 54 56 49 4E
           18EBFF00  02 30 31 32 33 34 35 36
           18EBFF00  03 37 38 39 2A FF FF FF""",
        id="vin",
    ),
    pytest.param(
        # AgIsoStack-plus-plus, test/diagnostic_protocol_tests.cpp: one code, J1939 mode
        65226, 0xAA, bytes.fromhex("00FF D2041F01"), 6, "18FECAAA  00 FF D2 04 1F 01 FF FF",
        id="single-frame-filled",
    ),
    pytest.param(
        # SAE J1939-21 section 5.10 (from memory): 8 bytes still go as one frame
        65262, 0x00, bytes.fromhex("423BFFFFFFFFFFFF"), 6, "18FEEE00  42 3B FF FF FF FF FF FF",
        id="single-frame-full",
    ),
]


@pytest.mark.parametrize(("pgn", "source", "payload", "priority", "expected"), BROADCASTS)
def test_broadcast_gives_the_published_frames(
    pgn: int, source: int, payload: bytes, priority: int, expected: str
) -> None:
    """A broadcast message is cut into exactly the frames that the named source shows."""
    assert seg.broadcast(pgn, source, payload, priority) == frames(expected)


def test_connection_frames_are_the_published_ones() -> None:
    """A session matches the one in python-can-j1939, test/test_ecu.py: test_peer_to_peer_receive_long."""
    payload = SEVEN + SEVEN + SEVEN[:6]
    session = [
        seg.request_to_send(len(payload), 65200, 1),
        seg.clear_to_send(1, 1, 65200),
        *seg.data_packets(payload, 1, 1),
        seg.clear_to_send(1, 2, 65200),
        *seg.data_packets(payload, 2, 1),
        seg.clear_to_send(1, 3, 65200),
        *seg.data_packets(payload, 3, 1),
        seg.end_of_message(len(payload), 65200),
    ]
    expected = """00EC0201  10 14 00 03 01 B0 FE 00
                  1CEC0102  11 01 01 FF FF B0 FE 00
                  00EB0201  01 01 02 03 04 05 06 07
                  1CEC0102  11 01 02 FF FF B0 FE 00
                  00EB0201  02 01 02 03 04 05 06 07
                  1CEC0102  11 01 03 FF FF B0 FE 00
                  00EB0201  03 01 02 03 04 05 06 FF
                  1CEC0102  13 14 00 03 FF B0 FE 00"""
    assert session == [data for _, data in frames(expected)]


def test_eight_packets_under_one_clear_to_send() -> None:
    """A 56 byte identification text goes as AgIsoStack-plus-plus's diagnostic_protocol_tests.cpp shows it."""
    payload = b"1234*9876*The Internet*AgISOStack*None*Some Hardware ID*"
    packets = seg.data_packets(payload)
    assert seg.request_to_send(len(payload), 64965, 16) == bytes.fromhex("10 38 00 08 10 C5 FD 00")
    assert seg.clear_to_send(8, 1, 64965) == bytes.fromhex("11 08 01 FF FF C5 FD 00")
    assert packets[0] == b"\x011234*98"
    assert packets[-1] == b"\x08are ID*"
    assert len(packets) == 8


CONTROL_FRAMES = [
    # Layouts of Linux net/can/j1939/transport.c (enum j1939_xtp_cmd and the functions that fill the frames).
    pytest.param(seg.connection_abort(3, 65200), "FF 03 FF FF FF B0 FE 00", id="abort-timeout"),
    pytest.param(seg.end_of_message(7, 65200), "13 07 00 01 FF B0 FE 00", id="end-of-a-short-message"),
    pytest.param(seg.clear_to_send(0, 255, 65200), "11 00 FF FF FF B0 FE 00", id="cts-wait"),
    pytest.param(seg.extended_request_to_send(1786, 65200), "14 FA 06 00 00 B0 FE 00", id="etp-rts-fewest"),
    pytest.param(seg.extended_request_to_send(117440505, 65200), "14 F9 FF FF 06 B0 FE 00", id="etp-rts-max"),
    pytest.param(seg.extended_clear_to_send(16, 0x012345, 65200), "15 10 45 23 01 B0 FE 00", id="etp-cts"),
    pytest.param(seg.data_packet_offset(255, 0xFE01, 65200), "16 FF 01 FE 00 B0 FE 00", id="etp-dpo"),
    pytest.param(seg.extended_end_of_message(2000, 61184), "17 D0 07 00 00 00 EF 00", id="etp-end"),
]


@pytest.mark.parametrize(("made", "expected"), CONTROL_FRAMES)
def test_control_frames_have_the_kernels_layout(made: bytes, expected: str) -> None:
    """Abort, wait and the extended control frames have the fields where the Linux kernel reads them."""
    assert made == bytes.fromhex(expected)


@pytest.mark.parametrize(
    ("control", "pgn"),
    [
        # python-can-j1939, test/test_ecu.py: test_peer_to_peer_receive_long
        pytest.param("10 14 00 03 01 B0 FE 00", 65200, id="request-to-send"),
        # Linux net/can/j1939: the low byte of an addressed group is no part of its number
        pytest.param("10 14 00 03 01 55 EF 00", 61184, id="addressed-group"),
        pytest.param("FF 03 FF FF FF 12 EF 01", 126720, id="addressed-group-of-data-page-1"),
        pytest.param("FF 03 FF FF FF FF FF 03", 262143, id="highest"),
        pytest.param("FF 03 FF FF FF 00 EF 04", None, id="more-than-18-bits"),
    ],
)
def test_the_group_that_a_control_frame_is_about(control: str, pgn: int | None) -> None:
    """It stands in the last three bytes, low byte first."""
    assert seg.carried_group(bytes.fromhex(control)) == pgn


def test_longest_broadcast_is_255_packets() -> None:
    """1785 bytes make 255 numbered packets that hold the message and nothing more (SAE J1939-21 5.10)."""
    payload = bytes(number % 251 for number in range(1785))
    announcement, *packets = seg.broadcast(65226, 0, payload)
    assert announcement[1] == bytes.fromhex("20 F9 06 FF FF CA FE 00")
    assert [data[0] for _, data in packets] == list(range(1, 256))
    assert b"".join(data[1:] for _, data in packets) == payload


def test_extended_packets_count_from_the_offset() -> None:
    """After an offset of 255 the numbers start at 1 again and byte position is (offset + number - 1) x 7."""
    payload = bytes(number % 251 for number in range(2000))
    packets = seg.extended_packets(payload, 255, 31)
    assert [packet[0] for packet in packets] == list(range(1, 32))
    assert b"".join(packet[1:] for packet in packets) == payload[1785:].ljust(217, b"\xff")


REFUSED: list[tuple[str, Callable[[], object], str]] = [
    ("empty", lambda: seg.broadcast(65226, 0, b""), "message size 0"),
    ("too-long", lambda: seg.broadcast(65226, 0, bytes(1786)), "message size 1786"),
    ("source", lambda: seg.broadcast(65226, 256, bytes(8)), "source 256"),
    ("pgn", lambda: seg.bam(20, 1 << 18), "parameter group 262144"),
    ("bam-of-one-frame", lambda: seg.bam(8, 65226), "message size 8"),
    ("per-cts", lambda: seg.request_to_send(20, 65226, 0), "packets per CTS 0"),
    ("cts-next", lambda: seg.clear_to_send(1, 0, 65226), "next packet 0"),
    ("cts-packets", lambda: seg.clear_to_send(256, 1, 65226), "packets 256"),
    ("abort-reason", lambda: seg.connection_abort(0, 65226), "reason 0"),
    ("first-packet", lambda: seg.data_packets(bytes(20), 4), "first packet 4"),
    ("packets-left", lambda: seg.data_packets(bytes(20), 3, 2), "number of packets 2"),
    ("etp-small", lambda: seg.extended_request_to_send(1785, 65226), "message size 1785"),
    ("etp-large", lambda: seg.extended_end_of_message(117440506, 65226), "message size 117440506"),
    ("etp-no-packets", lambda: seg.data_packet_offset(0, 0, 65226), "packets 0"),
    ("etp-offset", lambda: seg.extended_packets(bytes(2000), 286, 1), "offset 286"),
    ("etp-block", lambda: seg.extended_packets(bytes(2000), 0, 256), "number of packets 256"),
]


@pytest.mark.parametrize(("call", "message"), [pytest.param(c, m, id=name) for name, c, m in REFUSED])
def test_what_does_not_fit_is_refused(call: Callable[[], object], message: str) -> None:
    """A size, number or address outside its field raises ValueError that names the value and its range."""
    with pytest.raises(ValueError, match=rf"^{message} is outside \d+\.\.\d+$"):
        call()
