"""The 29-bit identifier of SAE J1939-21, section 5.2.

    bit   28..26    25    24    23..16   15..8   7..0
          priority  EDP   DP    PF       PS      source address

PF below 240 (PDU1): PS is the destination address and the parameter group number (PGN) ends in 00.
PF 240 and up (PDU2): PS belongs to the PGN and the message is for everybody.
EDP = DP = 1 marks ISO 15765-3 traffic, which is not J1939.
"""

from typing import NamedTuple

GLOBAL_ADDRESS = 255
NULL_ADDRESS = 254

_PDU2_FROM = 0xF000


class Identifier(NamedTuple):
    """The fields of an identifier. `destination` is 255 for every PDU2 message."""

    priority: int
    pgn: int
    destination: int
    source: int


def split_identifier(can_id: int) -> Identifier:
    """Take a 29-bit identifier apart.

    >>> split_identifier(0x18FECA00)
    Identifier(priority=6, pgn=65226, destination=255, source=0)
    """
    pgn = can_id >> 8 & 0x3FFFF
    destination = GLOBAL_ADDRESS
    if pgn & 0xFF00 < _PDU2_FROM:
        destination = pgn & 0xFF
        pgn &= 0x3FF00
    return Identifier(can_id >> 26 & 7, pgn, destination, can_id & 0xFF)


def build_identifier(priority: int, pgn: int, source: int, destination: int = GLOBAL_ADDRESS) -> int:
    """Put a 29-bit identifier together; `destination` matters for PDU1 groups alone.

    Raises ValueError when a field does not fit.

    >>> hex(build_identifier(6, 59904, 249, 0))
    '0x18ea00f9'
    """
    for name, value, limit in (
        ("priority", priority, 7), ("pgn", pgn, 0x3FFFF), ("source", source, 255), ("destination", destination, 255)
    ):
        if not 0 <= value <= limit:
            raise ValueError(f"{name} {value} is outside 0..{limit}")
    if pgn & 0xFF00 < _PDU2_FROM:
        if pgn & 0xFF:
            raise ValueError(f"parameter group {pgn} is addressed (PDU1), so its low byte must be 0")
        pgn |= destination
    return priority << 26 | pgn << 8 | source


def is_addressed(pgn: int) -> bool:
    """Whether identifiers of the group hold a destination (PDU1); a PDU2 group is for everybody."""
    return pgn & 0xFF00 < _PDU2_FROM


def is_j1939(can_id: int) -> bool:
    """False for the identifiers that ISO 15765-3 uses on the same bus (EDP and DP both set)."""
    return can_id & 0x03000000 != 0x03000000
