"""Readings into the data bytes of their parameter groups, by the layouts of a DBC file.

Rule: a signal is found by its SPN (the signal attribute SPN); raw = (value - offset) / scale, to the nearest step.
What nobody gives a value for is 'not available', all ones. The special values of each length are those of SAE
J1939-71, section 5.1.4.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

from faultlamp.errors import DataFileError
from faultlamp.j1939.identifier import split_identifier
from faultlamp.resources import shipped
from faultlamp.rig.curves import Special
from faultlamp.text import printable

if TYPE_CHECKING:
    from cantools.database.can import Message, Signal

SHIPPED_DBC = "faultlamp-j1939.dbc"


@dataclass(frozen=True, slots=True)
class Slot:
    """The place of one signal in a group: bits, scale, offset, and the least and greatest value that is a number."""

    bits: int
    scale: float
    offset: float
    lowest: float
    highest: float
    unit: str

    def raw(self, value: float | Special) -> int:
        """The signal's raw number; a value beyond the limits becomes the limit."""
        if value is Special.NOT_AVAILABLE:
            return (1 << self.bits) - 1
        if value is Special.ERROR:
            return (1 << self.bits) - 2 if self.bits <= 8 else 0xFE << self.bits - 8
        return round((min(max(value, self.lowest), self.highest) - self.offset) / self.scale)


class Group:
    """One parameter group of the DBC."""

    def __init__(self, message: Message) -> None:
        self._message = message
        identifier = split_identifier(message.frame_id & 0x1FFFFFFF)
        self.name = message.name
        self.pgn = identifier.pgn
        self.priority = identifier.priority
        slots = {signal.name: _slot(signal) for signal in message.signals}
        self._signals = {signal.spn: signal.name for signal in message.signals if signal.spn}
        self.slots = {spn: slots[name] for spn, name in self._signals.items()}
        self._blank = {name: slot.raw(Special.NOT_AVAILABLE) for name, slot in slots.items()}

    def encode(self, values: Mapping[int, float | Special]) -> bytes:
        """The group's data bytes, from values by SPN in the unit of the DBC; SPNs of other groups are passed over."""
        raw = dict(self._blank)
        for spn, slot in self.slots.items():
            if spn in values:
                raw[self._signals[spn]] = slot.raw(values[spn])
        return bytes(self._message.encode(raw, scaling=False, padding=True, strict=False))


def _slot(signal: Signal) -> Slot:
    """A signal of the DBC; where its range is not written down, that of J1939-71 section 5.1.4 for its length."""
    bits, scale, offset = signal.length, float(signal.scale), float(signal.offset)
    most_raw = (0xFB << bits - 8) - 1 if bits >= 8 else (1 << bits) - 1
    lowest = offset if signal.minimum is None else float(signal.minimum)
    highest = offset + scale * most_raw if signal.maximum is None else float(signal.maximum)
    return Slot(bits, scale, offset, lowest, highest, signal.unit or "")


class Layout:
    """The parameter groups of a DBC file."""

    def __init__(self, path: Path) -> None:
        # cantools takes longer to import than all else, and most commands do without it.
        from cantools.database import load_file
        from cantools.database.can import Database
        from cantools.database.errors import Error

        try:
            database = load_file(path, strict=True)
        except (OSError, UnicodeDecodeError, Error) as error:
            raise DataFileError(f"{path}: no usable DBC file: {printable(str(error))}") from error
        if not isinstance(database, Database):
            raise DataFileError(f"{path}: not a DBC file of CAN messages")
        self._groups = {message.name: Group(message) for message in database.messages}

    def names(self) -> Iterable[str]:
        """The names that `groups` of a scenario's controller may use."""
        return self._groups.keys()

    def group(self, name: str) -> Group | None:
        """The group of that name, None when the file has none."""
        return self._groups.get(name)

    def slot(self, spn: int) -> Slot | None:
        """The place of an SPN in the first group that carries it, None when none does."""
        return next((group.slots[spn] for group in self._groups.values() if spn in group.slots), None)

    def lengths(self) -> dict[int, int]:
        """How many bytes each SPN takes that takes whole ones."""
        slots = [(spn, slot.bits) for group in self._groups.values() for spn, slot in group.slots.items()]
        return {spn: bits // 8 for spn, bits in slots if bits % 8 == 0}


@lru_cache(maxsize=1)
def shipped_layout() -> Layout:
    """The layouts that come with faultlamp."""
    return Layout(shipped("dbc") / SHIPPED_DBC)
