"""A user's own table: CSV as spreadsheets and people write it, its bad rows named by line.

Rule: comma, semicolon or tab between the cells (the first line decides, or `sep=;` above it), any line ends, UTF-8
with or without a mark, UTF-16 with one, else Windows-1252; quoted cells as in RFC 4180; lines that start with # are
comments. The first row names the columns, in any order, small or capital letters. A row that cannot be used is left
out and named; a table that cannot be used at all raises DataFileError.

Everything in the file is hostile until it went through `cell_text`.
"""

from __future__ import annotations

import codecs
import csv
import os
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import NoReturn, TypeVar

from faultlamp.errors import DataFileError
from faultlamp.text import printable

_LARGEST_FILE = 32_000_000
_MOST_ROWS = 500_000
# Quoted cells may have line breaks in them; one that spans more than this was never closed.
_LONGEST_ROW_LINES = 20
_SEPARATORS = ",;\t"
_SEPARATOR_LINE = re.compile(r"sep=([,;\t])\s*", re.IGNORECASE)
_NUMBER = re.compile(r"[0-9]{1,9}")
_T = TypeVar("_T")


class BadRow(Exception):
    """Why a row is left out; `UserTable.read` makes a line of it."""


@dataclass(slots=True)
class UserTable:
    """The rows of a file: line number and cells by column."""

    file: str
    rows: list[tuple[int, dict[str, str]]] = field(default_factory=list)
    _left_out: list[tuple[int, str]] = field(default_factory=list)

    @property
    def skipped(self) -> list[str]:
        """A line for each row that was left out, with its number and the reason, in the order of the file."""
        return [f"{self.file}, line {line}: {reason}; the row is left out" for line, reason in sorted(self._left_out)]

    def skip(self, line: int, reason: str) -> None:
        """Leave a row out."""
        self._left_out.append((line, reason))

    def read(self, make: Callable[[int, dict[str, str]], _T]) -> list[_T]:
        """What `make` makes of each row (line, cells); a row for which it raises BadRow is left out and named."""
        made = []
        for line, cells in self.rows:
            try:
                made.append(make(line, cells))
            except BadRow as reason:
                self.skip(line, str(reason))
        return made


def read_user_table(
    path: str | os.PathLike[str], *, required: Sequence[str], optional: Sequence[str] = ()
) -> UserTable:
    """The table of a file; a row has a text, perhaps empty, for every required and optional column.

    Raises DataFileError, one line with file, line and what to do, when there is no such table in the file.
    """
    name = printable(os.fspath(path))
    lines = _text(path, name).split("\n")
    separator, at = _first_line(lines, name, required)
    columns = _columns(lines[at], separator, f"{name}, line {at + 1}", required, optional)
    table = UserTable(name)
    for line, cells in _rows(lines, at + 1, separator, table):
        if len(table.rows) >= _MOST_ROWS:
            raise DataFileError(f"{name}: more than {_MOST_ROWS} rows; leave out what is not needed")
        if any(cell.strip() for cell in cells[len(columns) :]):
            table.skip(
                line, f"{len(cells)} cells for {len(columns)} columns; put a cell that has {_words(separator)} in it "
                "between double quotes",
            )
            continue
        found = dict(zip(columns, cells, strict=False))
        table.rows.append((line, {column: found.get(column, "").strip() for column in (*required, *optional)}))
    return table


def cell_text(cell: str, longest: int) -> str:
    """The cell as one line of harmless text."""
    return printable(" ".join(cell[: longest * 4].split()), longest=longest)


def whole_number(cell: str, column: str, highest: int) -> int:
    """The whole number in a cell, 0 to `highest`. Raises BadRow."""
    if not _NUMBER.fullmatch(cell) or int(cell) > highest:
        raise BadRow(f"{column} is {cell_text(cell, 30)!r} where a whole number from 0 to {highest} belongs")
    return int(cell)


def _text(path: str | os.PathLike[str], name: str) -> str:
    try:
        with open(path, "rb") as file:
            content = file.read(_LARGEST_FILE + 1)
    except OSError as error:
        raise DataFileError(f"{name}: cannot read the table: {error.strerror}; check path and permissions") from error
    if len(content) > _LARGEST_FILE:
        raise DataFileError(f"{name}: too large for a table, more than {_LARGEST_FILE} bytes; is it a recording?")
    if content.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        text = content.decode("utf-16", "replace")
    elif b"\0" in content:
        raise DataFileError(f"{name}: not a table but binary; save it as CSV")
    else:
        try:
            text = content.decode("utf-8-sig")
        except UnicodeDecodeError:
            text = content.decode("cp1252", "replace")
    return text.replace("\r\n", "\n").replace("\r", "\n")


def _first_line(lines: list[str], name: str, required: Sequence[str]) -> tuple[str, int]:
    """The separator, and where the line with the names of the columns stands, counted from 0."""
    stated = None
    for at, line in enumerate(lines):
        found = _SEPARATOR_LINE.fullmatch(line)
        if found:
            stated = found[1]
        elif line.strip(_SEPARATORS + " ") and not line.startswith("#"):
            return stated or max(_SEPARATORS, key=line.count), at
    raise DataFileError(f"{name}: empty; it must begin with a line {','.join(required)}")


def _columns(
    line: str, separator: str, where: str, required: Sequence[str], optional: Sequence[str]
) -> list[str]:
    def fail(problem: str) -> NoReturn:
        more = f", and perhaps {', '.join(optional)}" if optional else ""
        raise DataFileError(f"{where}: {problem}; the first line must name the columns {', '.join(required)}{more}")

    try:
        columns = ["_".join(cell.casefold().split()) for cell in next(csv.reader([line], delimiter=separator), [])]
    except csv.Error as error:
        fail(str(error))
    missing = [column for column in required if column not in columns]
    if missing:
        fail(f"no column {missing[0]!r} in {cell_text(line, 80)!r}")
    twice = [column for column in (*required, *optional) if columns.count(column) > 1]
    if twice:
        fail(f"two columns {twice[0]!r}")
    return columns


def _rows(lines: list[str], start: int, separator: str, table: UserTable) -> Iterator[tuple[int, list[str]]]:
    """Line number from 1 and cells of each row that is none of a blank line, a comment or an unclosed quote."""
    at = start
    while at < len(lines):
        if lines[at].startswith("#") or not lines[at].strip(_SEPARATORS + " "):
            at += 1
            continue
        # A reader for each row, so that a quote which is never closed costs its own line and not the rest of the file.
        reader = csv.reader(
            (f"{line}\n" for line in lines[at : at + _LONGEST_ROW_LINES]), delimiter=separator, strict=True
        )
        try:
            cells = next(reader)
        except csv.Error as error:
            table.skip(at + 1, f"not a row of a table ({error}); look for a stray double quote")
            at += 1
            continue
        yield at + 1, cells
        at += reader.line_num


def _words(separator: str) -> str:
    return {",": "a comma", ";": "a semicolon", "\t": "a tab"}[separator]
