"""A knowledge file (TOML) read key by key, with complaints that say exactly where.

Rule: whatever is wrong raises DataFileError with the file, the table, the key, what stands there and what is allowed;
a key that nobody asked for is wrong too, because it is most likely misspelled. So a reader asks for every key it
knows and ends with `close`:

    top = read_toml(path)
    for table in top.tables("family", most=100):
        key = table.name("key")
        causes = table.texts("causes", most=20)
        table.close()
    top.close()
"""

from __future__ import annotations

import os
import re
import tomllib
from collections.abc import Callable, Collection, Iterable
from typing import NoReturn, TypeVar

from faultlamp.errors import DataFileError
from faultlamp.text import printable

TOP = "top level"
LAST_SPN = 524287

_LARGEST_FILE = 4_000_000
_LONGEST_SHOWN = 60
_MISSING = object()
_NAME = re.compile(r"[a-z][a-z0-9_]{0,39}")
_RANGE = re.compile(r"([0-9]{1,6})(?:-([0-9]{1,6}))?")
_T = TypeVar("_T")


def read_toml(path: str | os.PathLike[str]) -> Table:
    """The top level of the file. Raises DataFileError when it cannot be read or is no TOML."""
    name = printable(os.fspath(path))
    try:
        with open(path, "rb") as file:
            content = file.read(_LARGEST_FILE + 1)
    except OSError as error:
        raise DataFileError(f"{name}: cannot read the file: {error.strerror}") from error
    if len(content) > _LARGEST_FILE:
        raise DataFileError(f"{name}: too large for a knowledge file, more than {_LARGEST_FILE} bytes")
    try:
        document = tomllib.loads(content.decode("utf-8-sig"))
    except (ValueError, RecursionError) as error:
        # Among them what tomllib itself raises, which names line and column, and bytes that are no UTF-8.
        raise DataFileError(f"{name}: not a TOML file: {printable(str(error))}") from error
    return Table(name, TOP, document)


