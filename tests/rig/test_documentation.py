"""docs/rig.md names every key and word that a scenario file may have, and its examples load."""

import re
from collections.abc import Callable
from pathlib import Path

import pytest

from faultlamp.rig import ecus
from faultlamp.rig.manners import Manner, Receiving
from faultlamp.rig.messages.monitors import CONTINUOUS, OTHERS
from faultlamp.rig.scenario import Clears, Scenario
from faultlamp.rig.shipped import scenario_names

PAGE = (Path(__file__).resolve().parents[2] / "docs" / "rig.md").read_text(encoding="utf-8")
FOLDER = Path(ecus.__file__).parent
SOURCES = "".join((FOLDER / f"{name}.py").read_text(encoding="utf-8") for name in ("ecus", "happenings", "loading"))
READ = r"(?:table|texts)\.(?:text|texts|whole|number|choice|choices|flag|named|raw|table|tables)\(|_windows\(table, "
KEYS = sorted(set(re.findall(rf'(?:{READ})"(\w+)"', SOURCES)))
WORDS = [*Manner, *Receiving, *Clears, *CONTINUOUS, *OTHERS, *scenario_names()]


@pytest.mark.parametrize("word", [*KEYS, *map(str, WORDS)])
def test_everything_is_named(word: str) -> None:
    """Each key, value and shipped scenario stands on the page."""
    assert re.search(rf"\b{re.escape(word)}\b", PAGE)


def test_keys_were_found() -> None:
    """The search above finds what it should."""
    assert {"clears", "freeze_frames", "compliance", "pending", "stubborn", "boot_ms"} <= set(KEYS)


def test_the_example_of_bad_manners_works(small: str, load: Callable[[str], Scenario]) -> None:
    """The table [ecu.answers] of the page loads, with a line for each group that it names."""
    (example,) = [part.split("```")[0] for part in PAGE.split("```toml\n")[1:] if part.startswith("[ecu.answers]")]
    manners = load(small.replace("[ecu.groups]", f"{example}[ecu.groups]")).ecus[0].manners
    assert set(manners.by_pgn) == {65227, 65260, 65242}
    assert manners.default.delay_ns == 600_000_000
