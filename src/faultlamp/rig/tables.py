"""A table of a scenario file, read key by key.

Rule: whatever is wrong raises ScenarioError, as `checked_table` says; texts are in the characters of ISO 8859-1.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from faultlamp.errors import ScenarioError
from faultlamp.knowledge.checked_table import TOP, CheckedTable


class Table(CheckedTable):
    """One table of a scenario file."""

    error = ScenarioError
    longest_list = 400

    def raw(self, key: str) -> object:
        """What stands at the key, None when nothing does."""
        return self._content[key] if self.has(key) else None

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

    def choices(self, key: str, options: Sequence[str], default: Sequence[str]) -> tuple[str, ...]:
        """A list of different options."""
        if not self.has(key):
            return tuple(default)
        content = self._content[key]
        allowed = f"a list of different ones of {self.listed(options) or 'nothing'}"
        if not isinstance(content, list):
            self.refuse(key, allowed)
        chosen = [part for part in content if isinstance(part, str) and part in options]
        if len(set(chosen)) != len(content):
            self.refuse(key, allowed)
        return tuple(chosen)

    def tables(self, key: str, most: int) -> list[Table]:
        """The tables of an array of tables, numbered from 1 for the messages."""
        content = self._content[key] if self.has(key) else []
        if not isinstance(content, list) or len(content) > most:
            self.refuse(key, f"up to {most} tables [[{key}]]")
        place = f"{self.place}, {key}" if self.place != TOP else f"[[{key}]]"
        return [Table(self.file, f"{place} {number}", part) for number, part in enumerate(content, 1)]


def nanoseconds(seconds: float) -> int:
    """Whole microseconds, in nanoseconds: no time stamp of a recording is finer."""
    return round(seconds * 1e6) * 1000


def _is_text(content: str, longest: int, stars: bool) -> bool:
    if not 1 <= len(content) <= longest or (not stars and "*" in content):
        return False
    return all(" " <= char <= "~" or "\xa0" <= char <= "\xff" for char in content)
