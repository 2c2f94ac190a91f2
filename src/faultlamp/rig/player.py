"""The rig in real time: what is due goes onto the bus, what comes from the bus goes to the rig.

Rule: bus and clock come from outside, so that this can be tested without either. Late frames go out at once, in
order, and never faster to catch up than the bus takes them. A rig hears the bus that it sends on, on one object: a
serial adapter cannot be opened twice.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from threading import Event
from typing import Protocol

from faultlamp.frames import Frame
from faultlamp.rig.live import LiveRig

# The longest wait in one piece, so that a stop is noticed soon.
_LONGEST_WAIT_S = 0.2
# So that a flood of what is heard does not hold up what is due.
_HEARD_AT_ONCE = 64


class TwoWay(Protocol):
    """A bus to hear and to speak on."""

    def read(self, timeout_s: float) -> Sequence[Frame]:
        """Wait up to that long for a frame; what has come, nothing when nothing has."""

    def send(self, can_id: int, data: bytes) -> object:
        """Put a frame on the bus."""


def play(
    rig: LiveRig,
    bus: TwoWay,
    *,
    stop: Event | None = None,
    clock_ns: Callable[[], int] = time.monotonic_ns,
) -> int:
    """Play the rig from its beginning to its end; returns how many frames were sent.

    stop: ends the play when set. clock_ns: must not step back.
    """
    sent = 0
    rig.start(clock_ns())
    while not _is_set(stop):
        sent += _send(rig, bus, clock_ns(), stop)
        due_ns = rig.next_ns()
        if due_ns is None:
            break
        wait_s = min(max((due_ns - clock_ns()) / 1e9, 0.0), _LONGEST_WAIT_S)
        for number, frame in enumerate(bus.read(wait_s), 1):
            # One clock for all: an adapter's stamps are of another one.
            rig.feed(replace(frame, time_ns=clock_ns()))
            if number % _HEARD_AT_ONCE == 0:
                sent += _send(rig, bus, clock_ns(), stop)
    return sent


def _send(rig: LiveRig, bus: TwoWay, now_ns: int, stop: Event | None) -> int:
    """Send what is due, or what of it comes before the stop; returns how many frames that was."""
    frames = rig.outgoing(now_ns)
    for number, (can_id, data) in enumerate(frames):
        if _is_set(stop):
            return number
        bus.send(can_id, data)
    return len(frames)


def _is_set(stop: Event | None) -> bool:
    return stop is not None and stop.is_set()
