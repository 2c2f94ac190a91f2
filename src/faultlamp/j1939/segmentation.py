"""Messages cut into frames, and a transfer's control frames as bytes: the sending half of transport.

Rule: SAE J1939-21, section 5.10 (up to 1785 bytes) and ISO 11783-3 (extended, up to 117440505 bytes).

    byte      1   2             3          4         5              6-8
    BAM       20  size, low byte first     packets   FF             PGN, low byte first
    RTS       10  size                     packets   most per CTS   PGN
    CTS       11  packets now   next       FF        FF             PGN
    end       13  size                     packets   FF             PGN
    abort     FF  reason        FF         FF        FF             PGN
    ETP.RTS   14  size, four bytes                                  PGN
    ETP.CTS   15  packets now   next packet, three bytes            PGN
    ETP.DPO   16  packets       offset, three bytes                 PGN
    ETP.end   17  size, four bytes                                  PGN
    data      sequence number 1..255, then the next seven bytes; the last packet is filled with FF

Bytes and identifiers only. Timing is for the caller to keep: 50 to 200 ms between the frames of a broadcast.
Every function raises ValueError for what does not fit its field.
"""

from __future__ import annotations

from faultlamp.j1939.identifier import build_identifier, is_addressed
from faultlamp.j1939.transport import (
    ABORT,
    BAM,
    CTS,
    END_ACK,
    ETP_CTS,
    ETP_DPO,
    ETP_END_ACK,
    ETP_LARGEST,
    ETP_RTS,
    RTS,
    TP_CM,
    TP_DT,
    TP_LARGEST,
)

SINGLE_FRAME = 8
NO_LIMIT = 255

_PER_PACKET = 7
_PER_BLOCK = 255
_LARGEST_PGN = 0x3FFFF


