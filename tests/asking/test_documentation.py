"""docs/asking.md says what is done."""

import re
from pathlib import Path

import pytest

from faultlamp.asking import clearing, intake
from faultlamp.asking.plan import WANTED
from faultlamp.asking.results import Outcome
from faultlamp.asking.verdicts import Verdict
from faultlamp.cli.asking_line import TOOL_ADDRESS

TEXT = (Path(__file__).parents[2] / "docs" / "asking.md").read_text(encoding="utf-8")
ROWS = {row[1]: row[2] for row in re.finditer(r"^\| `([a-z-]+)` \| (.*) \|$", TEXT, re.MULTILINE)}


@pytest.mark.parametrize("what", [what for what in WANTED if what != "all"])
def test_every_group_that_is_asked_for_is_named(what: str) -> None:
    """The table's row has the number of each group, and no other but the test results' own."""
    named = {int(number) for number in re.findall(r"\((\d{5})\)", ROWS[what])}
    assert named - {41984} == set(WANTED[what])


def test_every_outcome_and_verdict_is_explained() -> None:
    """Whatever stands in a document stands on the page."""
    for word in (*Outcome, *Verdict):
        assert f"`{word}`" in TEXT


@pytest.mark.parametrize(
    ("words", "value", "per_unit"),
    [
        ("{:g} ms lie between", intake.PAUSE_NS, 1e6), ("has {:g} s to begin", intake.ANSWER_NS, 1e9),
        ("after {:g} s, three times", intake.RETRY_PAUSE_NS, 1e9), ("within {:g} s is asked", intake.LOOK_NS, 1e9),
        ("at least {:g} s", clearing.LISTEN_NS, 1e9), ("anew for {:g} s", clearing.LOOK_NS, 1e9),
        ("answer within {:g} s is told again", clearing.COMMAND_NS, 1e9),
        ("{:g} s pass", clearing.SETTLE_NS, 1e9), ("for {:g}, or", TOOL_ADDRESS, 1),
    ],
)
def test_the_times_are_the_real_ones(words: str, value: int, per_unit: float) -> None:
    """Pauses and waits on the page are those of the code."""
    assert words.format(value / per_unit) in " ".join(TEXT.split())
