"""Frames in real time: each is handed to the bus at its time.

Rule: the clock, the waiting and the sending come from outside, so that this can be tested without either. Late frames
go out at once, in order, and never faster to catch up than the bus takes them.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from threading import Event

from faultlamp.frames import Frame

# The longest sleep in one piece, so that a stop is noticed soon where waiting cannot be interrupted.
_LONGEST_WAIT_S = 0.2


def play(
    frames: Iterable[Frame],
    send: Callable[[int, bytes], object],
    *,
    start_ns: int = 0,
    speed: float = 1.0,
    stop: Event | None = None,
    clock: Callable[[], float] = time.monotonic,
    sleep: Callable[[float], object] = time.sleep,
) -> int:
    """Send the frames, `start_ns` of their time being now; returns how many were sent.

    send: takes an identifier and data bytes. speed: 2 is twice as fast. stop: ends the play when set.
    clock and sleep: in seconds; `clock` must not step back.
    """
    sent = 0
    begin_s = clock()
    for frame in frames:
        due_s = begin_s + (frame.time_ns - start_ns) / 1e9 / speed
        while (left_s := due_s - clock()) > 0:
            if stop is not None and stop.is_set():
                return sent
            sleep(min(left_s, _LONGEST_WAIT_S))
        if stop is not None and stop.is_set():
            return sent
        send(frame.can_id, frame.data)
        sent += 1
    return sent
