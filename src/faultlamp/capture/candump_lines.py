"""One line of candump text, taken apart by the letter: the reference for what a frame line is.

Two forms, as can-utils (lib.h and candump.c of the linux-can project) documents them:

    log      (1436509052.249713) can0 18FECA00#FFFFFFFFFFFFFFFF     candump -l, candump -L
    screen   (1436509052.249713)  can0  18FECA00   [8]  FF FF ...   candump, the time stamp is optional

An identifier has 3 hex digits (11 bits) or 8 (29 bits, or an error frame when CAN_ERR_FLAG of linux/can.h is set).
A line that fits neither form is no frame; it never raises.
"""

import re
from datetime import UTC, datetime
from functools import lru_cache
from typing import NamedTuple

from faultlamp.frames import BRS, ERROR, ESI, EXTENDED, FD, REMOTE
from faultlamp.text import printable

LONGEST_LINE = 1 << 16
LONGEST_CHANNEL = 64

HIGHEST_11_BIT = 0x7FF
HIGHEST_29_BIT = 0x1FFFFFFF
ERROR_FLAG = 0x20000000
# Times are 64-bit integers; 9 thousand million seconds leave room to add to them.
HIGHEST_TIME_NS = 9_000_000_000 * 10**9 - 1
# A CAN FD frame is counted, never read, so its length need not be one that a length code can say.
_LONGEST_FD = 64

_CHANNEL = rb"[^\x00-\x20\x7f]{1,64}"
_IDENTIFIER = rb"([0-9A-Fa-f]{3}|[0-9A-Fa-f]{8})"
_SECONDS = rb"([0-9]{1,10})\.([0-9]{1,9})"
_DATE = rb"[0-9]{4}-[0-9]{2}-[0-9]{2} [0-9]{2}:[0-9]{2}:[0-9]{2}"
_PAIR = rb"[0-9A-Fa-f]{2}"

_LOG_LINE = re.compile(
    rb"[ \t]*\(" + _SECONDS + rb"\)[ \t]+(" + _CHANNEL + rb")[ \t]+" + _IDENTIFIER + rb"#(?:"
    # data, or all eight bytes with the raw length code that stood on the bus
    rb"((?:" + _PAIR + rb"){0,8})|(" + rb"(?:" + _PAIR + rb"){8})_[9A-Fa-f]"
    rb"|([Rr])(?:[0-7]|8(?:_[9A-Fa-f])?)?"
    rb"|#([0-9A-Fa-f])((?:" + _PAIR + rb"){0,64})"
    rb")(?:[ \t]+[RT])?[ \t\r]*"
)
_SCREEN_LINE = re.compile(
    rb"[ \t]*(?:\((?:" + _SECONDS + rb"|(" + _DATE + rb")\.([0-9]{1,9}))\)[ \t]+)?"
    rb"((?!\()" + _CHANNEL + rb")[ \t]+(?:[RT]X ([-B]) ([-E])[ \t]+)?" + _IDENTIFIER +
    rb"[ \t]+(?:\[([0-8])\]|\[([0-9]{2})\]|(\{[9A-Fa-f]\}))"
    rb"((?:[ \t]+" + _PAIR + rb"){0,64})"
    rb"(?:[ \t]+(?:(ERRORFRAME)|(remote request)|'([\x20-\x7e]*)'))?[ \t\r]*"
)


class CandumpLine(NamedTuple):
    """What one line says. `time_ns` is None on a screen line without a time stamp.

    `detail_follows`: the word ERRORFRAME stood in the line, so `candump -e` may explain it in tab-indented lines below.
    """

    time_ns: int | None
    channel: str
    can_id: int
    flags: int
    data: bytes
    detail_follows: bool = False


def parse_line(line: bytes) -> CandumpLine | None:
    """The frame that the line (without its newline) describes, None when it is no frame line.

    >>> parse_line(b"(1436509052.249713) can0 044#2A366C2BBA")[:5]
    (1436509052249713000, 'can0', 68, 0, b'*6l+\\xba')
    """
    if len(line) > LONGEST_LINE:
        return None
    found = _LOG_LINE.fullmatch(line)
    return _screen_line(line) if found is None else _log_line(found)


