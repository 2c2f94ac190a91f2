"""Whole-byte numbers inside a report, as signal layouts, so that 'error' and 'not available' stay what they are.

Rule: SAE J1939-71, section 5.1.4 (from memory), which raw values are no value; see `j1939.readings`.
"""

from __future__ import annotations

from decimal import Decimal

from faultlamp.j1939.readings import GroupLayout, Reading, SignalLayout, decode, standard_range


def quantity(
    spn: int, name: str, byte: int, size: int, unit: str = "", *, scale: str = "1", offset: str = "0"
) -> SignalLayout:
    """A number of `size` bytes from byte `byte` on, the first being 1; value = raw * scale + offset."""
    lowest, highest = standard_range(8 * size)
    return SignalLayout(
        start_bit=8 * (byte - 1), bit_length=8 * size, spn=spn, name=name, scale=Decimal(scale),
        offset=Decimal(offset), unit=unit, lowest_raw=lowest, highest_raw=highest,
    )


def group(pgn: int, acronym: str, length: int, *signals: SignalLayout) -> GroupLayout:
    """A group that is sent on request."""
    return GroupLayout(pgn, acronym, None, length, signals)


def read(layout: GroupLayout, payload: bytes) -> tuple[Reading, ...]:
    """The group's readings; bytes that are missing are not available."""
    return tuple(decode(layout, payload))


def small_count(byte: int) -> int | None:
    """A count of 0 to 250; None for the values above, which are none."""
    return byte if byte <= 250 else None
