"""When a bus could not be heard: the stretches in which nothing may be claimed about anybody on it.

Rule: times are the frames' own. What a gap ends at is known for certain only with the next frame, whose stamp says how
far the frames' time has gone on meanwhile; until then the computer's clock stands in.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, replace

MOST_GAPS = 1000
"""Gaps that are kept; of more, the oldest are forgotten and only counted."""


@dataclass(frozen=True, slots=True)
class Gap:
    """From `start_ns` to `end_ns`, which is None while it lasts. reason: one line. number: counted from 1."""

    start_ns: int
    end_ns: int | None
    reason: str
    number: int = 1

    def touches(self, first_ns: int, last_ns: int) -> bool:
        """Whether any of it lies from `first_ns` to `last_ns`."""
        return self.start_ns <= last_ns and (self.end_ns is None or self.end_ns >= first_ns)


class Gaps:
    """The gaps of one bus, in the order they came. count: how many there have been."""

    def __init__(self) -> None:
        self.count = 0
        self._kept: deque[Gap] = deque(maxlen=MOST_GAPS)

    @property
    def current(self) -> Gap | None:
        """The gap that lasts, None while the bus is heard."""
        return self._kept[-1] if self._kept and self._kept[-1].end_ns is None else None

    def kept(self) -> tuple[Gap, ...]:
        """The newest ones, MOST_GAPS at most."""
        return tuple(self._kept)

    def begin(self, start_ns: int, reason: str) -> None:
        """The bus was heard until `start_ns`; while a gap lasts already, nothing changes."""
        if self.current is None:
            self.count += 1
            self._kept.append(Gap(start_ns, None, reason, self.count))

    def end(self, end_ns: int) -> None:
        """The bus is heard again since `end_ns`. Told again, the later word about the latest gap holds."""
        if self._kept:
            last = self._kept[-1]
            self._kept[-1] = replace(last, end_ns=max(end_ns, last.start_ns))
