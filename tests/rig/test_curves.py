"""Curves and tracks: levels between points, bounded ripple, what holds when."""

import pytest

from faultlamp.rig.curves import Curve, Special, Track

S = 1_000_000_000
RAMP = Curve(((2 * S, 10.0), (6 * S, 30.0), (7 * S, 20.0)))


@pytest.mark.parametrize(
    ("time_s", "expected"),
    # linear interpolation, worked by hand
    [(0, 10.0), (2, 10.0), (3, 15.0), (5.5, 27.5), (6, 30.0), (6.5, 25.0), (7, 20.0), (100, 20.0)],
)
def test_a_curve_goes_straight_from_point_to_point(time_s: float, expected: float) -> None:
    """Between points the level is on the straight line; outside it holds the nearest point."""
    assert RAMP.value(round(time_s * S)) == pytest.approx(expected)


def test_ripple_stays_within_its_bounds_and_uses_them() -> None:
    """The ripple never leaves level plus or minus ripple, and is no mere fraction of it."""
    curve = Curve(((0, 800.0),), ripple=6.0, ripple_period_ns=1_300_000_000)
    values = [curve.value(time_ns) for time_ns in range(0, 20 * S, 10_000_000)]
    assert max(values) <= 806.0
    assert min(values) >= 794.0
    assert max(values) - min(values) > 8.0


def test_ripple_starts_at_the_level() -> None:
    """At time 0 the triangle waves are at 0."""
    assert Curve(((0, 800.0),), ripple=6.0).value(0) == 800.0


def test_a_track_is_not_available_before_its_first_piece() -> None:
    """Pieces hold from their start to the next one's; before the first one nobody knows the value."""
    track = Track((5 * S, 8 * S), (Curve(((5 * S, 1.0),)), Special.ERROR))
    assert [track.value(at * S) for at in (4, 5, 7, 8, 99)] == [
        Special.NOT_AVAILABLE, 1.0, 1.0, Special.ERROR, Special.ERROR,
    ]