class Table:
    """One TOML table; `file` and `place` say where, for the messages."""

    def __init__(self, file: str, place: str, content: object) -> None:
        self.file = file
        self.place = place
        if not isinstance(content, dict):
            raise DataFileError(f"{file}: {place}: {shown(content)} stands where a table belongs")
        self._content: dict[str, object] = content
        self._known: set[str] = set()

    def fail(self, problem: str) -> NoReturn:
        """Raise the error for a problem of this table as a whole."""
        raise DataFileError(f"{self.file}: {self.place}: {problem}")

    def refuse(self, key: str, allowed: str) -> NoReturn:
        """Raise the error for what stands, or does not stand, at `key`."""
        content = self._content.get(key, _MISSING)
        found = "is missing" if content is _MISSING else f"= {shown(content)}"
        self.fail(f"{key} {found}; allowed: {allowed}")

    def has(self, key: str) -> bool:
        """Whether the key is there; it counts as known from now on."""
        self._known.add(key)
        return key in self._content

    def own_keys(self) -> list[str]:
        """All keys, all known from now on: for tables whose keys are names that the author gives."""
        self._known.update(self._content)
        for key in self._content:
            if not _NAME.fullmatch(key):
                self.fail(f"the key {shown(key)} is no name; allowed: 1 to 40 of a-z 0-9 _, a letter first")
        return list(self._content)

    def close(self) -> None:
        """Complain about the keys that nobody asked for."""
        for key in self._content:
            if key not in self._known:
                self.fail(f"unknown key {shown(key)}; allowed: {_listed(sorted(self._known))}")

    def text(self, key: str, *, longest: int = 400, default: str | None = None) -> str:
        """One line of text without control characters or blanks at its ends."""
        if not self.has(key) and default is not None:
            return default
        content = self._content.get(key)
        if not isinstance(content, str) or not _is_text(content, longest):
            self.refuse(key, f"one line of text, 1 to {longest} characters")
        return content

    def optional_text(self, key: str, *, longest: int = 400) -> str | None:
        """As `text`; None when the key is not there."""
        return self.text(key, longest=longest) if self.has(key) else None

    def texts(self, key: str, *, most: int, longest: int = 400, least: int = 0) -> tuple[str, ...]:
        """A list of different lines of text; empty when the key is not there and none are needed."""
        return self._several(
            key, least, most, f"lines of text of 1 to {longest} characters",
            lambda part: part if isinstance(part, str) and _is_text(part, longest) else None,
        )

    def name(self, key: str) -> str:
        """A short name of lower-case letters, digits and underscores."""
        content = self._content.get(key) if self.has(key) else None
        if not isinstance(content, str) or not _NAME.fullmatch(content):
            self.refuse(key, "a name: 1 to 40 of a-z 0-9 _, a letter first")
        return content

    def choice(self, key: str, options: Collection[str], default: str | None = None) -> str:
        """One of the options."""
        if not self.has(key) and default is not None:
            return default
        content = self._content.get(key)
        if not isinstance(content, str) or content not in options:
            self.refuse(key, f"one of {_listed(options)}")
        return content

    def choices(self, key: str, options: Collection[str], *, least: int = 0) -> tuple[str, ...]:
        """A list of different options; empty when the key is not there and none are needed."""
        return self._several(
            key, least, len(options), f"of {_listed(options)}",
            lambda part: part if isinstance(part, str) and part in options else None,
        )

    def whole(self, key: str, lowest: int, highest: int, default: int | None = None) -> int:
        """A whole number within the limits."""
        if not self.has(key) and default is not None:
            return default
        number = _whole(self._content.get(key), lowest, highest)
        if number is None:
            self.refuse(key, f"a whole number, {lowest} to {highest}")
        return number

    def wholes(self, key: str, lowest: int, highest: int, *, least: int = 0) -> tuple[int, ...]:
        """A list of different whole numbers within the limits."""
        return self._several(
            key, least, highest - lowest + 1, f"whole numbers, {lowest} to {highest}",
            lambda part: _whole(part, lowest, highest),
        )

    def number(self, key: str, lowest: float, highest: float, default: float | None = None) -> float:
        """A number within the limits, which leaves out infinity and 'not a number'."""
        if not self.has(key) and default is not None:
            return default
        content = self._content.get(key)
        if isinstance(content, bool) or not isinstance(content, int | float) or not lowest <= content <= highest:
            self.refuse(key, f"a number, {lowest:.15g} to {highest:.15g}")
        return float(content)

    def flag(self, key: str, default: bool) -> bool:
        """true or false."""
        content = self._content[key] if self.has(key) else default
        if not isinstance(content, bool):
            self.refuse(key, "true or false")
        return content

    def spns(self, key: str, *, least: int = 0) -> tuple[range, ...]:
        """Suspect parameter numbers: whole numbers, or texts "FIRST-LAST" for all from first to last."""
        return self._several(
            key, least, 2000, f'SPNs, 0 to {LAST_SPN}, or ranges like "651-666"', _spn_range
        )

    def table(self, key: str) -> Table:
        """The table below this one, an empty one when the key is not there."""
        place = f"{self.place}, {key}" if self.place != TOP else f"[{key}]"
        return Table(self.file, place, self._content[key] if self.has(key) else {})

    def tables(self, key: str, most: int, *, least: int = 0) -> list[Table]:
        """The tables of an array of tables, numbered from 1 for the messages."""
        content = self._content[key] if self.has(key) else []
        if not isinstance(content, list) or not least <= len(content) <= most:
            self.refuse(key, f"{least} to {most} tables [[{key}]]")
        above = "" if self.place == TOP else f"{self.place}, "
        return [Table(self.file, f"{above}[[{key}]] {number}", part) for number, part in enumerate(content, 1)]

    def _several(
        self, key: str, least: int, most: int, of_what: str, read: Callable[[object], _T | None]
    ) -> tuple[_T, ...]:
        allowed = f"a list of {least} to {most} different {of_what}"
        content = self._content[key] if self.has(key) else []
        if not isinstance(content, list) or not least <= len(content) <= most:
            self.refuse(key, allowed)
        found: list[_T] = []
        for part in content:
            value = read(part)
            if value is None or value in found:
                self.fail(f"{key} has {shown(part)}{'' if value is None else ' twice'}; allowed: {allowed}")
            found.append(value)
        return tuple(found)


def shown(content: object) -> str:
    """Something out of the file, short and harmless."""
    if isinstance(content, dict):
        return "a table"
    try:
        return printable(repr(content), longest=_LONGEST_SHOWN)
    except ValueError:  # a whole number with more digits than Python agrees to write
        return "a number of thousands of digits"


def _listed(options: Iterable[object]) -> str:
    return printable(", ".join(map(str, options)), longest=600)


def _is_text(content: str, longest: int) -> bool:
    # isprintable: no controls, no invisible or unassigned characters, and of all blanks only the space.
    return 1 <= len(content) <= longest and content.isprintable() and content == content.strip()


def _whole(content: object, lowest: int, highest: int) -> int | None:
    if isinstance(content, bool) or not isinstance(content, int) or not lowest <= content <= highest:
        return None
    return content


def _spn_range(content: object) -> range | None:
    if isinstance(content, str):
        found = _RANGE.fullmatch(content)
        first, last = (int(found[1]), int(found[2] or found[1])) if found else (1, 0)
    else:
        number = _whole(content, 0, LAST_SPN)
        first, last = (1, 0) if number is None else (number, number)
    return range(first, last + 1) if first <= last <= LAST_SPN else None
