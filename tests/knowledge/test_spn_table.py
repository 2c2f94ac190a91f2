"""A user's own names of parameters. The names here are invented."""

from pathlib import Path

import pytest

from faultlamp.errors import DataFileError
from faultlamp.knowledge.spn_table import SpnNames, load_spn_tables


def names(tmp_path: Path, *contents: str) -> SpnNames:
    """The names of files with these contents, in that order."""
    paths = []
    for number, content in enumerate(contents):
        paths.append(tmp_path / f"{number}.csv")
        paths[-1].write_text(content, encoding="utf-8")
    return load_spn_tables(paths)


def test_own_names_come_first_and_the_shipped_ones_stay(tmp_path: Path) -> None:
    """A maker's number gets a name, a known one another name, and the rest is as shipped."""
    table = names(tmp_path, "spn,name\n520200,Suction Side Dry\n110,My Coolant\n")
    assert table.name(520200) == table.describe(520200) == "Suction Side Dry"
    assert table.name(110) == "My Coolant"
    assert table.name(100) == "Engine Oil Pressure"
    assert (table.name(520201), table.describe(520201)) == (None, "maker-specific SPN")
    assert table.describe(400_000) == "unknown SPN"
    assert table.skipped == ()


def test_without_a_table_names_are_the_shipped_ones() -> None:
    """SPN 190 as commonly published (SAE J1939-71)."""
    assert SpnNames().name(190) == "Engine Speed"
    assert load_spn_tables([]).own == {}


def test_the_later_file_wins(tmp_path: Path) -> None:
    """So that a machine's table can go over a fleet's."""
    assert names(tmp_path, "spn,name\n520200,Old\n", "name;spn;note\nNew;520200;x\n").name(520200) == "New"


@pytest.mark.parametrize(("row", "complaint"), [
    ("520200,Again", "SPN 520200 has a name already, in line 2"),
    ("520201,", "SPN 520201 has no name"),
    ("524288,x", "spn is '524288' where a whole number from 0 to 524287"),
    ("abc,x", "spn is 'abc'"),
    ("1,2,3", "3 cells for 2 columns"),
])
def test_bad_rows_are_named(tmp_path: Path, row: str, complaint: str) -> None:
    """File, line and reason; the first row of an SPN counts."""
    table = names(tmp_path, f"spn,name\n520200,First\n{row}\n")
    (skipped,) = table.skipped
    assert ", line 3: " in skipped
    assert complaint in skipped
    assert dict(table.own) == {520200: "First"}


def test_hostile_names_are_neutralised(tmp_path: Path) -> None:
    """No escape sequence and no endless name reaches a terminal."""
    name = names(tmp_path, "spn,name\n520200,\x1b[2J" + "x" * 1000 + "\n").name(520200)
    assert name is not None
    assert name.isprintable()
    assert len(name) <= 120


def test_a_file_without_the_columns(tmp_path: Path) -> None:
    """One line that says which columns it needs."""
    with pytest.raises(DataFileError, match=r"0\.csv, line 1: no column 'name' in .*must name the columns spn, name"):
        names(tmp_path, "spn,title\n1,x\n")
