"""The trend bridges no gap and keeps noise flat."""

from faultlamp.tui.readings.trend import trend


def test_a_rise() -> None:
    """Lowest to highest, a column a second."""
    samples = [(at, float(at)) for at in range(8)]
    assert trend(samples, 0, 7, 8, 1.0) == "▁▂▃▄▅▆▇█"


def test_a_gap_stays_empty() -> None:
    """Where nothing came, or no number, there is no column."""
    assert trend([(0, 0.0), (1, None), (3, 10.0)], 0, 3, 4, 1.0) == "▁  █"


def test_noise_stays_flat() -> None:
    """Less than the least span does not fill the height."""
    assert trend([(0, 100.0), (1, 100.1)], 0, 1, 2, 10.0) == "▄▅"


def test_nothing_is_nothing() -> None:
    """No samples, no columns."""
    assert trend([], 0, 10, 5, 1.0) == "     "
