"""Stretches of time as lists of [start, end] pairs in nanoseconds, in order and apart from each other; ends belong."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple


class Interval(NamedTuple):
    """From `start_ns` to `end_ns`, both included."""

    start_ns: int
    end_ns: int

    @property
    def length_ns(self) -> int:
        """How long it is."""
        return self.end_ns - self.start_ns


def joined(parts: Iterable[Interval]) -> list[Interval]:
    """The parts in order, those that touch as one.

    >>> joined([Interval(5, 7), Interval(0, 2), Interval(2, 3)])
    [Interval(start_ns=0, end_ns=3), Interval(start_ns=5, end_ns=7)]
    """
    found: list[Interval] = []
    for part in sorted(part for part in parts if part.end_ns >= part.start_ns):
        if found and part.start_ns <= found[-1].end_ns:
            found[-1] = Interval(found[-1].start_ns, max(found[-1].end_ns, part.end_ns))
        else:
            found.append(part)
    return found


def common(some: Sequence[Interval], others: Sequence[Interval]) -> list[Interval]:
    """What lies in both.

    >>> common([Interval(0, 4), Interval(6, 9)], [Interval(3, 7)])
    [Interval(start_ns=3, end_ns=4), Interval(start_ns=6, end_ns=7)]
    """
    found = []
    one = other = 0
    while one < len(some) and other < len(others):
        start = max(some[one].start_ns, others[other].start_ns)
        end = min(some[one].end_ns, others[other].end_ns)
        if start <= end:
            found.append(Interval(start, end))
        if some[one].end_ns < others[other].end_ns:
            one += 1
        else:
            other += 1
    return found


def without(some: Sequence[Interval], others: Sequence[Interval]) -> list[Interval]:
    """What of `some` the others leave, as pieces that have a length.

    >>> without([Interval(0, 9)], [Interval(2, 4), Interval(8, 20)])
    [Interval(start_ns=0, end_ns=2), Interval(start_ns=4, end_ns=8)]
    """
    found = []
    place = 0
    for part in some:
        start = part.start_ns
        while place and others[place - 1].end_ns > start:
            place -= 1
        while place < len(others) and others[place].end_ns < start:
            place += 1
        at = place
        while at < len(others) and others[at].start_ns <= part.end_ns:
            if others[at].start_ns > start:
                found.append(Interval(start, others[at].start_ns))
            start = max(start, others[at].end_ns)
            at += 1
        if start < part.end_ns:
            found.append(Interval(start, part.end_ns))
    return found