def packet_count(size: int) -> int:
    """How many data packets a message of `size` bytes takes.

    >>> packet_count(1785)
    255
    """
    return -(-size // _PER_PACKET)


def broadcast(pgn: int, source: int, payload: bytes, priority: int = 7) -> list[tuple[int, bytes]]:
    """The frames, as (identifier, data), that bring `payload` to everybody.

    Up to 8 bytes go as one frame of the group itself, filled with FF; up to 1785 as BAM and data packets.

    >>> [(hex(can_id), data.hex()) for can_id, data in broadcast(65226, 0, bytes.fromhex("00FF00000000"), 6)]
    [('0x18feca00', '00ff00000000ffff')]
    """
    if len(payload) <= SINGLE_FRAME:
        _bounded("message size", len(payload), 1, TP_LARGEST)
        return [(build_identifier(priority, pgn, source), payload.ljust(SINGLE_FRAME, b"\xff"))]
    announcement = build_identifier(priority, TP_CM, source)
    data_id = build_identifier(priority, TP_DT, source)
    packets = data_packets(payload)
    return [(announcement, bam(len(payload), pgn)), *((data_id, packet) for packet in packets)]


def data_packets(payload: bytes, first: int = 1, count: int | None = None) -> list[bytes]:
    """Data packets of up to 1785 bytes from number `first`: `count` of them, or all to the end."""
    total = packet_count(_bounded("message size", len(payload), 1, TP_LARGEST))
    _bounded("first packet", first, 1, total)
    wanted = total - first + 1 if count is None else count
    _bounded("number of packets", wanted, 1, total - first + 1)
    return [_packet(sequence, payload, sequence - 1) for sequence in range(first, first + wanted)]


def extended_packets(payload: bytes, offset: int, count: int) -> list[bytes]:
    """The `count` packets after a data packet offset: packet `offset` + 1 has sequence number 1."""
    total = packet_count(_bounded("message size", len(payload), 1, ETP_LARGEST))
    _bounded("offset", offset, 0, total - 1)
    _bounded("number of packets", count, 1, min(total - offset, _PER_BLOCK))
    return [_packet(sequence, payload, offset + sequence - 1) for sequence in range(1, count + 1)]


def _packet(sequence: int, payload: bytes, place: int) -> bytes:
    seven = payload[place * _PER_PACKET : (place + 1) * _PER_PACKET]
    return bytes((sequence,)) + seven.ljust(_PER_PACKET, b"\xff")


def bam(size: int, pgn: int) -> bytes:
    """Broadcast announce message for `size` bytes of group `pgn`."""
    return _sized(BAM, size, NO_LIMIT, pgn)


def request_to_send(size: int, pgn: int, most_per_cts: int = NO_LIMIT) -> bytes:
    """RTS for `size` bytes; `most_per_cts` packets may follow one CTS (255: no limit).

    >>> request_to_send(20, 65200, 1).hex(" ").upper()
    '10 14 00 03 01 B0 FE 00'
    """
    return _sized(RTS, size, _bounded("packets per CTS", most_per_cts, 1, NO_LIMIT), pgn)


def clear_to_send(packets: int, following: int, pgn: int) -> bytes:
    """CTS for `packets` packets from number `following`; 0 packets asks the sender to wait."""
    _bounded("packets", packets, 0, _PER_BLOCK)
    _bounded("next packet", following, 0 if packets == 0 else 1, NO_LIMIT)
    return bytes((CTS, packets, following, 0xFF, 0xFF)) + _group(pgn)


def end_of_message(size: int, pgn: int) -> bytes:
    """The receiver's acknowledgement of a whole message of `size` bytes.

    Sizes of 1 to 8 bytes are nothing to send by transport, but who takes them from others has to acknowledge them.
    """
    return _sized(END_ACK, size, 0xFF, pgn, fewest=1)


def connection_abort(reason: int, pgn: int) -> bytes:
    """Abort of a connection, ordinary or extended, by either side; `reason` 1 to 255."""
    return bytes((ABORT, _bounded("reason", reason, 1, 255), 0xFF, 0xFF, 0xFF)) + _group(pgn)


def extended_request_to_send(size: int, pgn: int) -> bytes:
    """ETP.RTS for 1786 to 117440505 bytes."""
    return _extended_sized(ETP_RTS, size, pgn)


def extended_clear_to_send(packets: int, following: int, pgn: int) -> bytes:
    """ETP.CTS for `packets` packets from `following`, counted over the whole message; 0 packets: wait."""
    return _extended_counted(ETP_CTS, packets, 0, following, pgn)


def data_packet_offset(packets: int, offset: int, pgn: int) -> bytes:
    """ETP.DPO: the next `packets` packets are counted from `offset`, so number 1 is packet `offset` + 1."""
    return _extended_counted(ETP_DPO, packets, 1, offset, pgn)


def extended_end_of_message(size: int, pgn: int) -> bytes:
    """The receiver's acknowledgement of a whole extended message of `size` bytes."""
    return _extended_sized(ETP_END_ACK, size, pgn)


def carried_group(control: bytes) -> int | None:
    """The PGN in the last three bytes of a control frame; None when it is no group's number.

    Of an addressed (PDU1) group the low byte counts as 0.
    """
    pgn = int.from_bytes(control[5:8], "little")
    if pgn > _LARGEST_PGN:
        return None
    return pgn & 0x3FF00 if is_addressed(pgn) else pgn


def _sized(control: int, size: int, fifth: int, pgn: int, fewest: int = SINGLE_FRAME + 1) -> bytes:
    _bounded("message size", size, fewest, TP_LARGEST)
    return bytes((control, size & 0xFF, size >> 8, packet_count(size), fifth)) + _group(pgn)


def _extended_sized(control: int, size: int, pgn: int) -> bytes:
    _bounded("message size", size, TP_LARGEST + 1, ETP_LARGEST)
    return bytes((control,)) + size.to_bytes(4, "little") + _group(pgn)


def _extended_counted(control: int, packets: int, fewest: int, number: int, pgn: int) -> bytes:
    _bounded("packets", packets, fewest, _PER_BLOCK)
    _bounded("packet number", number, 0, (1 << 24) - 1)
    return bytes((control, packets)) + number.to_bytes(3, "little") + _group(pgn)


def _group(pgn: int) -> bytes:
    return _bounded("parameter group", pgn, 0, _LARGEST_PGN).to_bytes(3, "little")


def _bounded(what: str, value: int, lowest: int, highest: int) -> int:
    if not lowest <= value <= highest:
        raise ValueError(f"{what} {value} is outside {lowest}..{highest}")
    return value
