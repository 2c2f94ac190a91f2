"""A knowledge file (TOML) read key by key, with complaints that say exactly where.

Rule: whatever is wrong raises DataFileError, as `checked_table` says; texts are single lines, lists hold different
things. A reader asks for every key it knows and ends with `close`:

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
from collections.abc import Callable, Collection
from typing import TypeVar

from faultlamp.errors import DataFileError
from faultlamp.knowledge.checked_table import TOP, CheckedTable, as_number, as_whole, shown
from faultlamp.text import printable

LAST_SPN = 524287

_LARGEST_FILE = 4_000_000
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


class Table(CheckedTable):
    """One table of a knowledge file."""

    error = DataFileError

    def own_keys(self) -> list[str]:
        """As in every table; here they have to be names."""
        keys = super().own_keys()
        for key in keys:
            if not _NAME.fullmatch(key):
                self.fail(f"the key {shown(key)} is no name; allowed: 1 to 40 of a-z 0-9 _, a letter first")
        return keys

    def asked_for(self) -> list[str]:
        """The keys that are known, by name."""
        return sorted(super().asked_for())

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

    def choices(self, key: str, options: Collection[str], *, least: int = 0) -> tuple[str, ...]:
        """A list of different options; empty when the key is not there and none are needed."""
        return self._several(
            key, least, len(options), f"of {self.listed(options)}",
            lambda part: part if isinstance(part, str) and part in options else None,
        )

    def wholes(self, key: str, lowest: int, highest: int, *, least: int = 0) -> tuple[int, ...]:
        """A list of different whole numbers within the limits."""
        return self._several(
            key, least, highest - lowest + 1, f"whole numbers, {lowest} to {highest}",
            lambda part: as_whole(part, lowest, highest),
        )

    def spns(self, key: str, *, least: int = 0) -> tuple[range, ...]:
        """Suspect parameter numbers: whole numbers, or texts "FIRST-LAST" for all from first to last."""
        return self._several(
            key, least, 2000, f'SPNs, 0 to {LAST_SPN}, or ranges like "651-666"', _spn_range
        )

    def limits(self, key: str, lowest: float, highest: float) -> tuple[float, float] | None:
        """A list of two numbers, the lower one first, or one number that is both; None when the key is not there."""
        if not self.has(key):
            return None
        content = self._content[key]
        ends = [as_number(part) for part in (content if isinstance(content, list) else [content] * 2)]
        low, high = ends if len(ends) == 2 else (None, None)
        if low is None or high is None or not lowest <= low <= high <= highest:
            self.refuse(key, f"[LOW, HIGH] or one number, {lowest:.15g} to {highest:.15g}, the lower one first")
        return low, high

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


def _is_text(content: str, longest: int) -> bool:
    # isprintable: no controls, no invisible or unassigned characters, and of all blanks only the space.
    return 1 <= len(content) <= longest and content.isprintable() and content == content.strip()


def _spn_range(content: object) -> range | None:
    if isinstance(content, str):
        found = _RANGE.fullmatch(content)
        first, last = (int(found[1]), int(found[2] or found[1])) if found else (1, 0)
    else:
        number = as_whole(content, 0, LAST_SPN)
        first, last = (1, 0) if number is None else (number, number)
    return range(first, last + 1) if first <= last <= LAST_SPN else None
