"""What readings of a healthy engine agree with: `data/plausibility.toml`, read and checked.

Rule: all of it is common practice and data; the code in `findings` holds no threshold of its own.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

from faultlamp.knowledge.toml_tables import LAST_SPN, Table, read_toml

SHIPPED = os.path.join(os.path.dirname(__file__), "data", "plausibility.toml")

_NS_PER_S = 1_000_000_000
_LONGEST_S = 3600.0
_UNITS = ("degC", "kPa", "V", "rpm", "%")


@dataclass(frozen=True, slots=True)
class EngineRules:
    """How engine speed tells stopped, turning and running apart."""

    speed_spn: int
    running_rpm: float
    stopped_rpm: float
    settle_ns: int
    longest_cranking_ns: int
    zero_doubt: str


@dataclass(frozen=True, slots=True)
class ColdRules:
    """Temperatures of an engine that has stood: names by SPN. lowest, highest: what a machine at rest can have."""

    soak_ns: int
    tolerance_degc: float
    warm_degc: float
    lowest_degc: float
    highest_degc: float
    least: int
    hot_spns: tuple[int, ...]
    names: Mapping[int, str]
    doubt: str


@dataclass(frozen=True, slots=True)
class LimitRules:
    """A pressure and its limits. settle_ns: how long the engine must have stood."""

    spn: int
    lowest_kpa: float
    highest_kpa: float
    settle_ns: int
    doubt: str


@dataclass(frozen=True, slots=True)
class OilRules:
    """Oil pressure, stopped and after a start."""

    spn: int
    stopped_kpa: float
    drain_ns: int
    running_kpa: float
    rise_ns: int
    stopped_doubt: str
    running_doubt: str


@dataclass(frozen=True, slots=True)
class VoltageSystem:
    """A battery system: the voltages that it is recognised by, and what it shows stopped and charging, (low, high)."""

    name: str
    lowest_v: float
    highest_v: float
    stopped_v: tuple[float, float]
    running_v: tuple[float, float]


@dataclass(frozen=True, slots=True)
class BatteryRules:
    """Battery and charging voltage."""

    spns: tuple[int, ...]
    charging_spn: int
    settle_ns: int
    difference_v: float
    systems: tuple[VoltageSystem, ...]
    stopped_doubt: str
    running_doubt: str
    difference_doubt: str


@dataclass(frozen=True, slots=True)
class PlausibilityRules:
    """All of the file. mark: what kind of knowledge it is. jumps: by unit, what no healthy reading leaps by."""

    mark: str
    engine: EngineRules
    cold: ColdRules
    barometric: LimitRules
    boost: LimitRules
    inlet: LimitRules
    oil: OilRules
    battery: BatteryRules
    jumps: Mapping[str, float]


@cache
def load_plausibility(path: str = SHIPPED) -> PlausibilityRules:
    """The rules in a file, each file read once. Raises DataFileError."""
    top = read_toml(path)
    rules = PlausibilityRules(
        top.text("mark"), _engine(top.table("engine")), _cold(top.table("cold")),
        _limits(top.table("barometric"), "lowest_kpa", "highest_kpa", settles=False),
        _limits(top.table("boost"), None, "highest_kpa"), _limits(top.table("inlet"), None, "tolerance_kpa"),
        _oil(top.table("oil")), _battery(top.table("battery")), _jumps(top.table("jump")),
    )
    top.close()
    return rules


def _engine(table: Table) -> EngineRules:
    rules = EngineRules(
        _spn(table, "speed_spn"), table.number("running_rpm", 1, 8000), table.number("stopped_rpm", 0, 400),
        _ns(table, "settle_s"), _ns(table, "longest_cranking_s"), table.text("zero_doubt"),
    )
    table.close()
    return rules


def _cold(table: Table) -> ColdRules:
    names = {}
    for part in table.tables("temperature", 20, least=2):
        names[_spn(part, "spn")] = part.text("name", longest=60)
        part.close()
    rules = ColdRules(
        round(table.number("soak_h", 0, 100) * 3600) * _NS_PER_S, table.number("tolerance_degC", 0, 100),
        table.number("warm_degC", 0, 100), table.number("lowest_degC", -100, 0), table.number("highest_degC", 0, 200),
        table.whole("least", 3, 20), table.wholes("hot_spns", 0, LAST_SPN, least=1),
        names, table.text("doubt"),
    )
    table.close()
    return rules


def _limits(table: Table, lowest: str | None, highest: str, *, settles: bool = True) -> LimitRules:
    rules = LimitRules(
        _spn(table, "spn"), table.number(lowest, 0, 1000) if lowest else 0.0, table.number(highest, 0, 1000),
        _ns(table, "settle_s") if settles else 0, table.text("doubt"),
    )
    table.close()
    return rules


def _oil(table: Table) -> OilRules:
    rules = OilRules(
        _spn(table, "spn"), table.number("stopped_kpa", 0, 1000), _ns(table, "drain_s"),
        table.number("running_kpa", 0, 1000), _ns(table, "rise_s"), table.text("stopped_doubt"),
        table.text("running_doubt"),
    )
    table.close()
    return rules


def _battery(table: Table) -> BatteryRules:
    systems = []
    for part in table.tables("system", 5, least=1):
        systems.append(VoltageSystem(
            part.text("name", longest=20), part.number("lowest_v", 0, 100), part.number("highest_v", 0, 100),
            (part.number("stopped_lowest_v", 0, 100), part.number("stopped_highest_v", 0, 100)),
            (part.number("running_lowest_v", 0, 100), part.number("running_highest_v", 0, 100)),
        ))
        part.close()
    rules = BatteryRules(
        table.wholes("spns", 0, LAST_SPN, least=2), _spn(table, "charging_spn"), _ns(table, "settle_s"),
        table.number("difference_v", 0, 100), tuple(systems), table.text("stopped_doubt"),
        table.text("running_doubt"), table.text("difference_doubt"),
    )
    table.close()
    return rules


def _jumps(table: Table) -> dict[str, float]:
    jumps = {unit: table.number(unit, 0, 100_000) for unit in _UNITS}
    table.close()
    return jumps


def _spn(table: Table, key: str) -> int:
    return table.whole(key, 0, LAST_SPN)


def _ns(table: Table, key: str) -> int:
    return round(table.number(key, 0, _LONGEST_S) * _NS_PER_S)
