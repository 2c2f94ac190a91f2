"""The last value of each parameter and sender in each interval of time.

Intervals are counted from the first frame of the recording. Small steps back of the clock (up to 1 s) may bring values
of an interval that seemed over, so an interval is let go one second after its end.
"""

from __future__ import annotations

import numpy as np

from faultlamp.values.columns import ValueColumns

_PATIENCE_NS = 1_000_000_000


class Thinner:
    """Holds back the values of intervals that may still get a later one.

    every_ns: length of an interval. start_ns: when the first one begins.
    """

    def __init__(self, every_ns: int, start_ns: int) -> None:
        self._every_ns = every_ns
        self._start_ns = start_ns
        self._held: ValueColumns | None = None

    def feed(self, values: ValueColumns) -> ValueColumns | None:
        """Take values in order; returns those that are final, in order, or None."""
        if not len(values):
            return None
        values = values if self._held is None else ValueColumns.joined([self._held, values])
        interval = (values.time_ns - self._start_ns) // self._every_ns
        order = np.lexsort((values.parameter, values.source_address, values.channel, interval))
        keys = (interval[order], values.channel[order], values.source_address[order], values.parameter[order])
        last = np.append(np.any([key[1:] != key[:-1] for key in keys], axis=0), True)
        kept = np.sort(order[last])
        over = (interval[kept] + 1) * self._every_ns + self._start_ns <= values.time_ns.max() - _PATIENCE_NS
        self._held = values.take(kept[~over])
        return values.take(kept[over]) if over.any() else None

    def finish(self) -> ValueColumns | None:
        """What is still held back: the recording ends here, or its clock steps back."""
        held, self._held = self._held, None
        return held
