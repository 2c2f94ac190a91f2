"""What a participant tells its owner, and why a connection ends.

Rule: the reasons of an abort are those of SAE J1939-21, table of section 5.10.3.4 (from memory), and, for extended
transport, of ISO 11783-3; the Linux kernel's net/can/j1939/transport.c lists the same numbers.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum


class AbortReason(IntEnum):
    """Byte 2 of a connection abort. Other numbers are reserved and come as plain integers."""

    BUSY = 1
    NO_RESOURCES = 2
    TIMEOUT = 3
    CTS_WHILE_SENDING = 4
    RETRANSMIT_LIMIT = 5
    UNEXPECTED_PACKET = 6
    BAD_SEQUENCE = 7
    DUPLICATE_SEQUENCE = 8
    # In an ordinary connection: larger than 1785 bytes. In an extended one: an offset nobody waited for.
    TOO_LARGE_OR_UNEXPECTED_OFFSET = 9
    OFFSET_WRONG_GROUP = 10
    OFFSET_TOO_MANY = 11
    BAD_OFFSET = 12
    CTS_WRONG_GROUP = 14
    CTS_BEYOND_MESSAGE = 15
    OTHER = 250


_WORDS = {
    AbortReason.BUSY: "busy with other connections",
    AbortReason.NO_RESOURCES: "no room for it",
    AbortReason.TIMEOUT: "time is up",
    AbortReason.CTS_WHILE_SENDING: "clear-to-send came while packets were being sent",
    AbortReason.RETRANSMIT_LIMIT: "too many packets asked for again",
    AbortReason.UNEXPECTED_PACKET: "a packet that nobody asked for",
    AbortReason.BAD_SEQUENCE: "wrong packet number",
    AbortReason.DUPLICATE_SEQUENCE: "the same packet number twice with other bytes",
    AbortReason.TOO_LARGE_OR_UNEXPECTED_OFFSET: "too large, or an offset at the wrong time",
    AbortReason.OFFSET_WRONG_GROUP: "an offset for another parameter group",
    AbortReason.OFFSET_TOO_MANY: "an offset for more packets than were allowed",
    AbortReason.BAD_OFFSET: "wrong offset",
    AbortReason.CTS_WRONG_GROUP: "clear-to-send for another parameter group",
    AbortReason.CTS_BEYOND_MESSAGE: "clear-to-send beyond the end of the message",
    AbortReason.OTHER: "no reason that has a number",
}


def reason_of(number: int) -> int:
    """The AbortReason of that number, or the number itself when it is reserved."""
    return AbortReason(number) if number in _WORDS else number


def reason_words(reason: int) -> str:
    """What an abort's reason says, in a few words."""
    return _WORDS[AbortReason(reason)] if reason in _WORDS else f"reserved reason {reason}"


@dataclass(frozen=True, slots=True)
class Message:
    """A whole message for us or for everybody: one frame, a broadcast, or a connection to us.

    time_ns: when it was complete. destination: 255 for everybody, otherwise our address.
    """

    time_ns: int
    pgn: int
    source: int
    destination: int
    payload: bytes


@dataclass(frozen=True, slots=True)
class AddressClaimed:
    """The address is ours from now on; what was waiting goes out."""

    time_ns: int
    address: int


@dataclass(frozen=True, slots=True)
class AddressLost:
    """A node with a smaller NAME took the address, before or after it was ours; another one may be claimed next."""

    time_ns: int
    address: int


@dataclass(frozen=True, slots=True)
class AddressConflict:
    """Somebody else sends from our address without having claimed it; we claimed it again."""

    time_ns: int
    address: int


@dataclass(frozen=True, slots=True)
class CannotClaim:
    """No address is left to claim; nothing more is sent until `claim` is called again."""

    time_ns: int


@dataclass(frozen=True, slots=True)
class Delivered:
    """The message of that number went out: acknowledged by its receiver, or, if one frame or broadcast, sent."""

    time_ns: int
    number: int


@dataclass(frozen=True, slots=True)
class NotDelivered:
    """The message of that number did not arrive. reason: of the abort that we sent or got, None without one."""

    time_ns: int
    number: int
    reason: int | None
    words: str


@dataclass(frozen=True, slots=True)
class ReceiveFailed:
    """A connection to us broke off. reason: of the abort that we sent or got, None without one."""

    time_ns: int
    pgn: int
    source: int
    reason: int | None
    words: str


Event = (
    Message
    | AddressClaimed
    | AddressLost
    | AddressConflict
    | CannotClaim
    | Delivered
    | NotDelivered
    | ReceiveFailed
)
