"""Every shipped data file says where its content comes from."""

import json
import tomllib
from pathlib import Path

import pytest

import faultlamp.knowledge.tables
from faultlamp.knowledge.layouts import SHIPPED_DBC

DATA = Path(faultlamp.knowledge.tables.__file__).parent / "data"
FILES = sorted(path for path in DATA.iterdir() if path.is_file())
SOURCE_WORDS = ("from memory", "checked", "public library", "common practice, no source")


@pytest.mark.parametrize("path", [path for path in FILES if path.suffix == ".csv"], ids=lambda path: path.name)
def test_tables_name_their_source(path: Path) -> None:
    """The comment above the column titles names a standard, and a public list or memory."""
    comment = []
    for line in path.read_text(encoding="utf-8").splitlines():
        if not line.startswith("#"):
            break
        comment.append(line)
    text = " ".join(comment)
    assert "SAE J1939" in text
    assert any(words in text for words in SOURCE_WORDS)


@pytest.mark.parametrize("path", [path for path in FILES if path.suffix == ".toml"], ids=lambda path: path.name)
def test_knowledge_files_name_their_source(path: Path) -> None:
    """Each has the key `source`, or `mark`, that says common practice or what it is taken from."""
    content = tomllib.loads(path.read_text(encoding="utf-8"))
    source = content.get("source", content.get("mark", ""))
    assert any(words in source for words in SOURCE_WORDS)


def test_layouts_come_from_the_dbc() -> None:
    """The JSON of layouts names what it was made from; the DBC says its sources in its own comments."""
    assert "made_from" in json.loads((DATA / "layouts.json").read_text(encoding="utf-8"))
    assert "J1939" in SHIPPED_DBC.read_text(encoding="utf-8")


def test_no_other_kind_of_file_is_there() -> None:
    """A new kind of data file needs a rule above."""
    assert {path.suffix for path in FILES} == {".csv", ".toml", ".json"}
