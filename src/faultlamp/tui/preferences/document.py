"""What is remembered, as a JSON document, and back.

Rule: a file is taken as a whole or not at all. What stands in it was perhaps written by hand, or by somebody else, so
every part is checked before it is used: kind, range, number of parts. Whatever is wrong raises DataFileError, which
says where in the document and what is allowed there.

    {"schema": 1, "theme": "...", "machines": [{"machine": "VIN ...", "system": "metric", "units": {...},
     "trend_min": 1, "readings": [{"spn": 190, "unit": "", "low": null, "high": {"number": 2100, "unit": "rpm"}}]}]}

Machines stand in the order in which their choices were last changed; at most `MOST_MACHINES`, the oldest are dropped.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, NoReturn, TypeGuard

from faultlamp.errors import DataFileError
from faultlamp.knowledge.units import QUANTITIES, System
from faultlamp.text import printable
from faultlamp.tui.readings.choice import MOST_PICKS, TRENDS_MIN, Choice, Choices, Mark
from faultlamp.tui.readings.value import Pick

SCHEMA = 1
MOST_MACHINES = 200
ANY_MACHINE = "any machine"
LAST_SPN = 524287
LARGEST_BYTES = 4_000_000

_LONGEST_KEY = 60
_LONGEST_TEXT = 200
_LARGEST_MARK = 1e15
_QUANTITY_UNITS = {quantity.name: quantity.units for quantity in QUANTITIES}


@dataclass(frozen=True, slots=True)
class Remembered:
    """theme: its name, "" for none chosen. machines: choices by machine, the one changed last is last.

    greeted: whether the hint for the first time was shown.
    """

    theme: str = ""
    machines: Mapping[str, Choices] = field(default_factory=dict)
    greeted: bool = False

    def with_machine(self, machine: str, choices: Choices) -> Remembered:
        """With these choices as the latest."""
        machines = {key: known for key, known in self.machines.items() if key != machine}
        machines[machine] = choices
        for oldest in [key for key in machines if key != ANY_MACHINE][: max(len(machines) - MOST_MACHINES, 0)]:
            del machines[oldest]
        return replace(self, machines=machines)


def to_text(remembered: Remembered) -> str:
    """The document. Only ASCII: no text in it can be mistaken for anything else."""
    machines = [
        {
            "machine": machine, "system": str(choices.system), "units": dict(choices.units),
            "trend_min": choices.trend_min, "readings": [_reading(choice) for choice in choices.readings],
        }
        for machine, choices in remembered.machines.items()
    ]
    document = {"schema": SCHEMA, "theme": remembered.theme, "machines": machines}
    if remembered.greeted:
        document["greeted"] = True
    return json.dumps(document, indent=1) + "\n"


def from_text(text: str) -> Remembered:
    """Read a document. Raises DataFileError."""
    try:
        document = json.loads(text, parse_constant=_refuse_constant)
    except (ValueError, RecursionError) as error:
        raise DataFileError(f"not a JSON document: {printable(str(error), longest=100)}") from error
    top = _table(document, "the document")
    if top.get("schema") != SCHEMA:
        _fail("schema", top.get("schema"), f"{SCHEMA}; another version of faultlamp wrote it")
    theme = _text(top.get("theme", ""), "theme")
    greeted = top.get("greeted", False)
    if not isinstance(greeted, bool):
        _fail("greeted", greeted, "true or false")
    listed = top.get("machines", [])
    if not isinstance(listed, list) or len(listed) > MOST_MACHINES:
        _fail("machines", listed, f"a list of at most {MOST_MACHINES}")
    machines: dict[str, Choices] = {}
    for number, entry in enumerate(listed, 1):
        where = f"machine {number}"
        table = _table(entry, where)
        key = _text(table.get("machine"), f"{where}, machine")
        if not 0 < len(key) <= _LONGEST_KEY or key in machines:
            _fail(f"{where}, machine", key, f"a text of its own of 1 to {_LONGEST_KEY} characters")
        machines[key] = _choices(table, where)
    return Remembered(theme, machines, greeted)


def _reading(choice: Choice) -> dict[str, Any]:
    pick = choice.pick
    found: dict[str, Any] = {"spn": pick.spn}
    if pick.channel is not None:
        found["channel"] = pick.channel
    if pick.source_address is not None:
        found["source_address"] = pick.source_address
    if choice.unit:
        found["unit"] = choice.unit
    for name, mark in (("low", choice.low), ("high", choice.high)):
        if mark is not None:
            found[name] = {"number": mark.number, "unit": mark.unit}
    return found


def _choices(table: dict[str, Any], where: str) -> Choices:
    system = table.get("system", str(System.METRIC))
    if system not in tuple(System):
        _fail(f"{where}, system", system, " or ".join(System))
    trend = table.get("trend_min", TRENDS_MIN[0])
    if trend not in TRENDS_MIN or isinstance(trend, bool):
        _fail(f"{where}, trend_min", trend, f"one of {', '.join(map(str, TRENDS_MIN))}")
    units = _table(table.get("units", {}), f"{where}, units")
    for name, unit in units.items():
        if not isinstance(unit, str) or unit not in _QUANTITY_UNITS.get(name, ()):
            _fail(f"{where}, units", f"{name}: {unit}", "a quantity with one of its units")
    listed = table.get("readings")
    if not isinstance(listed, list) or not 1 <= len(listed) <= MOST_PICKS:
        _fail(f"{where}, readings", listed, f"a list of 1 to {MOST_PICKS}")
    readings = tuple(_choice(entry, f"{where}, reading {number}") for number, entry in enumerate(listed, 1))
    if len({choice.pick for choice in readings}) < len(readings):
        _fail(f"{where}, readings", "one of them twice", "each once")
    return Choices(readings, System(system), tuple(units.items()), int(trend))


def _choice(entry: object, where: str) -> Choice:
    table = _table(entry, where)
    spn, address, channel = table.get("spn"), table.get("source_address"), table.get("channel")
    if not _whole(spn, LAST_SPN):
        _fail(f"{where}, spn", spn, f"a whole number, 0 to {LAST_SPN}")
    if address is not None and not _whole(address, 255):
        _fail(f"{where}, source_address", address, "a whole number, 0 to 255")
    if channel is not None:
        channel = _text(channel, f"{where}, channel")
    unit = _text(table.get("unit", ""), f"{where}, unit")
    low, high = (_mark(table.get(name), f"{where}, {name}") for name in ("low", "high"))
    return Choice(Pick(spn, channel, address), unit, low, high)


def _mark(entry: object, where: str) -> Mark | None:
    if entry is None:
        return None
    table = _table(entry, where)
    number = table.get("number")
    if isinstance(number, bool) or not isinstance(number, int | float) or not abs(number) <= _LARGEST_MARK:
        _fail(where, number, "a number")
    return Mark(float(number), _text(table.get("unit", ""), f"{where}, unit"))


def _whole(content: object, largest: int) -> TypeGuard[int]:
    return isinstance(content, int) and not isinstance(content, bool) and 0 <= content <= largest


def _table(content: object, where: str) -> dict[str, Any]:
    if not isinstance(content, dict):
        _fail(where, content, "a table")
    return content


def _text(content: object, where: str) -> str:
    if not isinstance(content, str) or len(content) > _LONGEST_TEXT:
        _fail(where, content, f"a text of at most {_LONGEST_TEXT} characters")
    return content


def _fail(where: str, content: object, allowed: str) -> NoReturn:
    try:
        shown = printable(repr(content), longest=40)
    except ValueError:  # a whole number with more digits than Python agrees to write
        shown = "a number of thousands of digits"
    raise DataFileError(f"{where}: {shown} stands there; allowed: {allowed}")


def _refuse_constant(name: str) -> float:
    raise ValueError(f"{name} is no JSON number")
