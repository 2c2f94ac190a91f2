"""A line to talk on while the same bus goes on being listened to.

Rule: where a driver lets a bus be opened twice, the line is opened beside the listening, which hears both sides of the
talk as anybody on the bus does. Every other adapter, a serial one for instance, changes hands: the listening lets go
of it, reads what the line hears and sends, and takes it back, in listen-only mode, when the talk is over. The gaps in
between are told as any other.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from threading import Condition

from faultlamp.bus.line import Line
from faultlamp.bus.reconnect import Reconnecting
from faultlamp.errors import BusError
from faultlamp.frames import Frame

OPENED_TWICE = frozenset({"socketcan", "socketcand", "udp_multicast", "virtual"})
"""Interfaces on which several may be on one bus of one computer, and hear each other."""

MOST_OVERHEARD = 100_000
"""Frames of a line that wait for the listening at most."""

_REASON = "the adapter is opened anew, to ask"
_LONGEST_WAIT_S = 20.0
_LOOK_EVERY_S = 0.05


class Overheard:
    """All that an open line hears and sends, as a source of frames. What finds no room is counted as dropped."""

    hardware_listen_only = False

    def __init__(self, line: Line) -> None:
        self.settings = line.settings
        self._line = line
        self._frames: deque[Frame] = deque()
        self._no_room = 0
        self._came = Condition()
        line.tap = self._take

    @property
    def garbled(self) -> int:
        """How many things the adapter delivered that were no frame."""
        return self._line.garbled

    @property
    def dropped(self) -> int:
        """Frames that were lost before they could be read."""
        return self._line.dropped + self._no_room

    def read(self, timeout_s: float) -> list[Frame]:
        """What has come; waits up to `timeout_s` for a frame."""
        with self._came:
            if not self._frames:
                self._came.wait(timeout_s)
            frames = list(self._frames)
            self._frames.clear()
        return frames

    def close(self) -> None:
        """The line belongs to somebody else, who closes it."""

    def _take(self, frames: Sequence[Frame]) -> None:
        with self._came:
            room = max(MOST_OVERHEARD - len(self._frames), 0)
            self._no_room += max(len(frames) - room, 0)
            self._frames.extend(frames[:room])
            self._came.notify()


@contextmanager
def line_beside(listening: Reconnecting, stopped: Callable[[], bool] = lambda: False) -> Iterator[Line]:
    """A line on the bus that is listened to, while somebody goes on reading `listening` in another thread.

    stopped: asked while it is waited for. Raises BusError when the bus cannot be opened to send, or was not let go.
    """
    settings = listening.settings
    if settings.interface in OPENED_TWICE:
        with Line(settings) as line:
            yield line
        return
    _wait(lambda: not listening.lent, stopped)  # a talk that ended a moment ago
    closed = listening.lend(_REASON)
    try:
        _wait(closed.is_set, stopped)
        with Line(settings) as line:
            listening.overhear(Overheard(line))
            yield line
    finally:
        listening.give_back()


def _wait(true: Callable[[], bool], stopped: Callable[[], bool]) -> None:
    """Until the listening has done what it was told. Raises BusError when it does not."""
    left_s = _LONGEST_WAIT_S
    while not true():
        if stopped() or left_s <= 0:
            raise BusError("the listening did not let go of the adapter, so nothing was sent: try again")
        time.sleep(_LOOK_EVERY_S)
        left_s -= _LOOK_EVERY_S
