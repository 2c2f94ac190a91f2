"""How many digits of an amount help a reader: finer ones only flicker.

Rule: no more than its resolution has; engine speeds and amounts from 1,000 on whole, else one decimal, below ten two.
"""

from __future__ import annotations

from faultlamp.j1939.readings import SignalLayout
from faultlamp.knowledge.units import decimals

_WHOLE_FROM = 1000


def shown(number: float, signal: SignalLayout) -> str:
    """A number in the unit in which it was sent."""
    if signal.unit == "rpm":
        return _written(number, 0)
    return _written(number, min(signal.digits, 2 if signal.scale < 0.02 and abs(number) < 10 else 1))


def digits_of(number: float, step: float) -> str:
    """An amount in a unit in which it was not sent: digits that its resolution has, and no more than are read."""
    return _written(number, min(decimals(step), 2 if abs(number) < 10 else 1))


def _written(number: float, places: int) -> str:
    if abs(number) >= _WHOLE_FROM:
        places = 0
    # Adding zero makes a negative zero a plain one.
    return f"{round(number, places) + 0.0:.{places}f}"
