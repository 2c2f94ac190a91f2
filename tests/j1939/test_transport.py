"""Reassembly against published sessions, and every way a session can end.

Sources: PY = python-can-j1939 test/test_ecu.py; LX = Laixer/J1939 transport.rs; FZ = famez/J1939-Framework
BAM_test.cpp; AG = AgIsoStack-plus-plus diagnostic_protocol_tests.cpp; limits of 750 ms and 1250 ms as in the Linux
kernel's net/can/j1939/transport.c; retransmission after a CTS is SAE J1939-21 section 5.10.3, from memory.
"""

from dataclasses import asdict
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from faultlamp.frames import Frame
from faultlamp.j1939.segmentation import broadcast
from faultlamp.j1939.transport import (
    LARGEST_KEPT,
    MOST_KEPT,
    MOST_SESSIONS,
    Reassembler,
    Transfer,
)
from support.wire import frames, ns

EVERY_GROUP = frozenset(range(1 << 18))


def feed(reassembler: Reassembler, one: Frame) -> Transfer | None:
    """Hand a frame over the way the history does."""
    word = int.from_bytes(one.data.ljust(8, b"\xff"), "little")
    return reassembler.feed(one.time_ns, one.channel, one.can_id, word, len(one.data))


def listen(given_frames: list[Frame], until: float | None = None) -> tuple[list[Transfer], dict[str, int]]:
    """Whole messages and the counters that are not zero."""
    reassembler = Reassembler(EVERY_GROUP)
    whole = [heard for one in given_frames if (heard := feed(reassembler, one)) and heard.payload is not None]
    end_ns = ns(until) if until is not None else given_frames[-1].time_ns
    counts: dict[str, Any] = asdict(reassembler.counts_at(end_ns))
    return whole, {name: count for name, count in counts.items() if count}


def spread(text: str, step_s: float = 0.1) -> list[Frame]:
    """Lines without times, `step_s` apart."""
    return frames("\n".join(f"{number * step_s:.6f} {line}" for number, line in enumerate(text.strip().splitlines())))


COUNTED = "".join(f"{value:02X}" for value in range(1, 8))

PUBLISHED = [
    pytest.param(
        """00ECFF01 20 14 00 03 FF B0 FE 00
           00EBFF01 01 01 02 03 04 05 06 07
           00EBFF01 02 01 02 03 04 05 06 07
           00EBFF01 03 01 02 03 04 05 06 FF""",
        65200, 1, 255, COUNTED + COUNTED + "010203040506", id="BAM of 20 bytes, PY test_broadcast_receive_long",
    ),
    pytest.param(
        """1CECFF01 20 09 00 02 FF 00 EE 00
           1CEBFF01 01 01 02 03 04 05 06 07
           1CEBFF01 02 08 09 FF FF FF FF FF""",
        60928, 1, 255, COUNTED + "0809", id="BAM of 9 bytes, LX test_broadcast_transport",
    ),
    pytest.param(
        """1CECFF50 20 14 00 03 FF 05 F0 00
           1CEBFF50 01 AB CD EF 01 23 45 67
           1CEBFF50 02 89 AB CD EF AB CD EF
           1CEBFF50 03 AB CD EF AB CD EF FF""",
        61445, 0x50, 255, "ABCDEF0123456789ABCDEFABCDEFABCDEFABCDEF", id="BAM of 20 bytes, FZ BAM_test",
    ),
    pytest.param(
        """00EC0201 10 14 00 03 01 B0 FE 00
           1CEC0102 11 01 01 FF FF B0 FE 00
           00EB0201 01 01 02 03 04 05 06 07
           1CEC0102 11 01 02 FF FF B0 FE 00
           00EB0201 02 01 02 03 04 05 06 07
           1CEC0102 11 01 03 FF FF B0 FE 00
           00EB0201 03 01 02 03 04 05 06 FF
           1CEC0102 13 14 00 03 FF B0 FE 00""",
        65200, 1, 2, COUNTED + COUNTED + "010203040506", id="one packet per CTS, PY test_peer_to_peer_receive_long",
    ),
    pytest.param(
        "1CECABAA 10 38 00 08 10 C5 FD 00\n18ECAAAB 11 08 01 FF FF C5 FD 00\n" + "\n".join(
            f"1CEBABAA {number + 1:02X} {b'1234*9876*The Internet*AgISOStack*None*Some Hardware ID*'[at:at + 7].hex()}"
            for number, at in enumerate(range(0, 56, 7))
        ),
        64965, 0xAA, 0xAB, b"1234*9876*The Internet*AgISOStack*None*Some Hardware ID*".hex(),
        id="56 bytes under one CTS, AG",
    ),
    pytest.param(
        """18ECFF00 20 12 00 03 FF EC FE 00
           18EBFF00 01 54 45 53 54 56 49 4E
           18EBFF00 02 30 31 32 33 34 35 36
           18EBFF00 03 37 38 39 2A FF FF FF""",
        65260, 0, 255, b"TESTVIN0123456789*".hex(), id="invented VIN by BAM, layout as FZ",
    ),
]


