"""A TOML table read key by key, that complains precisely.

Rule: whatever is wrong raises the kind's error with the file, the table, the key, what stands there and what is
allowed; a key that nobody asked for is wrong too, because it is most likely misspelled. So a reader asks for every key
it knows and ends with `close`. Each kind of file has its own table class, which says what its texts and lists are.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable
from datetime import date, time
from typing import ClassVar, NoReturn, Self

from faultlamp.errors import FaultlampError
from faultlamp.text import printable

TOP = "top level"

_LONGEST_SHOWN = 60
_MISSING = object()


class CheckedTable:
    """One TOML table; `file` and `place` say where, for the messages.

    error: what is raised. longest_list: characters of what is allowed, before it is cut.
    """

    error: ClassVar[type[FaultlampError]] = FaultlampError
    longest_list: ClassVar[int] = 600

    def __init__(self, file: str, place: str, content: object) -> None:
        self.file = file
        self.place = place
        if not isinstance(content, dict):
            raise self.error(f"{file}: {place}: {shown(content)} stands where a table belongs")
        self._content: dict[str, object] = content
        self._known: dict[str, None] = {}

    def fail(self, problem: str) -> NoReturn:
        """Raise the error for a problem of this table as a whole."""
        raise self.error(f"{self.file}: {self.place}: {problem}")

    def refuse(self, key: str, allowed: str) -> NoReturn:
        """Raise the error for what stands, or does not stand, at `key`."""
        content = self._content.get(key, _MISSING)
        found = "is missing" if content is _MISSING else f"= {shown(content)}"
        self.fail(f"{key} {found}; allowed: {allowed}")

    def has(self, key: str) -> bool:
        """Whether the key is there; it counts as known from now on."""
        self._known[key] = None
        return key in self._content

    def own_keys(self) -> list[str]:
        """All keys, all known from now on: for tables whose keys are names that the author gives."""
        self._known.update(dict.fromkeys(self._content))
        return list(self._content)

    def close(self) -> None:
        """Complain about the keys that nobody asked for."""
        for key in self._content:
            if key not in self._known:
                self.fail(f"unknown key {shown(key)}; allowed: {self.listed(self.asked_for())}")

    def asked_for(self) -> list[str]:
        """The keys that are known, in the order in which a message names them."""
        return list(self._known)

    def number(self, key: str, lowest: float, highest: float, default: float | None = None) -> float:
        """A finite number within the limits."""
        if not self.has(key) and default is not None:
            return default
        value = as_number(self._content.get(key))
        if value is None or not lowest <= value <= highest:
            self.refuse(key, f"a number, {lowest:.15g} to {highest:.15g}")
        return value

    def whole(self, key: str, lowest: int, highest: int, default: int | None = None) -> int:
        """A whole number within the limits."""
        if not self.has(key) and default is not None:
            return default
        number = as_whole(self._content.get(key), lowest, highest)
        if number is None:
            self.refuse(key, f"a whole number, {lowest} to {highest}")
        return number

    def flag(self, key: str, default: bool) -> bool:
        """true or false."""
        content = self._content[key] if self.has(key) else default
        if not isinstance(content, bool):
            self.refuse(key, "true or false")
        return content

    def choice(self, key: str, options: Collection[str], default: str | None = None) -> str:
        """One of the options."""
        if not self.has(key) and default is not None:
            return default
        content = self._content.get(key)
        if not isinstance(content, str) or content not in options:
            self.refuse(key, f"one of {self.listed(options)}")
        return content

    def table(self, key: str) -> Self:
        """The table below this one, an empty one when the key is not there."""
        place = f"{self.place}, {key}" if self.place != TOP else f"[{key}]"
        return type(self)(self.file, place, self._content[key] if self.has(key) else {})

    @classmethod
    def listed(cls, options: Iterable[object]) -> str:
        """Options in a row, cut when there are very many."""
        return printable(", ".join(map(str, options)), longest=cls.longest_list)


def as_number(content: object) -> float | None:
    """The content as a finite number, None for anything else."""
    if isinstance(content, bool) or not isinstance(content, int | float):
        return None
    try:
        value = float(content)
    except OverflowError:
        return None
    return value if math.isfinite(value) else None


def as_whole(content: object, lowest: int, highest: int) -> int | None:
    """The content as a whole number within the limits, None for anything else."""
    if isinstance(content, bool) or not isinstance(content, int) or not lowest <= content <= highest:
        return None
    return content


def shown(content: object) -> str:
    """Something out of the file as it is written there, short and harmless."""
    if isinstance(content, dict):
        return "a table"
    if isinstance(content, bool):
        return str(content).lower()
    if isinstance(content, date | time):
        return content.isoformat()
    try:
        return printable(repr(content), longest=_LONGEST_SHOWN)
    except ValueError:  # a whole number with more digits than Python agrees to write
        return "a number of thousands of digits"
