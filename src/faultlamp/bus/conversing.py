"""Letting a state machine talk on a line, in real time.

Rule: the machine's clock is this process's own, which never steps, whatever the computer's or the adapter's clock
does; a recording keeps the adapter's stamps all the same.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace
from typing import Protocol

from faultlamp.frames import Frame

CHANNEL = "line"
"""The channel of every frame that a talker hears, however the driver names it."""

_LONGEST_WAIT_NS = 100_000_000


class Talker(Protocol):
    """A state machine over frames and time, in nanoseconds."""

    def feed(self, frame: Frame) -> object:
        """Hear a frame; its time is now."""

    def advance(self, now_ns: int) -> object:
        """Let time pass."""

    def outgoing(self, now_ns: int) -> list[tuple[int, bytes]]:
        """Frames to send now."""

    def next_ns(self) -> int | None:
        """When there is something to do without a frame coming."""


class TwoWay(Protocol):
    """A `Line`."""

    def read(self, timeout_s: float) -> list[Frame]: ...

    def send(self, can_id: int, data: bytes) -> None: ...


class SteadyClock:
    """Nanoseconds since the epoch as they were at the start, and steadily on from there."""

    def __init__(self) -> None:
        self._ahead_ns = time.time_ns() - time.monotonic_ns()

    def __call__(self) -> int:
        """Now."""
        return time.monotonic_ns() + self._ahead_ns


def converse(
    line: TwoWay,
    talker: Talker,
    clock: Callable[[], int],
    until: Callable[[], bool],
    *,
    meanwhile: Callable[[], object] = lambda: None,
) -> None:
    """Let it talk until `until` says so; `meanwhile` is called at least ten times a second. Raises BusError."""
    while True:
        now_ns = clock()
        talker.advance(now_ns)
        for can_id, data in talker.outgoing(now_ns):
            line.send(can_id, data)
        meanwhile()
        if until():
            return
        due_ns = talker.next_ns()
        wait_ns = _LONGEST_WAIT_NS if due_ns is None else min(max(due_ns - clock(), 0), _LONGEST_WAIT_NS)
        for frame in line.read(wait_ns / 1e9):
            talker.feed(replace(frame, time_ns=clock(), channel=CHANNEL))
