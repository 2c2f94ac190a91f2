"""Units of readings: which quantity each belongs to, and exact conversion between units of one quantity.

Rule: every factor is an exact fraction, made of the definitions of the international yard and pound (NIST SP 811,
appendix B.6), of standard gravity (appendix B.8) and of the US liquid gallon of 231 cubic inches (NIST Handbook 44,
appendix C; sections from memory). A unit that is not in the table stays as it is.

    yard 0.9144 m    pound 0.45359237 kg    standard gravity 9.80665 m/s2    degF = degC * 9/5 + 32
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction

_FOOT_M = Fraction(9144, 10_000) / 3
_INCH_M = _FOOT_M / 12
_MILE_KM = 5280 * _FOOT_M / 1000
_POUND_KG = Fraction(45_359_237, 10**8)
_POUND_FORCE_N = _POUND_KG * Fraction(980_665, 10**5)
_PSI_KPA = _POUND_FORCE_N / _INCH_M**2 / 1000
_GALLON_L = 231 * _INCH_M**3 * 1000
_HORSEPOWER_KW = 550 * _FOOT_M * _POUND_FORCE_N / 1000

MOST_DECIMALS = 6


class System(StrEnum):
    """A habit of measuring."""

    METRIC = "metric"
    US = "US"


@dataclass(frozen=True, slots=True)
class Quantity:
    """What units measure in common.

    units: each with its size in the first one. us: the unit of the US habit. zeros: for each unit whose zero is
    elsewhere, the reading of that unit where the first unit reads zero.
    """

    name: str
    units: Mapping[str, Fraction]
    us: str
    zeros: Mapping[str, Fraction]

    def usual(self, system: System, given: str) -> str:
        """The unit of the habit for a reading that is sent in `given`: metric keeps what the standard gives."""
        return self.us if system is System.US else given


def _quantity(name: str, us: str, units: Mapping[str, Fraction | int], **zeros: int) -> Quantity:
    return Quantity(
        name, {unit: Fraction(size) for unit, size in units.items()}, us,
        {unit: Fraction(zero) for unit, zero in zeros.items()},
    )


QUANTITIES = (
    _quantity("temperatures", "degF", {"degC": 1, "degF": Fraction(5, 9)}, degF=32),
    _quantity("pressures", "psi", {"kPa": 1, "bar": 100, "MPa": 1000, "psi": _PSI_KPA}),
    _quantity("speeds", "mph", {"km/h": 1, "mph": _MILE_KM}),
    _quantity("distances", "mi", {"km": 1, "mi": _MILE_KM}),
    _quantity("lengths", "ft", {"m": 1, "ft": _FOOT_M}),
    _quantity("volumes", "gal", {"L": 1, "gal": _GALLON_L}),
    _quantity("volume flows", "gal/h", {"L/h": 1, "gal/h": _GALLON_L}),
    _quantity("masses", "lb", {"kg": 1, "lb": _POUND_KG}),
    _quantity("mass flows", "lb/h", {"kg/h": 1, "lb/h": _POUND_KG}),
    _quantity("torques", "lbf ft", {"N m": 1, "lbf ft": _FOOT_M * _POUND_FORCE_N}),
    _quantity("powers", "hp", {"kW": 1, "hp": _HORSEPOWER_KW}),
    _quantity("fuel economies", "mpg", {"km/L": 1, "mpg": _MILE_KM / _GALLON_L}),
)
"""All quantities with more than one unit. Gallon is the US liquid gallon, hp 550 foot pounds-force a second."""

_OF_UNIT = {unit: quantity for quantity in QUANTITIES for unit in quantity.units}
# Other spellings, as they stand in users' DBC files.
_SPELLINGS = {
    "°C": "degC", "deg C": "degC", "C": "degC", "Nm": "N m", "N.m": "N m", "N·m": "N m", "kph": "km/h", "l": "L",
    "l/h": "L/h", "liter": "L", "kpa": "kPa", "°F": "degF", "deg F": "degF",
}


def quantity_of(unit: str) -> Quantity | None:
    """What a unit measures; None for one that has no other."""
    return _OF_UNIT.get(_SPELLINGS.get(unit, unit))


def can_convert(given: str, wanted: str) -> bool:
    """Are both units of one quantity?"""
    quantity = quantity_of(given)
    return quantity is not None and quantity is quantity_of(wanted)


def convert(number: float, given: str, wanted: str) -> float:
    """The same amount in another unit, rounded once, at the end; a number that is not finite stays as it is.

    Raises ValueError for units that do not measure the same.
    """
    quantity = quantity_of(given)
    given, wanted = _SPELLINGS.get(given, given), _SPELLINGS.get(wanted, wanted)
    if quantity is None or wanted not in quantity.units:
        raise ValueError(f"{given!r} cannot be given in {wanted!r}")
    if given == wanted or not math.isfinite(number):
        return number
    first = (Fraction(number) - quantity.zeros.get(given, 0)) * quantity.units[given]
    return float(first / quantity.units[wanted] + quantity.zeros.get(wanted, 0))


def convert_step(step: float, given: str, wanted: str) -> float:
    """The same difference in another unit: as `convert`, but zeros do not matter."""
    return convert(step, given, wanted) - convert(0.0, given, wanted)


def decimals(step: float) -> int:
    """Fewest decimals, at most `MOST_DECIMALS`, with which two amounts a step apart are written differently.

    >>> [decimals(step) for step in (4, 1, 0.58, 0.125, 0.05, 0.0)]
    [0, 0, 1, 1, 2, 0]
    """
    if not 0 < step < 1:
        return 0
    return min(math.ceil(-math.log10(step) - 1e-9), MOST_DECIMALS)