@pytest.mark.parametrize(("text", "pgn", "source", "destination", "payload"), PUBLISHED)
def test_published_sessions(text: str, pgn: int, source: int, destination: int, payload: str) -> None:
    """A published session gives its published message, once, and nothing else is counted."""
    whole, counts = listen(spread(text))
    assert whole == [Transfer(pgn, source, destination, bytes.fromhex(payload))]
    assert counts == {"completed": 1}


BAM = "1CECFF01 20 14 00 03 FF B0 FE 00"
RTS = "1CEC0201 10 14 00 03 FF B0 FE 00"
CTS1 = "1CEC0102 11 03 01 FF FF B0 FE 00"
HOLD = "1CEC0102 11 00 FF FF FF B0 FE 00"
PACKET = ["1CEB0201 01 01 02 03 04 05 06 07", "1CEB0201 02 01 02 03 04 05 06 07", "1CEB0201 03 01 02 03 04 05 06 FF"]
SPOKEN = [line.replace("0201", "FF01") for line in PACKET]
ABORT = "FF 03 FF FF FF B0 FE 00"
ETP_RTS = "1CC80201 14 15 00 00 00 00 D7 00"
ETP_CTS = "1CC80102 15 03 01 00 00 00 D7 00"
ETP_DPO = "1CC80201 16 03 00 00 00 00 D7 00"
ETP_PACKET = [line.replace("EB", "C7") for line in PACKET]

