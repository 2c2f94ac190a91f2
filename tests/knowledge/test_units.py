"""Conversions of units against published figures.

NIST SP 811 (2008), appendix B.8 and B.9, prints the factors below; those in bold there are exact. NIST Handbook 44,
appendix C, has the gallon in litres. Where a printed factor is rounded, its last digit decides how close is close.
"""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from faultlamp.knowledge.layouts import load_layouts
from faultlamp.knowledge.units import QUANTITIES, System, can_convert, convert, convert_step, decimals, quantity_of

UNITS = sorted(unit for quantity in QUANTITIES for unit in quantity.units)

# (unit, its size in the other unit, the other unit, digits that are printed; None: exact)
PRINTED = [
    pytest.param("psi", 6.894757, "kPa", 7, id="NIST SP 811 B.8: pound-force per square inch"),
    pytest.param("bar", 100.0, "kPa", None, id="NIST SP 811 B.8: bar, exact"),
    pytest.param("MPa", 1000.0, "kPa", None, id="SI prefixes: mega over kilo"),
    pytest.param("mph", 1.609344, "km/h", None, id="NIST SP 811 B.8: mile per hour, exact"),
    pytest.param("mi", 1.609344, "km", None, id="NIST SP 811 B.8: mile, exact"),
    pytest.param("ft", 0.3048, "m", None, id="NIST SP 811 B.8: foot, exact"),
    pytest.param("gal", 3.785412, "L", 7, id="NIST SP 811 B.8: gallon (US)"),
    pytest.param("gal", 3.785411784, "L", None, id="NIST Handbook 44 C: gallon, exact"),
    pytest.param("gal/h", 3.785411784, "L/h", None, id="NIST Handbook 44 C: gallon an hour"),
    pytest.param("lb", 0.45359237, "kg", None, id="NIST SP 811 B.8 note: pound avoirdupois, exact"),
    pytest.param("lb/h", 0.45359237, "kg/h", None, id="pound an hour, from the pound"),
    pytest.param("lbf ft", 1.355818, "N m", 7, id="NIST SP 811 B.8: foot pound-force"),
    pytest.param("hp", 0.7456999, "kW", 7, id="NIST SP 811 B.8: horsepower (550 ft lbf/s)"),
    pytest.param("mpg", 0.4251437, "km/L", 7, id="NIST SP 811 B.8: mile per gallon (US), 4.251437 E+05 m/m3"),
]


@pytest.mark.parametrize(("unit", "size", "other", "digits"), PRINTED)
def test_printed_factors(unit: str, size: float, other: str, digits: int | None) -> None:
    """One of the unit is what the publication prints, to all digits that it prints, and back."""
    got = convert(1.0, unit, other)
    assert got == size if digits is None else f"{got:.{digits}g}" == f"{size:.{digits}g}"
    assert convert(size, other, unit) == pytest.approx(1.0, rel=1e-6)


# Fixed points of the scales; 98.6 and 37 are the usual worked example, -40 is where both meet (arithmetic).
@pytest.mark.parametrize(
    ("celsius", "fahrenheit"),
    [(0, 32), (100, 212), (-40, -40), (37, 98.6), (85, 185), (-17.5, 0.5)],
)
def test_temperatures(celsius: float, fahrenheit: float) -> None:
    """NIST SP 811, B.8: t/degC = (t/degF - 32)/1.8."""
    assert convert(celsius, "degC", "degF") == pytest.approx(fahrenheit, abs=1e-12)
    assert convert(fahrenheit, "degF", "degC") == pytest.approx(celsius, abs=1e-12)
    assert convert_step(5, "degC", "degF") == 9


@given(st.floats(-1e9, 1e9), st.sampled_from([(a, b) for a in UNITS for b in UNITS if can_convert(a, b)]))
def test_there_and_back_is_the_same(number: float, units: tuple[str, str]) -> None:
    """Any amount in any two units of a quantity: the way back leads to it, but for the rounding of the float."""
    there = convert(number, *units)
    back = convert(there, *reversed(units))
    assert math.isclose(back, number, rel_tol=1e-14, abs_tol=1e-12)


@given(st.sampled_from(UNITS), st.floats(-1e6, 1e6))
def test_a_unit_is_itself(unit: str, number: float) -> None:
    """Nothing is lost where nothing is to do."""
    assert convert(number, unit, unit) == number


def test_no_quantity_shares_a_unit_and_each_knows_its_habits() -> None:
    """A unit says what it measures; the US unit is one of its quantity, metric keeps what is given."""
    assert len(UNITS) == len(set(UNITS))
    for quantity in QUANTITIES:
        for unit in quantity.units:
            assert quantity_of(unit) is quantity
            assert quantity.usual(System.METRIC, unit) == unit
            assert quantity.usual(System.US, unit) in quantity.units


def test_units_of_different_quantities_do_not_mix() -> None:
    """A pressure is no speed; a unit that is not known is nothing else."""
    assert not can_convert("kPa", "mph")
    assert not can_convert("rpm", "rpm")
    for units in (("kPa", "mph"), ("rpm", "kPa"), ("%", "degC"), ("", "")):
        with pytest.raises(ValueError, match="cannot be given in"):
            convert(1.0, *units)


@pytest.mark.parametrize(("written", "unit"), [("°C", "degC"), ("Nm", "N m"), ("l/h", "L/h"), ("kph", "km/h")])
def test_other_spellings(written: str, unit: str) -> None:
    """Units as users' own layouts write them."""
    assert quantity_of(written) is quantity_of(unit)
    assert convert(2.0, written, unit) == 2.0


def test_what_is_no_number_stays_none() -> None:
    """A float signal may be infinite; that is no crash."""
    assert convert(math.inf, "kPa", "psi") == math.inf
    assert math.isnan(convert(math.nan, "kPa", "psi"))


def test_every_measure_in_the_shipped_layouts_has_its_habits() -> None:
    """Only units that both habits share, or that are bare counts and times, are without a quantity."""
    both = {"", "%", "A", "V", "rpm", "r", "ppm", "s", "min", "h", "d", "month", "year"}
    units = {signal.unit for group in load_layouts().groups.values() for signal in group.signals}
    assert {unit for unit in units if quantity_of(unit) is None} <= both


@pytest.mark.parametrize(
    ("step", "places"),
    [(4.0, 0), (1.0, 0), (0.5, 1), (0.58015, 1), (0.125, 1), (0.1, 1), (0.05, 2), (0.04, 2), (0.01, 2), (1e-9, 6),
     (0.0, 0), (-1.0, 0), (math.inf, 0), (math.nan, 0)],
)
def test_decimals_follow_the_step(step: float, places: int) -> None:
    """Enough to tell two neighbouring amounts apart, and no more."""
    assert decimals(step) == places
