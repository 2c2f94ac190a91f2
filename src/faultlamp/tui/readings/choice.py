"""What the user chose to see in the second band: which readings, in what order, in which units, with which marks.

All of it is plain data that never changes: each change makes a new `Choices`. Nothing here knows a screen or a file.

Rule for the unit of a reading, the first that fits it counts: the reading's own, the one for its quantity (all
pressures), the habit (metric: the unit in which the standard gives it; US).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from faultlamp.knowledge.amounts import digits_of
from faultlamp.knowledge.units import System, can_convert, convert, quantity_of
from faultlamp.tui.readings.value import Pick, Seen, Value, in_unit

ENGINE_SPEED = 190
FIRST_PICKS = tuple(Pick(spn) for spn in (ENGINE_SPEED, 110, 168, 247, 92, 100))
"""Engine speed, coolant temperature, battery, hours, load, oil pressure."""
MOST_PICKS = 12
TRENDS_MIN = (1, 5, 15, 60)
"""Lengths of the trends that can be chosen, in minutes."""
ABOVE, BELOW = "▲", "▼"

_MARK_DIGITS = 7


@dataclass(frozen=True, slots=True)
class Mark:
    """A limit, in the unit in which it was set."""

    number: float
    unit: str

    def within(self, unit: str) -> float | None:
        """The number in another unit; None where that measures something else."""
        if unit == self.unit:
            return self.number
        return convert(self.number, self.unit, unit) if can_convert(self.unit, unit) else None

    def text(self, unit: str, step: float) -> str:
        """The number as it is shown beside a reading in `unit`."""
        number = self.within(unit)
        if number is None:
            return ""
        return f"{number:.{_MARK_DIGITS}g}" if unit == self.unit else digits_of(number, step)


@dataclass(frozen=True, slots=True)
class Choice:
    """One reading. unit: its own, "" for the usual one. low, high: beyond these it is called out."""

    pick: Pick
    unit: str = ""
    low: Mark | None = None
    high: Mark | None = None


@dataclass(frozen=True, slots=True)
class Choices:
    """The second band. units: (quantity, unit) where one is preferred to the habit's. trend_min: minutes."""

    readings: tuple[Choice, ...] = tuple(map(Choice, FIRST_PICKS))
    system: System = System.METRIC
    units: tuple[tuple[str, str], ...] = ()
    trend_min: int = TRENDS_MIN[0]

    @property
    def picks(self) -> list[Pick]:
        """The readings in order."""
        return [choice.pick for choice in self.readings]

    def of(self, pick: Pick) -> Choice:
        """What was chosen for a reading; nothing special where it is not among them."""
        return next((choice for choice in self.readings if choice.pick == pick), Choice(pick))

    def quantity_unit(self, given: str) -> str:
        """The unit for all readings of the quantity that `given` measures, `given` itself where it measures none."""
        quantity = quantity_of(given)
        if quantity is None:
            return given
        return dict(self.units).get(quantity.name, quantity.usual(self.system, given))

    def unit(self, choice: Choice, given: str) -> str:
        """The unit for a reading that is sent in `given`."""
        if choice.unit and can_convert(given, choice.unit):
            return choice.unit
        return self.quantity_unit(given)

    def presented(self, value: Value, choice: Choice | None = None) -> Value:
        """A reading in its unit; without a choice, in that of its quantity."""
        return in_unit(value, self.unit(choice or Choice(Pick(value.spn)), value.unit))

    def beyond(self, value: Value, choice: Choice) -> str:
        """`▲ above 100` or `▼ below 9` for a number beyond its mark, in the unit in which it is shown; else nothing."""
        number = value.number
        if value.seen is not Seen.NUMBER or number is None:
            return ""
        for mark, shape, word in ((choice.high, ABOVE, "above"), (choice.low, BELOW, "below")):
            limit = None if mark is None else mark.within(value.unit)
            if mark is not None and limit is not None and (number > limit if shape == ABOVE else number < limit):
                shown = self.presented(value, choice)
                return f"{shape} {word} {mark.text(shown.unit, shown.step)}"
        return ""

    def toggled(self, pick: Pick) -> Choices:
        """With the reading at the end, or without it."""
        kept = tuple(choice for choice in self.readings if choice.pick != pick)
        return replace(self, readings=kept if len(kept) < len(self.readings) else (*kept, Choice(pick)))

    def moved(self, pick: Pick, by: int) -> Choices:
        """With the reading some places further down (positive) or up, as far as there are places."""
        readings = list(self.readings)
        at = next((place for place, choice in enumerate(readings) if choice.pick == pick), None)
        if at is None:
            return self
        choice = readings.pop(at)
        readings.insert(min(max(at + by, 0), len(readings)), choice)
        return replace(self, readings=tuple(readings))

    def changed(self, choice: Choice) -> Choices:
        """With another choice for the reading that it is about."""
        return replace(
            self, readings=tuple(choice if one.pick == choice.pick else one for one in self.readings)
        )

    def with_unit(self, given: str, unit: str) -> Choices:
        """With that unit for all readings of the quantity, those that had one of their own among them."""
        quantity = quantity_of(given)
        if quantity is None:
            return self
        others = tuple(pair for pair in self.units if pair[0] != quantity.name)
        usual = quantity.usual(self.system, given)
        readings = tuple(replace(one, unit="") if one.unit in quantity.units else one for one in self.readings)
        kept = others if unit == usual else (*others, (quantity.name, unit))
        return replace(self, units=kept, readings=readings)

    def with_system(self, system: System) -> Choices:
        """With the habit for everything, units that were chosen before included."""
        return replace(
            self, system=system, units=(), readings=tuple(replace(one, unit="") for one in self.readings)
        )

