"""The last stretch of a reading as a row of small columns.

Rule: a column is a fixed length of time and as high as the last number in it. Where there was no number the column
is empty: a gap is never bridged. The scale runs from the lowest to the highest number shown, but never covers less
than `least_span`, so that noise stays flat.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import ceil

_HEIGHTS = "▁▂▃▄▅▆▇█"
# Rounds halves down, what the arithmetic adds to them included.
_HALF = 0.5 + 1e-9


def trend(
    samples: Sequence[tuple[int, float | None]], from_ns: int, to_ns: int, width: int, least_span: float,
    rows: int = 1,
) -> list[str]:
    """Rows, from the top, of exactly `width` characters for the time from `from_ns` to `to_ns`."""
    columns: list[float | None] = [None] * width
    for time_ns, number in samples:
        if from_ns <= time_ns <= to_ns:
            columns[min((time_ns - from_ns) * width // max(to_ns - from_ns, 1), width - 1)] = number
    numbers = [number for number in columns if number is not None]
    if not numbers:
        return [" " * width] * rows
    lowest, highest = min(numbers), max(numbers)
    span = max(highest - lowest, least_span)
    bottom = lowest - (span - (highest - lowest)) / 2
    full = len(_HEIGHTS)
    top = full * rows - 1
    # The lowest number has a column of an eighth of a row: it is not nothing. What stays the same fills half.
    eighths = [
        0 if number is None else 1 + min(max(ceil((number - bottom) / span * top - _HALF), 0), top)
        for number in columns
    ]
    steps = " " + _HEIGHTS
    return [
        "".join(steps[min(max(height - full * below, 0), full)] for height in eighths)
        for below in reversed(range(rows))
    ]
