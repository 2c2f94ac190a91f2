"""A table of a scenario file, read key by key, that complains precisely.

Rule: whatever is wrong raises ScenarioError with the file, the table, the key, what stands there and what is allowed;
a key that nobody asked for is wrong too, because it is most likely misspelled.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from typing import NoReturn

from faultlamp.errors import ScenarioError
from faultlamp.text import printable

TOP = "top level"

_LONGEST_SHOWN = 60
_MISSING = object()


class Table:
    """One TOML table; `file` and `place` say where, for the messages."""

    def __init__(self, file: str, place: str, content: object) -> None:
        self.file = file
        self.place = place
        if not isinstance(content, dict):
            raise ScenarioError(f"{file}: {place}: {shown(content)} stands where a table belongs")
        self._content: dict[str, object] = content
        self._known: list[str] = []

    def fail(self, problem: str) -> NoReturn:
        """Raise the error for a problem of this table as a whole."""
        raise ScenarioError(f"{self.file}: {self.place}: {problem}")

    def refuse(self, key: str, allowed: str) -> NoReturn:
        """Raise the error for what stands, or does not stand, at `key`."""
        content = self._content.get(key, _MISSING)
        found = "is missing" if content is _MISSING else f"= {shown(content)}"
        self.fail(f"{key} {found}; allowed: {allowed}")

    def has(self, key: str) -> bool:
        """Whether the key is there; it counts as known from now on."""
        self._known.append(key)
        return key in self._content

    def raw(self, key: str) -> object:
        """What stands at the key, None when nothing does."""
        return self._content[key] if self.has(key) else None

    def own_keys(self) -> list[str]:
        """All keys, all known from now on: for tables whose keys are names that the author gives."""
        self._known.extend(self._content)
        return list(self._content)

    def close(self) -> None:
        """Complain about the keys that nobody asked for."""
        for key in self._content:
            if key not in self._known:
                self.fail(f"unknown key {shown(key)}; allowed: {listed(dict.fromkeys(self._known))}")

    def text(self, key: str, *, longest: int = 200, default: str | None = None, stars: bool = True) -> str:
        """A text in the characters of ISO 8859-1; without `stars`, one that has no '*' in it."""
        allowed = f"a text of 1 to {longest} characters of ISO 8859-1" + ("" if stars else " without '*'")
        if not self.has(key) and default is not None:
            return default
        content = self._content.get(key)
        if not isinstance(content, str) or not _is_text(content, longest, stars):
            self.refuse(key, allowed)
        return content

    def texts(self, key: str, *, most: int, longest: int = 200) -> tuple[str, ...]:
        """A list of up to `most` texts without '*'; none when the key is not there."""
        allowed = f"a list of up to {most} texts of 1 to {longest} characters of ISO 8859-1 without '*'"
        if not self.has(key):
            return ()
        content = self._content[key]
        if not isinstance(content, list) or len(content) > most:
            self.refuse(key, allowed)
        texts = [part for part in content if isinstance(part, str) and _is_text(part, longest, stars=False)]
        if len(texts) != len(content):
            self.refuse(key, allowed)
        return tuple(texts)

    def named(self, key: str, pattern: re.Pattern[str], allowed: str) -> str:
        """A text that the pattern matches wholly."""
        content = self.raw(key)
        if not isinstance(content, str) or not pattern.fullmatch(content):
            self.refuse(key, allowed)
        return content

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
        content = self._content.get(key)
        if not isinstance(content, int) or isinstance(content, bool) or not lowest <= content <= highest:
            self.refuse(key, f"a whole number, {lowest} to {highest}")
        return content

    def flag(self, key: str, default: bool) -> bool:
        """true or false."""
        content = self.raw(key)
        if content is None:
            return default
        if not isinstance(content, bool):
            self.refuse(key, "true or false")
        return content

    def choice(self, key: str, options: Sequence[str], default: str | None = None) -> str:
        """One of the options."""
        if not self.has(key) and default is not None:
            return default
        content = self._content.get(key)
        if not isinstance(content, str) or content not in options:
            self.refuse(key, f"one of {listed(options)}")
        return content

    def choices(self, key: str, options: Sequence[str], default: Sequence[str]) -> tuple[str, ...]:
        """A list of different options."""
        if not self.has(key):
            return tuple(default)
        content = self._content[key]
        allowed = f"a list of different ones of {listed(options) or 'nothing'}"
        if not isinstance(content, list):
            self.refuse(key, allowed)
        chosen = [part for part in content if isinstance(part, str) and part in options]
        if len(set(chosen)) != len(content):
            self.refuse(key, allowed)
        return tuple(chosen)

    def table(self, key: str) -> Table:
        """The table below this one, an empty one when the key is not there."""
        place = f"{self.place}, {key}" if self.place != TOP else f"[{key}]"
        return Table(self.file, place, self._content[key] if self.has(key) else {})

    def tables(self, key: str, most: int) -> list[Table]:
        """The tables of an array of tables, numbered from 1 for the messages."""
        content = self._content[key] if self.has(key) else []
        if not isinstance(content, list) or len(content) > most:
            self.refuse(key, f"up to {most} tables [[{key}]]")
        place = f"{self.place}, {key}" if self.place != TOP else f"[[{key}]]"
        return [Table(self.file, f"{place} {number}", part) for number, part in enumerate(content, 1)]


def as_number(content: object) -> float | None:
    """The content as a finite number, None for anything else."""
    if isinstance(content, bool) or not isinstance(content, int | float):
        return None
    try:
        value = float(content)
    except OverflowError:
        return None
    return value if math.isfinite(value) else None


def nanoseconds(seconds: float) -> int:
    """Whole microseconds, in nanoseconds: no time stamp of a recording is finer."""
    return round(seconds * 1e6) * 1000


def shown(content: object) -> str:
    """Something out of the file, short and harmless."""
    if isinstance(content, dict):
        return "a table"
    try:
        return printable(repr(content), longest=_LONGEST_SHOWN)
    except ValueError:  # a whole number with more digits than Python agrees to write
        return "a number of thousands of digits"


def listed(options: Iterable[object]) -> str:
    """Options in a row, cut when there are very many."""
    return printable(", ".join(str(option) for option in options), longest=400)


def _is_text(content: str, longest: int, stars: bool) -> bool:
    if not 1 <= len(content) <= longest or (not stars and "*" in content):
        return False
    return all(" " <= char <= "~" or "\xa0" <= char <= "\xff" for char in content)
