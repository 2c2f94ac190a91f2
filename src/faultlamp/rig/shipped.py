"""The scenarios that come with faultlamp, and where a scenario that a user names lies."""

from __future__ import annotations

from pathlib import Path

from faultlamp.errors import ScenarioError

_FOLDER = Path(__file__).resolve().parent / "scenarios"


def scenario_names() -> list[str]:
    """The names of the shipped scenarios, sorted."""
    return sorted(path.stem for path in _FOLDER.glob("*.toml"))


def find_scenario(name: str) -> Path:
    """The file of a shipped scenario by its name, or else of the path; ScenarioError when there is neither."""
    if name in scenario_names():
        return _FOLDER / f"{name}.toml"
    path = Path(name)
    if path.exists():
        return path
    raise ScenarioError(f"{name}: no such scenario file; shipped scenarios: {', '.join(scenario_names())}")
