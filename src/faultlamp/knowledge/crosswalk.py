"""A user's table from SPN, FMI and lamp to the maker's own codes: `spn,fmi,lamp,code,title[,link,clears_after]`.

Rule: one pair may have several codes, mostly told apart by the lamp. When a row has a lamp that the controller asks
for, those rows come first, then the rows without a lamp, then the rest; when none has, all are shown unranked. Nothing
is hidden, and each row says why it stands where it does. The lamps belong to the whole message of a controller (SAE
J1939-73, section 5.7.1), so they are a hint at one code and never proof.

docs/explaining.md describes the file. faultlamp ships no maker's codes.
"""

from __future__ import annotations

import os
import re
from collections.abc import Collection
from dataclasses import dataclass
from itertools import groupby

from faultlamp.j1939.diagnostics import Lamp
from faultlamp.knowledge.user_csv import BadRow, cell_text, read_user_table, whole_number

REQUIRED = ("spn", "fmi", "lamp", "code", "title")
OPTIONAL = ("link", "clears_after")

LAMP_WORDS = {
    Lamp.RED_STOP: "red stop lamp", Lamp.AMBER_WARNING: "amber warning lamp", Lamp.PROTECT: "protect lamp",
    Lamp.MALFUNCTION_INDICATOR: "malfunction indicator lamp",
}
"""The lamps, the one that asks for most first."""

LAMP_NAMES = {
    "red_stop": Lamp.RED_STOP, "red": Lamp.RED_STOP, "stop": Lamp.RED_STOP, "red_stop_lamp": Lamp.RED_STOP,
    "amber_warning": Lamp.AMBER_WARNING, "amber": Lamp.AMBER_WARNING, "warning": Lamp.AMBER_WARNING,
    "yellow": Lamp.AMBER_WARNING, "amber_warning_lamp": Lamp.AMBER_WARNING,
    "protect": Lamp.PROTECT, "protect_lamp": Lamp.PROTECT,
    "malfunction_indicator": Lamp.MALFUNCTION_INDICATOR, "malfunction": Lamp.MALFUNCTION_INDICATOR,
    "mil": Lamp.MALFUNCTION_INDICATOR, "malfunction_indicator_lamp": Lamp.MALFUNCTION_INDICATOR,
}
"""How a lamp may be written, with blanks or hyphens for the underscores and in capitals too."""

_NO_LAMP = frozenset({"", "-", "*", "any", "none"})
_LAST_SPN, _LAST_FMI = 524287, 31
_LONGEST_CODE, _LONGEST_TITLE, _LONGEST_LINK = 60, 300, 500
_WEB_LINK = re.compile(r"https?://[A-Za-z0-9\[][!-~]*", re.IGNORECASE)
_SCHEME = re.compile(r"[A-Za-z][A-Za-z0-9+.-]+:")


@dataclass(frozen=True, slots=True)
class CrosswalkRow:
    """One code of a maker. `lamp` is None where the row holds for any; texts are '' where the cell is empty."""

    line: int
    spn: int
    fmi: int
    lamp: Lamp | None
    code: str
    title: str
    link: str
    clears_after: str


@dataclass(frozen=True, slots=True)
class RankedRow:
    """A row with its rank, 1 first (equal rows share one), None where nothing ranks them, and the reason in words."""

    row: CrosswalkRow
    rank: int | None
    reason: str


class Crosswalk:
    """The rows of a file by SPN and FMI; `skipped` names the rows that could not be used."""

    def __init__(self, file: str, rows: Collection[CrosswalkRow], skipped: Collection[str] = ()) -> None:
        self.file = file
        self.skipped = tuple(skipped)
        self._rows: dict[tuple[int, int], list[CrosswalkRow]] = {}
        for row in rows:
            self._rows.setdefault((row.spn, row.fmi), []).append(row)

    def __len__(self) -> int:
        return sum(map(len, self._rows.values()))

    def look_up(self, spn: int, fmi: int, lamps: Collection[Lamp] | None = None) -> tuple[RankedRow, ...]:
        """All rows of the pair, ranked by the lamps that the controller asks for; in the file's order within a rank.

        lamps: None when it is not known which are asked for, empty when none is.
        """
        rows = self._rows.get((spn, fmi), [])
        if lamps is None or not any(row.lamp in lamps for row in rows):
            return tuple(RankedRow(row, None, _unranked(row, lamps)) for row in rows)
        gravity = list(LAMP_WORDS)

        def place(row: CrosswalkRow) -> int:
            if row.lamp is None:
                return len(gravity)
            return gravity.index(row.lamp) if row.lamp in lamps else len(gravity) + 1

        groups = groupby(sorted(rows, key=place), key=place)
        return tuple(
            RankedRow(row, rank, _ranked(row, lamps))
            for rank, (_, some) in enumerate(groups, 1) for row in some
        )


def load_crosswalk(path: str | os.PathLike[str]) -> Crosswalk:
    """The user's file. Raises DataFileError when it is no such table; single bad rows are left out and named."""
    table = read_user_table(path, required=REQUIRED, optional=OPTIONAL)
    lines: dict[tuple[int, int, Lamp | None, str], int] = {}

    def make(line: int, cells: dict[str, str]) -> CrosswalkRow:
        spn = whole_number(cells["spn"], "spn", _LAST_SPN)
        fmi = whole_number(cells["fmi"], "fmi", _LAST_FMI)
        lamp = _lamp(cells["lamp"])
        code = cell_text(cells["code"], _LONGEST_CODE)
        if not code:
            raise BadRow("the cell code is empty")
        key = spn, fmi, lamp, code
        if key in lines:
            raise BadRow(f"the same SPN, FMI, lamp and code stand in line {lines[key]}")
        row = CrosswalkRow(
            line, spn, fmi, lamp, code, cell_text(cells["title"], _LONGEST_TITLE), _link(cells["link"]),
            cell_text(cells["clears_after"], _LONGEST_TITLE),
        )
        lines[key] = line
        return row

    rows = table.read(make)
    return Crosswalk(table.file, rows, table.skipped)


def _lamp(cell: str) -> Lamp | None:
    word = "_".join(cell.casefold().replace("-", " ").replace("_", " ").split()) if cell != "-" else cell
    if word in _NO_LAMP:
        return None
    if word not in LAMP_NAMES:
        raise BadRow(
            f"lamp is {cell_text(cell, 30)!r}; it may be red_stop, amber_warning, protect, malfunction_indicator or "
            "empty"
        )
    return LAMP_NAMES[word]


def _link(cell: str) -> str:
    """A web address, or the name of a file; nothing that a program could be made to run."""
    web = _WEB_LINK.fullmatch(cell)
    file = cell.isprintable() and not _SCHEME.match(cell) and not cell.startswith(("//", "\\\\"))
    if len(cell) > _LONGEST_LINK or not (web or file):
        raise BadRow(f"link is {cell_text(cell, 40)!r}; it may be an http or https address, or the name of a file")
    return cell


def _ranked(row: CrosswalkRow, lamps: Collection[Lamp]) -> str:
    if row.lamp is None:
        return "its row names no lamp"
    words = LAMP_WORDS[row.lamp]
    return f"for the {words}, which is asked for" if row.lamp in lamps else f"for the {words}, which is not asked for"


def _unranked(row: CrosswalkRow, lamps: Collection[Lamp] | None) -> str:
    if row.lamp is None:
        return "its row names no lamp"
    words = f"for the {LAMP_WORDS[row.lamp]}"
    return f"{words}; not known which is asked for" if lamps is None else f"{words}, which is not asked for"
