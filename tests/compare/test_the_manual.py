"""The example of docs/compare.md: made by the rig as the page says, and shown as the command prints it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from faultlamp.cli.main import main

PAGE = (Path(__file__).parents[2] / "docs" / "compare.md").read_text(encoding="utf-8")
SCENARIO = PAGE.split("```toml\n")[1].split("```")[0]
LOW_COOLANT = """
[[fault]]
ecu = "engine"
spn = 111
fmi = 1
present = [["run-again+20", "end"]]
lamps = ["red_stop"]
"""


@pytest.fixture
def pair(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    """before.log and after.log in the working directory, an hour apart."""
    monkeypatch.chdir(tmp_path)
    Path("before.toml").write_text(SCENARIO)
    Path("after.toml").write_text(SCENARIO.split("[[fault]]")[0] + LOW_COOLANT)
    for name, start in (("before", "1764000000"), ("after", "1764003600")):
        assert main(["rig", f"{name}.toml", "-o", f"{name}.log", "--start", start]) == 0
    capsys.readouterr()


def shown(kind: str) -> str:
    """The block behind a mark."""
    return PAGE.split(f"<!-- {kind} -->\n```")[1].split("\n", 1)[1].split("```")[0]


@pytest.mark.usefixtures("pair")
def test_the_table(capsys: pytest.CaptureFixture[str]) -> None:
    """The connector's fault went over two key cycles, the coolant level came: word for word."""
    assert main(["compare", "before.log", "after.log", "--format", "table", "--fail-on-new"]) == 3
    text = capsys.readouterr().out
    assert [line.rstrip() for line in text.splitlines()] == shown("table").splitlines()
    went = text.split("Went (1)")[1]
    assert "SPN 110" in went
    assert "over 2 key cycles, 2 with the engine running" in " ".join(went.split())


@pytest.mark.usefixtures("pair")
def test_the_document(capsys: pytest.CaptureFixture[str]) -> None:
    """The one shown, apart from what it says to have left out."""
    assert main(["compare", "before.log", "after.log", "--format", "json"]) == 0
    document = json.loads(capsys.readouterr().out)
    # The scenario's own words: the connector is off from 4 s after key on; 111 comes 20 s after the second start.
    assert [(fault["spn"], fault["change"]) for fault in document["faults"]] == [(110, "went"), (111, "came")]
    assert document["faults"][1]["after"]["first_seen"] == pytest.approx(1764003600 + 8 + 60 + 8 + 8 + 20, abs=1)
    assert {**document, "faults": document["faults"][:1]} == json.loads(shown("json"))