ENDINGS = [
    pytest.param([(0, BAM), (.75, SPOKEN[0]), (1.5, SPOKEN[1]), (2.25, SPOKEN[2])], {"completed": 1},
                 id="BAM, gaps of exactly 750 ms"),
    pytest.param([(0, BAM), (.750001, SPOKEN[0])], {"timed_out": 1}, id="BAM, a gap of 750.001 ms"),
    pytest.param([(0, RTS), (1.25, CTS1), (2.5, PACKET[0]), (3.75, PACKET[1]), (5, PACKET[2])], {"completed": 1},
                 id="connection, gaps of exactly 1250 ms"),
    pytest.param([(0, RTS), (1.250001, CTS1)], {"timed_out": 1}, id="connection, a gap of 1250.001 ms"),
    pytest.param([(0, RTS), (.5, HOLD), (1, HOLD), (1.5, HOLD), (2, CTS1), (2.1, PACKET[0]), (2.2, PACKET[1]),
                  (2.3, PACKET[2])], {"completed": 1}, id="held open by wait CTSs"),
    pytest.param([(0, BAM), (.1, SPOKEN[0]), (.2, SPOKEN[2])], {"out_of_order": 1}, id="BAM, a packet lost"),
    pytest.param([(0, BAM), (.1, SPOKEN[1])], {"out_of_order": 1}, id="BAM begins with packet 2, FZ BAM_test"),
    pytest.param([(0, BAM), (.1, SPOKEN[0]), (.2, SPOKEN[0]), (.3, SPOKEN[1]), (.4, SPOKEN[2])], {"out_of_order": 1},
                 id="BAM, a packet repeated: dropped, the rest ignored"),
    pytest.param([(0, BAM), (.1, "1CEBFF01 00 01 02 03 04 05 06 07")], {"out_of_order": 1}, id="sequence number 0"),
    pytest.param([(0, RTS), (.1, CTS1), (.2, PACKET[0]), (.3, PACKET[1]), (.4, "1CEC0102 11 02 02 FF FF B0 FE 00"),
                  (.5, PACKET[1]), (.6, PACKET[2])], {"completed": 1}, id="CTS asks for packet 2 again"),
    pytest.param([(0, RTS), (.1, CTS1), (.2, PACKET[0]), (.3, "1CEC0102 11 02 02 FF FF B0 FE 00"), (.4, PACKET[2])],
                 {"out_of_order": 1}, id="after a CTS the packet it names, no other"),
    pytest.param([(0, RTS), (.1, CTS1), (.2, PACKET[0]), (.3, "1CEC0102 11 01 03 FF FF B0 FE 00"), (.4, PACKET[2]),
                  (.5, "1CEC0102 11 01 02 FF FF B0 FE 00"), (.6, PACKET[1])], {"completed": 1},
                 id="a hole left by one CTS and filled by the next"),
    pytest.param([(0, RTS), (.1, CTS1), (.2, PACKET[0]), (.3, "1CEC0102 11 01 03 FF FF B0 FE 00"), (.4, PACKET[2])],
                 {"incomplete": 1}, id="a hole is never guessed"),
    pytest.param([(0, RTS), (.1, "1CEC0102 11 01 02 FF FF B1 FE 00"), (.2, PACKET[0]), (.3, PACKET[1]),
                  (.4, PACKET[2])], {"completed": 1}, id="a CTS about another group is none of ours"),
    pytest.param([(0, RTS), (.1, "1CEC0102 11 01 09 FF FF B0 FE 00"), (.2, PACKET[0]), (.3, PACKET[1]),
                  (.4, PACKET[2])], {"completed": 1}, id="a CTS for a packet that does not exist changes nothing"),
    pytest.param([(0, RTS), (.1, "1CEC0201 " + ABORT)], {"aborted": 1}, id="abort by the sender"),
    pytest.param([(0, RTS), (.1, "1CEC0102 " + ABORT)], {"aborted": 1}, id="abort by the receiver"),
    pytest.param([(0, RTS), (.1, "1CEC0102 FF 03 FF FF FF B1 FE 00")], {"incomplete": 1}, id="abort of another group"),
    pytest.param([(0, RTS), (.1, "1CEC0302 " + ABORT)], {"incomplete": 1}, id="abort between other nodes"),
    pytest.param([(0, RTS), (2, "1CEC0102 " + ABORT)], {"timed_out": 1}, id="abort after its time had passed"),
    pytest.param([(0, BAM), (.1, SPOKEN[0]), (.2, BAM), (.3, SPOKEN[0]), (.4, SPOKEN[1]), (.5, SPOKEN[2])],
                 {"aborted": 1, "completed": 1}, id="replaced by the next announcement"),
    pytest.param([(0, BAM), (1, BAM), (1.1, SPOKEN[0]), (1.2, SPOKEN[1]), (1.3, SPOKEN[2])],
                 {"timed_out": 1, "completed": 1}, id="the next announcement shows that time had passed"),
    pytest.param([(0, BAM), (.1, RTS), (.2, SPOKEN[0]), (.3, PACKET[0]), (.4, SPOKEN[1]), (.5, PACKET[1]),
                  (.6, SPOKEN[2]), (.7, PACKET[2])], {"completed": 2}, id="BAM and connection of one source"),
    pytest.param([(0, BAM), (.1, "1CEBFF01 01 01 02 03")], {"malformed": 1}, id="a short packet"),
    pytest.param([(0, SPOKEN[0]), (.1, "1CEBFF01 01 01")], {}, id="packets without a session"),
    pytest.param([(0, BAM), (.1, SPOKEN[0])], {"incomplete": 1}, id="still open at the end"),
    pytest.param([(0, BAM), (.1, SPOKEN[0]), (.2, SPOKEN[1]), (.3, SPOKEN[2]), (.4, SPOKEN[2])], {"completed": 1},
                 id="what follows completion is not counted"),
    pytest.param([(0, ETP_RTS), (.1, ETP_CTS), (.2, ETP_DPO), (.3, ETP_PACKET[0]), (.4, ETP_PACKET[1]),
                  (.5, ETP_PACKET[2])], {"completed": 1}, id="extended"),
    pytest.param([(0, ETP_RTS), (.1, ETP_CTS), (.2, ETP_PACKET[0])], {"out_of_order": 1}, id="extended without offset"),
    pytest.param([(0, ETP_RTS), (.1, ETP_CTS), (.2, ETP_DPO), (.3, ETP_PACKET[0]),
                  (.4, "1CC80102 15 02 02 00 00 00 D7 00"),
                  (.5, "1CC80201 16 02 01 00 00 00 D7 00"), (.6, ETP_PACKET[0]), (.7, ETP_PACKET[1])],
                 {"completed": 1}, id="extended, second block counted from its own offset"),
    pytest.param([(0, ETP_RTS), (.1, ETP_CTS), (.2, "1CC80201 16 03 01 00 00 00 D7 00"), (.3, ETP_PACKET[0])],
                 {"out_of_order": 1}, id="extended, offset beyond the packet asked for"),
    pytest.param([(0, ETP_RTS), (.1, "1CC80102 FF 01 FF FF FF 00 D7 00")], {"aborted": 1}, id="extended, aborted"),
    pytest.param([(0, ETP_RTS), (.1, "1CEC0102 FF 01 FF FF FF 00 D7 00")], {"incomplete": 1},
                 id="an abort of the other protocol"),
]


