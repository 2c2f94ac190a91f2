"""Characters of many lines at once, eight to a 64-bit word.

A window holds, for each line, the words from some place in the line on: shape (lines, words), little-endian, so the
first character is in the lowest eight bits. XOR with a pattern leaves 0 at constant characters and 0..9 at decimal
digits; one addition then carries into bit 7 of each byte that differs too much. Decimal digits combine in pairs, fours
and eights by multiplication inside the word.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Positions = npt.NDArray[np.int64]
Words = npt.NDArray[np.uint64]
Mask = npt.NDArray[np.bool_]

_TOP_BITS = np.uint64(0x8080808080808080)
_PAIRS = np.uint64(0x00FF00FF00FF00FF)
_FOURS = np.uint64(0x0000FFFF0000FFFF)


@dataclass(frozen=True, slots=True)
class Pattern:
    """What one word must look like. `carry` lifts every byte that differs too much into its bit 7."""

    word: int
    relevant: np.uint64
    expected: np.uint64
    carry: np.uint64


@dataclass(frozen=True, slots=True)
class Digits:
    """`count` decimal digits inside one word, moved to its end by `shift`, and what the last of them is worth."""

    word: int
    relevant: np.uint64
    shift: np.uint64
    count: int
    worth: np.uint64


def gather(text: bytes, positions: Positions, words: int) -> Words:
    """The window of `words` words from each position of the text."""
    width = 8 * words
    every = np.ndarray((len(text) - width + 1,), f"V{width}", text, strides=(1,))
    gathered: Words = every[positions].view("<u8").reshape(len(positions), words)
    return gathered


def patterns(shape: bytes, at: int, *, decimal: Collection[int] = (), free: Collection[int] = ()) -> Iterator[Pattern]:
    """Patterns for a shape that starts at character `at` of the window.

    At the places `decimal` of the window stands any decimal digit (the shape has "0" there), at the places `free`
    anything, elsewhere the shape's own character.
    """
    for word in range(at // 8, (at + len(shape) - 1) // 8 + 1):
        relevant, expected, carry = 0, 0, 0
        for place in range(max(at, 8 * word), min(at + len(shape), 8 * word + 8)):
            if place in free:
                continue
            bits = 8 * (place - 8 * word)
            relevant |= 0xFF << bits
            expected |= shape[place - at] << bits
            # 0x76 + 10 and 0x7F + 1 reach bit 7: more than a digit, or other than the constant.
            carry |= (0x76 if place in decimal else 0x7F) << bits
        if relevant:
            yield Pattern(word, np.uint64(relevant), np.uint64(expected), np.uint64(carry))


def fitting(window: Words, all_patterns: Iterable[Pattern]) -> Mask:
    """Which lines have the characters that the patterns want."""
    misfit = np.zeros(len(window), np.uint64)
    for pattern in all_patterns:
        word = window[:, pattern.word] ^ pattern.expected
        word &= pattern.relevant
        misfit |= word
        word += pattern.carry
        misfit |= word
    fits: Mask = misfit & _TOP_BITS == 0
    return fits


def digit_runs(at: int, count: int, worth: int) -> Iterator[Digits]:
    """The decimal digits from character `at` of the window on, the last of them worth `worth`, divided by words."""
    end = at + count
    for word in range(at // 8, (end - 1) // 8 + 1):
        first, last = max(at, 8 * word), min(end, 8 * word + 8)
        relevant = sum(0x0F << 8 * (place - 8 * word) for place in range(first, last))
        yield Digits(
            word, np.uint64(relevant), np.uint64(8 * (8 * word + 8 - last)), last - first,
            np.uint64(worth * 10 ** (end - last)),
        )


def decimal_sum(window: Words, runs: Iterable[Digits]) -> Words:
    """What the digits of each line are worth together; they must be digits."""
    total = np.zeros(len(window), np.uint64)
    for run in runs:
        digits = window[:, run.word] & run.relevant
        # The upper digits of neighbouring lines are mostly the same.
        if (digits == digits[0]).all():
            digits = digits[:1]
        total += _decimal(digits << run.shift, run.count) * run.worth
    return total


def _decimal(digits: Words, count: int) -> Words:
    """The number that the last `count` bytes of each word (0 to 9 each, the bytes before them 0) spell."""
    if count == 1:
        return digits >> np.uint64(56)
    pairs = digits * np.uint64(10 << 8 | 1) >> np.uint64(8) & _PAIRS
    if count == 2:
        return pairs >> np.uint64(48)
    fours = pairs * np.uint64(100 << 16 | 1) >> np.uint64(16) & _FOURS
    if count <= 4:
        return fours >> np.uint64(32)
    return fours * np.uint64(10_000 << 32 | 1) >> np.uint64(32)


def are_hex(chars: npt.NDArray[np.uint8]) -> Mask:
    """Which characters are hex digits, of either case."""
    digit: Mask = chars - np.uint8(ord("0")) < 10
    letter: Mask = (chars | np.uint8(0x20)) - np.uint8(ord("a")) < 6
    both: Mask = digit | letter
    return both
