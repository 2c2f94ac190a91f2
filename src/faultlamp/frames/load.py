"""How much of a bus the frames on it take, as an estimate.

Rule: ISO 11898-1, classic frames. Of n data bytes, with a 29-bit identifier:

    start 1, identifier 11 + 18, SRR and IDE 2, RTR 1, reserved 2, length code 4, data 8n, CRC 15   can be stuffed
    CRC delimiter 1, acknowledge 1 + 1, end of frame 7, gap to the next frame 3                     never stuffed

which is 67 + 8n bits; with an 11-bit identifier 47 + 8n. After five equal bits the sender stuffs in another one: from
none to one in four of the bits that can be stuffed. How many depends on the bits themselves; a tenth of the frame is
taken here, between the two limits, which are given too. Error frames and CAN FD frames are left out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from faultlamp.frames.block import FrameBlock
from faultlamp.frames.frame import ERROR, EXTENDED, FD

# Bits of a frame without data, and how many of them can be stuffed.
_BITS_29, _STUFFABLE_29 = 67, 54
_BITS_11, _STUFFABLE_11 = 47, 34
_STUFFING = 1.1

USUAL_BIT_RATES = (250_000, 500_000)
"""bit/s of SAE J1939-11 and -15, and of J1939-14 (from memory)."""


@dataclass(frozen=True, slots=True)
class Load:
    """Share of the bus's time in per cent, at `bit_rate` bit/s: estimate, without any stuffing, with the most."""

    bit_rate: int
    percent: float
    least_percent: float
    most_percent: float


@dataclass(frozen=True, slots=True)
class Bits:
    """Length of frames on the wire, gap included: without stuffing and with the most."""

    least: int = 0
    most: int = 0

    def __add__(self, other: Bits) -> Bits:
        return Bits(self.least + other.least, self.most + other.most)


def frame_bits(data_bytes: int, *, extended: bool = True) -> Bits:
    """Length of one classic frame of 0 to 8 data bytes. Raises ValueError for other lengths.

    >>> frame_bits(8)
    Bits(least=131, most=160)
    """
    if not 0 <= data_bytes <= 8:
        raise ValueError(f"a classic frame has 0 to 8 data bytes, not {data_bytes}")
    fixed, stuffable = (_BITS_29, _STUFFABLE_29) if extended else (_BITS_11, _STUFFABLE_11)
    least = fixed + 8 * data_bytes
    # The first stuff bit comes after five bits, each further one after four: it counts as the first of the next five.
    return Bits(least, least + (stuffable + 8 * data_bytes - 1) // 4)


def block_bits(block: FrameBlock) -> Bits:
    """Length of the classic frames of a block; error and CAN FD frames are left out."""
    classic = block.flags & (ERROR | FD) == 0
    extended = block.flags & EXTENDED != 0
    return _bits(block.length[classic & extended], extended=True) + _bits(
        block.length[classic & ~extended], extended=False
    )


def bus_load(bits: Bits, seconds: float, bit_rate: int) -> Load:
    """The load that `bits` within `seconds` are. Raises ValueError unless both other numbers are above zero."""
    if seconds <= 0 or bit_rate <= 0:
        raise ValueError(f"no load in {seconds} s at {bit_rate} bit/s")
    per_bit = 100 / (seconds * bit_rate)
    return Load(bit_rate, bits.least * _STUFFING * per_bit, bits.least * per_bit, bits.most * per_bit)


def _bits(lengths: npt.NDArray[np.uint8], *, extended: bool) -> Bits:
    total = Bits()
    for data_bytes, frames in enumerate(np.bincount(np.minimum(lengths, 8)).tolist()):
        if frames:
            one = frame_bits(data_bytes, extended=extended)
            total += Bits(one.least * frames, one.most * frames)
    return total
