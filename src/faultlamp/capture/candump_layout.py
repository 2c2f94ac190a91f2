"""Lines of candump text that differ in digits alone, all of one layout at once.

    (1436509052.249713) can0 18FECA00#FFFF12FF00FFFFFF        LogLayout: any number of data bytes
    (dddddddddd.dddddd) can0 hhhhhhhh#hh..

     can0  18FECA00   [3]  FF 12 00                           ScreenLayout: one number of data bytes
     can0  hhhhhhhh   [3]  hh hh hh                           d decimal digit, h hex digit, the rest constant

A layout takes the lines that fit it, every character checked, and leaves every other line alone: what it takes is what
`candump_lines.parse_line` takes, with the same result. The tests hold the two together. Constants and decimal digits
are checked and read as words (`candump_words`); hex digits go to binascii, which refuses all others.
"""

from __future__ import annotations

import binascii
import re
from abc import ABC, abstractmethod
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from faultlamp.capture.candump_lines import (
    ERROR_FLAG,
    HIGHEST_11_BIT,
    HIGHEST_29_BIT,
    HIGHEST_TIME_NS,
    channel_name,
)
from faultlamp.capture.candump_words import (
    Digits,
    Mask,
    Positions,
    Words,
    are_hex,
    decimal_sum,
    digit_runs,
    fitting,
    gather,
    patterns,
)
from faultlamp.frames import ERROR, EXTENDED

# How far the text is touched before and after the start of a line: to the start and the end of a word. The longest
# line of a screen layout has 192 characters.
BEFORE = 7
AFTER = 200

_CHANNEL = rb"([^\x00-\x20\x7f]{1,64})"
_IDENTIFIER = rb"([0-9A-Fa-f]{8}|[0-9A-Fa-f]{3})"
_STAMP = rb"\(([0-9]{1,10})\.([0-9]{1,9})\)"
_LOG_SAMPLE = re.compile(_STAMP + rb" " + _CHANNEL + rb" " + _IDENTIFIER + rb"#[0-9A-Fa-f]{0,16}((?: [RT])?\r?)")
_SCREEN_SAMPLE = re.compile(
    rb" {0,8}(?:" + _STAMP + rb" {1,4})?(?!\()" + _CHANNEL + rb" {1,8}(?:[RT]X [-B] [-E] {1,8})?" + _IDENTIFIER
    + rb" {1,8}\[([0-8])\]((?: {1,4}[0-9A-Fa-f]{2}){0,8}) {0,4}\r?"
)

_FULL = 16  # hex digits of eight data bytes
# Data of 0 to 16 hex digits in a field of 16: what to keep, and the 'F' that stand for what is missing.
_KEEP = np.frombuffer(b"".join(b"\xff" * n + bytes(_FULL - n) for n in range(_FULL + 1)), "V16")
_FILL = np.frombuffer(b"".join(bytes(n) + b"F" * (_FULL - n) for n in range(_FULL + 1)), "V16")
_FIVE_ZEROS = np.uint64(0x3030303030)
_FORTY = np.uint64(40)


@dataclass(frozen=True, slots=True, eq=False)
class Fields:
    """Columns of lines, as `FrameBlock` has them. `time_ns` is None when the layout has no time stamp."""

    time_ns: npt.NDArray[np.int64] | None
    can_id: npt.NDArray[np.uint32]
    flags: npt.NDArray[np.uint8]
    length: npt.NDArray[np.uint8]
    data: Words