@pytest.mark.parametrize(("wire", "counts"), ENDINGS)
def test_how_sessions_end(wire: list[tuple[float, str]], counts: dict[str, int]) -> None:
    """Each course of events is counted as what it is, and as nothing else."""
    assert listen(frames("\n".join(f"{time} {line}" for time, line in wire)))[1] == counts


LIES = [
    pytest.param("1CECFF01 20 00 00 00 FF B0 FE 00", id="BAM of 0 bytes"),
    pytest.param("1CECFF01 20 14 00 02 FF B0 FE 00", id="BAM, too few packets for the size"),
    pytest.param("1CECFF01 20 14 00 04 FF B0 FE 00", id="BAM, too many packets for the size"),
    pytest.param("1CECFF01 20 FA 06 FF FF B0 FE 00", id="BAM of 1786 bytes"),
    pytest.param("1CEC0201 10 FA 06 FF FF B0 FE 00", id="RTS of 1786 bytes"),
    pytest.param("1CEC0201 10 00 00 00 FF B0 FE 00", id="RTS of 0 bytes"),
    pytest.param("1CEC0201 20 14 00 03 FF B0 FE 00", id="BAM to one address"),
    pytest.param("1CECFF01 10 14 00 03 FF B0 FE 00", id="RTS to everybody"),
    pytest.param("1CECFF01 20 14 00 03 FF B0 FE", id="BAM of 7 bytes on the wire"),
    pytest.param("1CC80201 14 00 00 00 00 00 D7 00", id="extended RTS of 0 bytes"),
    pytest.param("1CC80201 14 FA FF FF 06 00 D7 00", id="extended RTS of 117440506 bytes"),
    pytest.param("1CC8FF01 14 00 10 00 00 00 D7 00", id="extended RTS to everybody"),
]


@pytest.mark.parametrize("line", LIES)
def test_announcements_that_contradict_themselves(line: str) -> None:
    """They are counted and ignored: an open session of the same key goes on and completes."""
    destination = line[4:6]
    if line.startswith("1CC8"):
        opening = [ETP_RTS, ETP_DPO, line, *ETP_PACKET]
    else:
        opening = [BAM, line, *SPOKEN] if destination == "FF" else [RTS, line, *PACKET]
    assert listen(spread("\n".join(opening)))[1] == {"completed": 1, "malformed": 1}


@pytest.mark.parametrize(("size", "packets"), [(1, 1), (8, 2), (9, 2), (1785, 255)])
def test_smallest_and_largest_sizes(size: int, packets: int) -> None:
    """1 to 1785 bytes are accepted; short ones are unusual but no lie."""
    payload = bytes(number * 7 % 251 for number in range(size))
    lines = [f"1CECFF01 20 {size & 255:02X} {size >> 8:02X} {packets:02X} FF B0 FE 00"]
    lines += [
        f"1CEBFF01 {number + 1:02X} {payload[number * 7:number * 7 + 7].ljust(7, bytes([255])).hex()}"
        for number in range(packets)
    ]
    assert listen(spread("\n".join(lines), 0.05)) == ([Transfer(65200, 1, 255, payload)], {"completed": 1})


def test_the_largest_message_of_all_is_counted_without_being_stored() -> None:
    """An extended session of 117440505 bytes is followed in bounded memory (ISO 11783-3: 7 x 0xFFFFFF)."""
    opening = frames("0 1CC80201 14 F9 FF FF 06 00 D7 00\n0.1 1CC80201 16 FF 00 00 00 00 D7 00")
    reassembler = Reassembler(EVERY_GROUP)
    assert feed(reassembler, opening[0]) == Transfer(0xD700, 1, 2, None)
    assert feed(reassembler, opening[1]) is None
    for number in range(1, 256):
        feed(reassembler, Frame(ns("0.2"), "can0", 0x1CC70201, bytes([number]) + bytes(7)))
    assert reassembler.kept_bytes == 0
    assert reassembler.counts_at(ns("0.2")).incomplete == 1
    assert reassembler.counts_at(ns("2")).timed_out == 1


