"""What a simulated reading does over time.

Rule: a level goes in straight lines from point to point, holds before the first and after the last, and may have a
small ripple on it. The ripple is made of triangle waves, so that every machine computes the same numbers to the last
bit (mathematical libraries differ in sines).
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from enum import StrEnum


class Special(StrEnum):
    """What a controller sends instead of a number (SAE J1939-71, section 5.1.4)."""

    NOT_AVAILABLE = "not_available"
    ERROR = "error"


@dataclass(frozen=True, slots=True)
class Curve:
    """Points (nanoseconds since the scenario's start, level), times rising; ripple in the level's unit, 0 for none."""

    points: tuple[tuple[int, float], ...]
    ripple: float = 0.0
    ripple_period_ns: int = 1_000_000_000

    def level(self, time_ns: int) -> float:
        """The level without ripple."""
        after = bisect_right(self.points, time_ns, key=lambda point: point[0])
        if after == 0 or after == len(self.points):
            return self.points[max(after - 1, 0)][1]
        (begin_ns, begin), (end_ns, end) = self.points[after - 1 : after + 1]
        return begin + (end - begin) * (time_ns - begin_ns) / (end_ns - begin_ns)

    def value(self, time_ns: int) -> float:
        """The level with its ripple: never further from it than `ripple`."""
        level = self.level(time_ns)
        if not self.ripple:
            return level
        slow = _triangle(time_ns, self.ripple_period_ns)
        quick = _triangle(time_ns, self.ripple_period_ns * 3 // 8)
        return level + self.ripple * (0.7 * slow + 0.3 * quick)

    def extremes(self) -> tuple[float, float]:
        """The least and the greatest level, without ripple."""
        levels = [level for _, level in self.points]
        return min(levels), max(levels)


@dataclass(frozen=True, slots=True)
class Track:
    """One reading through the whole scenario: curves or specials, each from its start (ns) until the next one's."""

    starts_ns: tuple[int, ...]
    pieces: tuple[Curve | Special, ...]

    def piece(self, time_ns: int) -> Curve | Special:
        """The curve or special that holds at that time; before the first piece the reading is not available."""
        place = bisect_right(self.starts_ns, time_ns)
        return self.pieces[place - 1] if place else Special.NOT_AVAILABLE

    def value(self, time_ns: int) -> float | Special:
        """The number or special that the controller sends at that time."""
        piece = self.piece(time_ns)
        return piece if isinstance(piece, Special) else piece.value(time_ns)


def _triangle(time_ns: int, period_ns: int) -> float:
    """A wave between -1 and 1 that starts at 0 and rises."""
    turn = 4 * (time_ns % period_ns) / period_ns
    if turn <= 1:
        return turn
    return 2 - turn if turn <= 3 else turn - 4
