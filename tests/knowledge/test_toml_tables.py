"""A knowledge file's table gives what is there and complains exactly about what is wrong."""

from pathlib import Path

import pytest

from faultlamp.errors import DataFileError
from faultlamp.knowledge.toml_tables import Table, read_toml

GOOD = """
name = "oil_pressure"
line = "One line."
count = 3
share = 0.5
on = true
choice = "b"
spns = [100, "651-653"]
list = ["x", "y"]
[inner]
deep = 1
[[row]]
n = 1
[[row]]
n = 2
"""


def table_of(tmp_path: Path, text: str) -> Table:
    """The top level of a file with this text."""
    path = tmp_path / "a.toml"
    path.write_text(text, encoding="utf-8")
    return read_toml(path)


def test_everything_right_is_read(tmp_path: Path) -> None:
    """Every kind of value, tables and arrays of tables; nothing is left over."""
    top = table_of(tmp_path, GOOD)
    assert top.name("name") == "oil_pressure"
    assert top.text("line") == "One line."
    assert (top.whole("count", 0, 3), top.number("share", 0, 1), top.number("count", 0, 5)) == (3, 0.5, 3.0)
    assert top.flag("on", False) is True
    assert top.choice("choice", ("a", "b")) == "b"
    assert top.spns("spns") == (range(100, 101), range(651, 654))
    assert top.texts("list", most=2) == ("x", "y")
    assert top.choices("list", ("x", "y", "z")) == ("x", "y")
    assert top.table("inner").whole("deep", 0, 9) == 1
    assert [row.whole("n", 0, 9) for row in top.tables("row", 5)] == [1, 2]
    top.close()


def test_defaults(tmp_path: Path) -> None:
    """What is not there takes its default, or is empty."""
    top = table_of(tmp_path, "")
    assert (top.text("a", default="x"), top.optional_text("b"), top.whole("c", 0, 1, 1)) == ("x", None, 1)
    assert (top.flag("d", True), top.number("e", 0, 1, 0.5), top.choice("f", ("a",), "a")) == (True, 0.5, "a")
    assert (top.texts("g", most=3), top.spns("h"), top.tables("i", 3)) == ((), (), [])


@pytest.mark.parametrize(("text", "read", "complaint"), [
    ("n = true", "whole", "n = true; allowed: a whole number, 0 to 9"),
    ("n = 2025-11-25", "whole", "n = 2025-11-25; allowed: a whole number, 0 to 9"),
    ("n = 10", "whole", "n = 10; allowed: a whole number, 0 to 9"),
    ("n = nan", "number", "n = nan; allowed: a number, 0 to 9"),
    ("n = inf", "number", "n = inf; allowed: a number, 0 to 9"),
    ("n = '1'", "number", "n = '1'; allowed: a number, 0 to 9"),
    ("n = 1", "flag", "n = 1; allowed: true or false"),
    ("n = 'c'", "choice", "n = 'c'; allowed: one of a, b"),
    ("n = ['a', 'a']", "choices", "n has 'a' twice; allowed: a list of 0 to 2 different of a, b"),
    ("n = [1]", "texts", "n has 1; allowed"),
    ("n = ['a', 'b', 'c', 'd']", "texts", "n = ['a', 'b', 'c', 'd']; allowed: a list of 0 to 3"),
    ("n = ' a'", "text", "n = ' a'; allowed: one line of text"),
    ('n = "a\\nb"', "text", "n = 'a\\nb'; allowed: one line of text"),
    ('n = "\\u202e"', "text", "allowed: one line of text"),
    ("n = 'Abc'", "name", "n = 'Abc'; allowed: a name"),
    ("n = ['1-2-3']", "spns", "n has '1-2-3'; allowed"),
    ("n = [-1]", "spns", "n has -1; allowed"),
    ("n = 3", "table", "[n]: 3 stands where a table belongs"),
    ("n = [3]", "tables", "[[n]] 1: 3 stands where a table belongs"),
    ("", "whole", "n is missing; allowed: a whole number, 0 to 9"),
])
def test_a_wrong_value_is_named(tmp_path: Path, text: str, read: str, complaint: str) -> None:
    """File, place, key, what stands there, what is allowed."""
    top = table_of(tmp_path, text)
    readers = {
        "whole": lambda: top.whole("n", 0, 9), "number": lambda: top.number("n", 0, 9),
        "flag": lambda: top.flag("n", False), "choice": lambda: top.choice("n", ("a", "b")),
        "choices": lambda: top.choices("n", ("a", "b")), "texts": lambda: top.texts("n", most=3),
        "text": lambda: top.text("n"), "name": lambda: top.name("n"), "spns": lambda: top.spns("n"),
        "table": lambda: top.table("n"), "tables": lambda: top.tables("n", 3),
    }
    with pytest.raises(DataFileError) as caught:
        readers[read]()
    assert str(caught.value).startswith(str(tmp_path / "a.toml"))
    assert complaint in str(caught.value)


def test_an_unknown_key_is_named(tmp_path: Path) -> None:
    """A misspelled key would otherwise be silently without effect."""
    top = table_of(tmp_path, "colour = 1\nsize = 2")
    top.whole("size", 0, 9)
    with pytest.raises(DataFileError, match=r"top level: unknown key 'colour'; allowed: size"):
        top.close()


def test_keys_that_are_names(tmp_path: Path) -> None:
    """Tables whose keys the author gives: names only."""
    assert table_of(tmp_path, "a_1 = 1\nb = 2").own_keys() == ["a_1", "b"]
    with pytest.raises(DataFileError, match="the key 'A b' is no name"):
        table_of(tmp_path, '"A b" = 1').own_keys()


def test_a_file_that_is_far_too_large(tmp_path: Path) -> None:
    """A recording given by mistake is not read to its end."""
    path = tmp_path / "big.toml"
    path.write_bytes(b"#" * 4_000_001)
    with pytest.raises(DataFileError, match="too large for a knowledge file"):
        read_toml(path)