def channel_name(raw: bytes) -> str | None:
    """The channel as text; None when it is not UTF-8, too long, or holds anything that is not plain visible text."""
    return _channel_name(raw) if 0 < len(raw) <= LONGEST_CHANNEL else None


@lru_cache(maxsize=1024)
def _channel_name(raw: bytes) -> str | None:
    try:
        name = raw.decode()
    except UnicodeDecodeError:
        return None
    return name if printable(name) == name and not any(char.isspace() for char in name) else None


def _log_line(found: re.Match[bytes]) -> CandumpLine | None:
    seconds, fraction, raw_channel, raw_id, data, eight, remote, fd_flags, fd_data = found.groups()
    channel = channel_name(raw_channel)
    identity = _identifier(raw_id)
    if channel is None or identity is None:
        return None
    can_id, flags = identity
    payload = bytes.fromhex((data or eight or fd_data or b"").decode())
    if remote is not None:
        flags |= REMOTE
    elif fd_flags is not None:
        on_wire = int(fd_flags, 16)
        flags |= FD | (BRS if on_wire & 1 else 0) | (ESI if on_wire & 2 else 0)
    time_ns = _nanoseconds(int(seconds), fraction)
    return CandumpLine(time_ns, channel, can_id, flags, payload) if time_ns <= HIGHEST_TIME_NS else None


def _screen_line(line: bytes) -> CandumpLine | None:
    found = _SCREEN_LINE.fullmatch(line)
    if found is None:
        return None
    (seconds, fraction, date, date_fraction, raw_channel, switched, passive, raw_id,
     classic_length, fd_length, raw_code, pairs, error_word, remote, column) = found.groups()
    channel = channel_name(raw_channel)
    identity = _identifier(raw_id)
    if channel is None or identity is None:
        return None
    can_id, flags = identity
    payload = bytes.fromhex(pairs.decode())
    length = 8 if raw_code else int(fd_length or classic_length)
    if remote is not None:
        if payload or fd_length:
            return None
        flags |= REMOTE
    elif len(payload) != length:
        return None
    if fd_length:
        if length > _LONGEST_FD:
            return None
        flags |= FD | (BRS if switched == b"B" else 0) | (ESI if passive == b"E" else 0)
    if (error_word and not flags & ERROR) or (column is not None and len(column) != length):
        return None
    time_ns = None
    if seconds:
        time_ns = _nanoseconds(int(seconds), fraction)
    elif date:
        start = _seconds_of_date(date)
        if start is None:
            return None
        time_ns = _nanoseconds(start, date_fraction)
    if time_ns is not None and not 0 <= time_ns <= HIGHEST_TIME_NS:
        return None
    return CandumpLine(time_ns, channel, can_id, flags, payload, error_word is not None)


def _identifier(digits: bytes) -> tuple[int, int] | None:
    """Identifier and flags that 3 or 8 hex digits say."""
    value = int(digits, 16)
    if len(digits) == 3:
        return (value, 0) if value <= HIGHEST_11_BIT else None
    if value & ERROR_FLAG:
        return value & HIGHEST_29_BIT, ERROR
    return (value, EXTENDED) if value <= HIGHEST_29_BIT else None


def _nanoseconds(seconds: int, fraction: bytes) -> int:
    return seconds * 1_000_000_000 + int(fraction.ljust(9, b"0"))


@lru_cache(maxsize=64)
def _seconds_of_date(text: bytes) -> int | None:
    """`2015-07-10 06:17:32` as seconds since the epoch; candump prints it without a zone, it is taken as UTC."""
    try:
        return int(datetime.strptime(text.decode(), "%Y-%m-%d %H:%M:%S").replace(tzinfo=UTC).timestamp())
    except ValueError:
        return None
