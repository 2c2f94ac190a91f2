"""What controllers and codes are called on the screen. A preferred address is a guess at who it is, never proof."""

from __future__ import annotations

from collections.abc import Sequence

from faultlamp.j1939.diagnostics import Lamp, LampState
from faultlamp.knowledge.addresses import address_name
from faultlamp.text import printable

LAMP_WORDS = {
    Lamp.RED_STOP: "red stop lamp",
    Lamp.AMBER_WARNING: "amber warning lamp",
    Lamp.PROTECT: "protect lamp",
    Lamp.MALFUNCTION_INDICATOR: "malfunction indicator lamp",
}
"""The lamps, the one that asks for most first."""

STATE_WORDS = {
    LampState.OFF: "off",
    LampState.ON: "on",
    LampState.SLOW_FLASH: "slow flash",
    LampState.FAST_FLASH: "fast flash",
    LampState.RESERVED: "reserved",
    LampState.NOT_AVAILABLE: "n/a",
}


def who(source_address: int, channel: str = "") -> str:
    """A controller in running text: `engine 1`, `address 61`; with its channel where there are several."""
    name = address_name(source_address) or f"address {source_address}"
    return f"{name} on {printable(channel, longest=20)}" if channel else name


def title(text: str) -> str:
    """With a capital first letter."""
    return text[:1].upper() + text[1:]


def together(names: Sequence[str]) -> str:
    """`a`, `a and b`, or `a and 3 others`."""
    if len(names) < 3:
        return " and ".join(names)
    return f"{names[0]} and {len(names) - 1} others"


def count_of(number: int, noun: str) -> str:
    """`no faults`, `1 fault`, `3 faults`."""
    return f"{number or 'no'} {noun}{'' if number == 1 else 's'}"


def few(number: int) -> str:
    """A count in at most four characters: `999`, `12k`, `3M`."""
    for unit, letter in ((1_000_000_000, "G"), (1_000_000, "M"), (1000, "k")):
        if number >= unit:
            return f"{min(number // unit, 999)}{letter}"
    return str(number)
