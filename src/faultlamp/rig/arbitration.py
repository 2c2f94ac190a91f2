"""One bus for all senders: frames go one after the other, and the lowest identifier goes first.

Rule: ISO 11898-1. Whoever wants to send while the bus is taken waits; when it is free, the lowest identifier of those
who wait wins. A frame takes its bits with the most stuff bits it could have, so that no spacing here is too short
for a real bus. A frame's time is its end, which is when adapters stamp it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from heapq import heappop, heappush
from typing import NamedTuple


class Wanted(NamedTuple):
    """A frame that a sender has ready at a time (ns since the scenario's start); a `moment` is none."""

    time_ns: int
    can_id: int
    data: bytes

    @property
    def is_frame(self) -> bool:
        """Whether there is something to send."""
        return self.can_id >= 0


def moment(time_ns: int) -> Wanted:
    """A time at which nothing is sent, but which whoever plays in real time waits for."""
    return Wanted(time_ns, -1, b"")


def frame_bits(length: int) -> int:
    """Bits of an extended data frame with `length` data bytes, gap and worst-case stuffing included.

    >>> frame_bits(8)
    160
    """
    can_be_stuffed = 54 + 8 * length
    return can_be_stuffed + 13 + (can_be_stuffed - 1) // 4


def arbitrate(wanted: Iterable[Wanted], bit_rate: int) -> Iterator[Wanted]:
    """The frames in the order and at the times of the bus, from frames in order of the time they are ready.

    Moments pass at their own times.
    """
    waiting: list[tuple[int, int, bytes]] = []
    free_ns = 0

    def win() -> Wanted:
        nonlocal free_ns
        can_id, _, data = heappop(waiting)
        free_ns += frame_bits(len(data)) * 1_000_000_000 // bit_rate
        return Wanted(free_ns, can_id, data)

    for place, one in enumerate(wanted):
        ready_ns, can_id, data = one
        while waiting and free_ns < ready_ns:
            yield win()
        if not one.is_frame:
            yield one
            continue
        # The place keeps frames of one identifier in their order.
        heappush(waiting, (can_id, place, data))
        free_ns = max(free_ns, ready_ns)
    while waiting:
        yield win()