@given(
    payloads=st.lists(st.tuples(st.integers(0, 253), st.binary(min_size=9, max_size=120)), min_size=1, max_size=6,
                      unique_by=lambda pair: pair[0]),
    data=st.data(),
)
def test_any_interleaving_of_sources_gives_every_message(
    payloads: list[tuple[int, bytes]], data: st.DataObject
) -> None:
    """Broadcasts of several sources, shuffled against each other, all arrive whole (kept apart by source address)."""
    queues = [broadcast(65226, source, payload) for source, payload in payloads]
    wire: list[Frame] = []
    while any(queues):
        queue = data.draw(st.sampled_from([queue for queue in queues if queue]))
        can_id, octets = queue.pop(0)
        wire.append(Frame(ns(f"{len(wire) * 0.001:.3f}"), "can0", can_id, octets))
    whole, counts = listen(wire)
    assert {(one.source, one.payload) for one in whole} == set(payloads)
    assert counts == {"completed": len(payloads)}


@given(payload=st.binary(min_size=9, max_size=300), data=st.data())
def test_a_missing_packet_never_gives_a_message(payload: bytes, data: st.DataObject) -> None:
    """Take any one packet away: there is no message, and the session is accounted for."""
    wire = broadcast(65226, 3, payload)
    del wire[data.draw(st.integers(1, len(wire) - 1))]
    whole, counts = listen([Frame(ns(f"{at * 0.05:.2f}"), "can0", *one) for at, one in enumerate(wire)])
    assert whole == []
    assert sum(counts.values()) == 1


def test_a_storm_of_all_sources_to_all_destinations_stays_bounded() -> None:
    """254 sources announce to 254 destinations at one instant: all are followed, none is invented."""
    reassembler = Reassembler(EVERY_GROUP)
    word = int.from_bytes(bytes.fromhex("10140003FFB0FE00"), "little")
    for source in range(254):
        for destination in range(254):
            reassembler.feed(ns(0), "can0", 0x1CEC0000 | destination << 8 | source, word, 8)
    assert MOST_SESSIONS >= 254 * 254
    assert reassembler.counts_at(ns(0)).incomplete == 254 * 254
    for channel in range(3):
        for pair in range(1 << 16):
            reassembler.feed(ns(0), f"x{channel}", 0x1CEC0000 | pair, word, 8)
    counts = reassembler.counts_at(ns(0))
    assert counts.incomplete <= MOST_SESSIONS
    assert counts.incomplete + counts.aborted + counts.malformed == 254 * 254 + 3 * (1 << 16)


def test_kept_bytes_stay_bounded() -> None:
    """Sessions that jump far ahead cannot make the listener hold more than its limit for long."""
    reassembler = Reassembler(EVERY_GROUP)
    size = LARGEST_KEPT
    announce = bytes([20]) + size.to_bytes(4, "little") + bytes.fromhex("00D700")
    last = size // 7
    for pair in range(MOST_KEPT // LARGEST_KEPT + 40):
        source, destination = pair % 200, pair // 200
        for octets, pf, sa, da in (
            (announce, 0xC8, source, destination),
            (bytes([21, 1]) + last.to_bytes(3, "little") + bytes.fromhex("00D700"), 0xC8, destination, source),
            (bytes([22, 1]) + (last - 1).to_bytes(3, "little") + bytes.fromhex("00D700"), 0xC8, source, destination),
            (bytes([1]) + bytes(7), 0xC7, source, destination),
        ):
            if source != destination:
                feed(reassembler, Frame(ns(0), "can0", 7 << 26 | pf << 16 | da << 8 | sa, octets))
    assert reassembler.kept_bytes <= MOST_KEPT
    assert reassembler.counts_at(ns(0)).aborted > 0


def test_channels_do_not_mix() -> None:
    """The same session on two channels is two sessions."""
    one = spread("\n".join([BAM, *SPOKEN]))
    two = [Frame(frame.time_ns, "can1", frame.can_id, frame.data) for frame in one]
    whole, counts = listen([frame for pair in zip(one, two, strict=True) for frame in pair])
    assert len(whole) == 2
    assert counts == {"completed": 2}


def test_troubles_say_who_and_how() -> None:
    """What did not complete is named, for people."""
    reassembler = Reassembler(EVERY_GROUP)
    for one in spread("\n".join([BAM, SPOKEN[1]])):
        feed(reassembler, one)
    trouble = reassembler.troubles[-1]
    assert (trouble.source, trouble.destination, trouble.pgn, trouble.ending) == (1, 255, 65200, "out_of_order")
