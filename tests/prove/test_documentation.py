"""docs/prove.md shows real output, names every key and word of a file of expectations, and its examples load."""

import json
import re
import tomllib
from pathlib import Path

import pytest

from faultlamp.cli.main import main
from faultlamp.knowledge.layouts import load_layouts
from faultlamp.prove import kinds, loading
from faultlamp.prove.expectations import AtEnd, During, FaultMust, Happening, LampMust, ReadingMust
from faultlamp.prove.outcome import COLUMNS
from faultlamp.prove.verdict import Result
from support.documents import shape

DOCS = Path(__file__).resolve().parents[2] / "docs"
PAGE = (DOCS / "prove.md").read_text(encoding="utf-8")
EXAMPLE = DOCS / "expectations-example.toml"
SOURCES = "".join(Path(str(module.__file__)).read_text(encoding="utf-8") for module in (kinds, loading))
READ = r"(?:table|top)\.(?:text|optional_text|whole|number|choice|flag|name|has|table|tables|limits)\(|_\w+\(table, "
KEYS = sorted(set(re.findall(rf'(?:{READ})"(\w+)"', SOURCES)))
WORDS = [
    *kinds.READERS, *kinds._NAME_FIELDS, *kinds._FAILED_ENDINGS, *Happening, *During, *FaultMust, *LampMust,
    *ReadingMust, *AtEnd, *Result, *COLUMNS,
]


@pytest.mark.parametrize("word", sorted({*KEYS, *map(str, WORDS)}))
def test_everything_is_named(word: str) -> None:
    """Each key, kind and value stands on the page."""
    assert re.search(rf"\b{word}\b", PAGE)


def test_keys_were_found() -> None:
    """The search above finds what it should."""
    assert {"after", "from_s", "while", "channel", "may_be_not_shown", "check_s", "dm1_period_s", "allowed", "every_s",
            "first_dm1_within_s", "load_below_percent", "never_error", "for_s", "number"} <= set(KEYS)


def test_the_output_on_the_recording_is_real(capsys: pytest.CaptureFixture[str]) -> None:
    """To the letter, and all of it held."""
    (shown,) = re.findall(r"```held\n(.*?)```", PAGE, re.DOTALL)
    assert main(["prove", str(EXAMPLE), "demo:quick-look"]) == 0
    assert capsys.readouterr().out == shown


def test_the_output_on_the_healthy_pump_set_is_real(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """To the letter: a failure and one that is not shown."""
    (shown,) = re.findall(r"```quiet\n(.*?)```", PAGE, re.DOTALL)
    monkeypatch.chdir(tmp_path)
    assert main(["rig", "quiet-pump", "-o", "quiet.log", "--start", "1700000000"]) == 0
    capsys.readouterr()
    assert main(["prove", str(EXAMPLE), "quiet.log"]) == 3
    assert capsys.readouterr().out == shown


def test_the_document_has_the_fields_that_the_page_shows(capsys: pytest.CaptureFixture[str]) -> None:
    """None missing, none too many, in the same order."""
    (shown,) = re.findall(r"```json\n(.*?)```", PAGE, re.DOTALL)
    main(["prove", str(EXAMPLE), "demo:quick-look", "--format", "json"])
    document = json.loads(capsys.readouterr().out)
    assert json.dumps(shape(json.loads(shown))) == json.dumps(shape(document))


def test_the_part_that_the_page_shows_stands_in_the_example(tmp_path: Path) -> None:
    """Key by key; and it is a file of its own that loads."""
    part, _ = re.findall(r"```toml\n(.*?)```", PAGE, re.DOTALL)
    shown, whole = tomllib.loads(part), tomllib.loads(EXAMPLE.read_text(encoding="utf-8"))
    for key, value in shown.items():
        assert whole[key] == value if not isinstance(value, list) else all(entry in whole[key] for entry in value)
    path = tmp_path / "part.toml"
    path.write_text(part)
    assert len(loading.load_expectations(path, load_layouts()).expected) == 3
