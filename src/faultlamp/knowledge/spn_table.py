"""Names of suspect parameters: a user's own tables (`--spn-table`) before the shipped one.

Rule: header `spn,name`, one row a parameter, SPN 0 to 524287 (19 bits, SAE J1939-73, section 5.7.1); of several
tables the later one wins, within one the first row. A maker's number is unknown to every public table, so this is
where its name comes from.
"""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from types import MappingProxyType

from faultlamp.knowledge import names
from faultlamp.knowledge.user_csv import BadRow, cell_text, read_user_table, whole_number

_LAST_SPN = 524287
_LONGEST_NAME = 120


class SpnNames:
    """What parameters are called; `own` are a user's names by SPN, `skipped` the rows that could not be used."""

    def __init__(self, own: Mapping[int, str] | None = None, skipped: Sequence[str] = ()) -> None:
        self.own: Mapping[int, str] = MappingProxyType(dict(own or {}))
        self.skipped = tuple(skipped)

    def name(self, spn: int) -> str | None:
        """The name, None when no table knows it.

        >>> SpnNames({520200: "Drip Pump Pressure"}).name(520200)
        'Drip Pump Pressure'
        """
        return self.own.get(spn) or names.spn_name(spn)

    def describe(self, spn: int) -> str:
        """The name, or in words why there is none."""
        return self.own.get(spn) or names.describe_spn(spn)


def load_spn_tables(paths: Sequence[str | os.PathLike[str]]) -> SpnNames:
    """The names of the user's files; later files win. Raises DataFileError for a file that is no such table."""
    own: dict[int, str] = {}
    skipped: list[str] = []
    for path in paths:
        lines: dict[int, int] = {}

        def make(line: int, cells: dict[str, str], lines: dict[int, int] = lines) -> tuple[int, str]:
            spn = whole_number(cells["spn"], "spn", _LAST_SPN)
            name = cell_text(cells["name"], _LONGEST_NAME)
            if not name:
                raise BadRow(f"SPN {spn} has no name")
            if spn in lines:
                raise BadRow(f"SPN {spn} has a name already, in line {lines[spn]}")
            lines[spn] = line
            return spn, name

        table = read_user_table(path, required=("spn", "name"))
        own.update(table.read(make))
        skipped += table.skipped
    return SpnNames(own, skipped)