class Layout(ABC):
    """What some lines have in common."""

    def take(self, text: bytes, starts: Positions, ends: Positions) -> tuple[Positions | None, Fields] | None:
        """The lines that fit, of those from text[starts[i]] to the newline at text[ends[i]].

        Returns their places (None: all of them) and their columns, or None when no line fits. The text must reach
        BEFORE characters before and AFTER characters after each start.
        """
        which: Positions | None = None
        while len(starts):
            found = self._decode(text, starts, ends)
            if isinstance(found, Fields):
                return which, found
            kept = np.flatnonzero(found)
            which = kept if which is None else which[kept]
            starts, ends = starts[kept], ends[kept]
        return None

    @abstractmethod
    def _decode(self, text: bytes, starts: Positions, ends: Positions) -> Fields | Mask:
        """The columns when every line fits; else the lines that passed the first check that not every line passed."""


class LogLayout(Layout):
    """Widths of the time stamp, the channel, width of the identifier, what follows the data.

    The window is placed so that the identifier starts a word; so it may begin up to seven characters before the line.
    """

    def __init__(self, seconds: int, fraction: int, channel: bytes, id_digits: int, ending: bytes) -> None:
        prefix = b"(" + b"0" * seconds + b"." + b"0" * fraction + b") " + channel + b" "
        self._id_digits = id_digits
        self._id_word = -(-len(prefix) // 8)
        self._data_at = len(prefix) + id_digits + 1
        self._lead = 8 * self._id_word - len(prefix)
        self._ending = ending
        decimal, self._digits = _time_stamp(self._lead + 1, seconds, fraction)
        self._patterns = [
            *patterns(prefix, self._lead, decimal=decimal),
            *patterns(b"#", 8 * self._id_word + id_digits),
        ]

    def _decode(self, text: bytes, starts: Positions, ends: Positions) -> Fields | Mask:
        window = gather(text, starts - self._lead, self._id_word + 2)
        digits = ends - starts - (self._data_at + len(self._ending))
        all_full = bool((digits == _FULL).all())
        fits = fitting(window, self._patterns)
        if not all_full:
            fits &= (digits >= 0) & (digits <= _FULL) & (digits & 1 == 0)
        for back, char in enumerate(reversed(self._ending), start=1):
            fits &= np.frombuffer(text, np.uint8)[ends - back] == char
        if not fits.all():
            return fits
        count = len(starts)
        hex_digits = np.empty(3 * count, np.uint64)
        data, ids = hex_digits[: 2 * count].reshape(count, 2), hex_digits[2 * count :]
        data[:] = gather(text, starts + self._data_at, 2)
        if not all_full:
            data &= _KEEP[digits].view("<u8").reshape(count, 2)
            data |= _FILL[digits].view("<u8").reshape(count, 2)
        ids[:] = window[:, self._id_word]
        if self._id_digits == 3:
            ids <<= _FORTY
            ids |= _FIVE_ZEROS
        time_ns = decimal_sum(window, self._digits)
        return _fields(time_ns, hex_digits, self._id_digits, (digits >> 1).astype(np.uint8))


class ScreenLayout(Layout):
    """A line of candump's screen output, with a certain number of data bytes and every blank where this one has it."""

    def __init__(
        self, shape: bytes, id_at: int, id_digits: int, data_places: Sequence[int], stamp: tuple[int, int, int] | None
    ) -> None:
        self._length = len(shape)
        self._id_digits = id_digits
        self._id_places = list(range(id_at, id_at + id_digits))
        self._data_places = list(data_places)
        self._timed = stamp is not None
        decimal, self._digits = _time_stamp(*stamp) if stamp else (set(), [])
        self._patterns = list(patterns(shape, 0, decimal=decimal, free={*self._id_places, *data_places}))

    def _decode(self, text: bytes, starts: Positions, ends: Positions) -> Fields | Mask:
        fits: Mask = ends - starts == self._length
        if not fits.all():
            return fits
        window = gather(text, starts, -(-self._length // 8))
        fits = fitting(window, self._patterns)
        if not fits.all():
            return fits
        count = len(starts)
        chars = window.view(np.uint8).reshape(count, -1)
        hex_digits = np.empty(3 * count, np.uint64)
        data = hex_digits[: 2 * count].view(np.uint8).reshape(count, 16)
        data[:, : len(self._data_places)] = chars[:, self._data_places]
        data[:, len(self._data_places) :] = ord("F")
        ids = hex_digits[2 * count :].view(np.uint8).reshape(count, 8)
        ids[:, : 8 - self._id_digits] = ord("0")
        ids[:, 8 - self._id_digits :] = chars[:, self._id_places]
        time_ns = decimal_sum(window, self._digits) if self._timed else None
        return _fields(time_ns, hex_digits, self._id_digits, np.full(count, len(self._data_places) // 2, np.uint8))


def layout_of(line: bytes) -> tuple[str, Layout] | None:
    """Channel and layout of a line; None when no layout covers lines like it."""
    found = _LOG_SAMPLE.fullmatch(line)
    if found is not None:
        seconds, fraction, raw_channel, raw_id, ending = found.groups()
        layout: Layout = _log_layout(len(seconds), len(fraction), raw_channel, len(raw_id), ending)
    else:
        found = _SCREEN_SAMPLE.fullmatch(line)
        if found is None:
            return None
        seconds, fraction, raw_channel, raw_id, length, pairs = found.groups()
        data_places = tuple(found.start(6) + place for place, char in enumerate(pairs) if char != ord(" "))
        if len(data_places) != 2 * int(length):
            return None
        shape = bytearray(line)
        for group in (1, 2, 4):
            shape[slice(*found.span(group))] = b"0" * len(found[group] or b"")
        for place in data_places:
            shape[place] = ord("0")
        stamp = (found.start(1), len(seconds), len(fraction)) if seconds else None
        layout = _screen_layout(bytes(shape), found.start(4), len(raw_id), data_places, stamp)
    channel = channel_name(raw_channel)
    return None if channel is None else (channel, layout)


_log_layout = lru_cache(maxsize=256)(LogLayout)
_screen_layout = lru_cache(maxsize=256)(ScreenLayout)


def _time_stamp(at: int, seconds: int, fraction: int) -> tuple[set[int], list[Digits]]:
    """Places of the digits of a time stamp that starts at character `at` of the window, and their worth in ns."""
    fraction_at = at + seconds + 1
    places = {*range(at, at + seconds), *range(fraction_at, fraction_at + fraction)}
    return places, [*digit_runs(at, seconds, 10**9), *digit_runs(fraction_at, fraction, 10 ** (9 - fraction))]


def _fields(
    time_ns: Words | None, hex_digits: Words, id_digits: int, length: npt.NDArray[np.uint8]
) -> Fields | Mask:
    """Columns of lines out of two words of data digits for each, and behind all of those a word of identifier digits.

    A mask of the good lines where a digit is none, or where an identifier or a time is out of range.
    """
    count = len(length)
    try:
        raw = binascii.unhexlify(hex_digits.data)
    except binascii.Error:
        valid: Mask = np.all(are_hex(hex_digits.view(np.uint8)).reshape(-1, 8), axis=1)
        all_three: Mask = valid[: 2 * count : 2] & valid[1 : 2 * count : 2] & valid[2 * count :]
        return all_three
    can_id = np.frombuffer(raw, ">u4", count, 8 * count).astype(np.uint32)
    flags = np.full(count, EXTENDED if id_digits == 8 else 0, np.uint8)
    high = can_id > (HIGHEST_29_BIT if id_digits == 8 else HIGHEST_11_BIT)
    if high.any():
        error = can_id & ERROR_FLAG != 0
        allowed: Mask = ~high | error
        if not allowed.all():
            return allowed
        flags[error] = ERROR
        can_id &= HIGHEST_29_BIT
    if time_ns is not None:
        in_range: Mask = time_ns <= HIGHEST_TIME_NS
        if not in_range.all():
            return in_range
    return Fields(
        None if time_ns is None else time_ns.view(np.int64), can_id, flags, length, np.frombuffer(raw, "<u8", count)
    )
