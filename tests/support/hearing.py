"""Reading from a listener until what was sent has come, or until there is nothing more to read from."""

from __future__ import annotations

import time
from collections.abc import Callable

from faultlamp.bus.listener import Listener
from faultlamp.errors import BusError
from faultlamp.frames import Frame

_LIMIT_S = 10.0


def hear(listener: Listener, count: int) -> list[Frame]:
    """The next `count` frames, and those that follow them at once; what comes later is for the next call."""
    frames: list[Frame] = []
    deadline = time.monotonic() + _LIMIT_S
    while len(frames) < count and time.monotonic() < deadline:
        frames += listener.read(0.01)
    return frames + listener.read(0.02)


def hear_to_the_end(listener: Listener, meanwhile: Callable[[], object] = lambda: None) -> tuple[list[Frame], str]:
    """All frames until the bus is gone, and what the listener says then; `meanwhile` is done before each read."""
    frames: list[Frame] = []
    deadline = time.monotonic() + _LIMIT_S
    while time.monotonic() < deadline:
        meanwhile()
        try:
            frames += listener.read(0.01)
        except BusError as error:
            return frames, str(error)
    raise AssertionError("the bus was never gone")
