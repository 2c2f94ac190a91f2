"""The trend bridges no gap and keeps noise flat."""

from faultlamp.tui.readings.trend import trend


def test_a_rise() -> None:
    """Lowest to highest, a column a second."""
    samples = [(at, float(at)) for at in range(8)]
    assert trend(samples, 0, 7, 8, 1.0) == ["▁▂▃▄▅▆▇█"]


def test_a_gap_stays_empty() -> None:
    """Where nothing came, or no number, there is no column."""
    assert trend([(0, 0.0), (1, None), (3, 10.0)], 0, 3, 4, 1.0) == ["▁  █"]


def test_noise_stays_flat() -> None:
    """Less than the least span does not fill the height."""
    assert trend([(0, 100.0), (1, 100.1)], 0, 1, 2, 10.0) == ["▄▅"]


def test_nothing_is_nothing() -> None:
    """No samples, no columns."""
    assert trend([], 0, 10, 5, 1.0) == ["     "]


def test_several_rows_are_one_picture() -> None:
    """Twice the height has twice the steps; the lowest number has an eighth of a row, a gap nothing."""
    samples = [(at, float(at)) for at in range(16) if at != 7]
    assert trend(samples, 0, 15, 16, 1.0, rows=2) == ["        ▁▂▃▄▅▆▇█", "▁▂▃▄▅▆▇ ████████"]
    assert trend([], 0, 10, 3, 1.0, rows=2) == ["   ", "   "]


def test_what_stays_the_same_fills_half_of_the_height() -> None:
    """Neither high nor low, and no thin line over a full row."""
    samples = [(at, 27.6) for at in range(4)]
    assert trend(samples, 0, 3, 4, 1.38) == ["▄▄▄▄"]
    assert trend(samples, 0, 3, 4, 1.38, rows=2) == ["    ", "████"]
    assert trend(samples, 0, 3, 4, 1.0, rows=3) == ["    ", "▄▄▄▄", "████"]
