"""Asking for a parameter group, and the answers that are not data.

Rule: SAE J1939-21, sections 5.4.2 (request) and 5.4.4 (acknowledgement), sections from memory.

    request, PGN 59904           acknowledgement, PGN 59392, sent to everybody
    bytes 1-3  wanted PGN        byte 1     0 acknowledged, 1 refused, 2 access denied, 3 busy
                                 byte 2     group function value, FF when there is none
                                 bytes 3-4  FF
                                 byte 5     address of the node that asked
                                 bytes 6-8  PGN concerned

PGNs go low byte first. A request to one address has to be answered or refused; a request to everybody is answered by
those that have the group, and refused by nobody.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

REQUEST_PGN = 59904
ACKNOWLEDGEMENT_PGN = 59392
ADDRESS_CLAIMED_PGN = 60928

NO_GROUP_FUNCTION = 0xFF

_PGN_BYTES = 3
_LARGEST_PGN = 0x3FFFF


class Answer(IntEnum):
    """Byte 1 of an acknowledgement."""

    ACKNOWLEDGED = 0
    REFUSED = 1
    ACCESS_DENIED = 2
    BUSY = 3


def encode_request(pgn: int) -> bytes:
    """The three bytes that ask for a group. Raises ValueError unless `pgn` has at most 18 bits.

    >>> encode_request(65227).hex(" ").upper()
    'CB FE 00'
    """
    if not 0 <= pgn <= _LARGEST_PGN:
        raise ValueError(f"parameter group {pgn} is outside 0..{_LARGEST_PGN}")
    return pgn.to_bytes(_PGN_BYTES, "little")


def decode_request(payload: bytes) -> int | None:
    """The group asked for; None when there are fewer than three bytes or the number is no group's.

    Filling after the third byte is ignored. The number is given as it stands, so that it can be refused as it stands.
    """
    return _group(payload[:_PGN_BYTES])


@dataclass(frozen=True, slots=True)
class Acknowledgement:
    """One acknowledgement. address: of the node that asked. group_function: 255 when there is none."""

    answer: Answer
    group_function: int
    address: int
    pgn: int

    def encode(self) -> bytes:
        """The 8 data bytes. Raises ValueError for what does not fit its field."""
        return bytes((self.answer, self.group_function, 0xFF, 0xFF, self.address)) + encode_request(self.pgn)

    @classmethod
    def decode(cls, payload: bytes) -> Acknowledgement | None:
        """Take the data apart; None when it is shorter than 8 bytes, or its answer or its group is unknown."""
        if len(payload) < 8 or payload[0] > max(Answer):
            return None
        pgn = _group(payload[5:8])
        return None if pgn is None else cls(Answer(payload[0]), payload[1], payload[4], pgn)


def _group(data: bytes) -> int | None:
    pgn = int.from_bytes(data, "little")
    return pgn if len(data) == _PGN_BYTES and pgn <= _LARGEST_PGN else None
