"""A bus to talk on: one adapter that is read and sent on, made on purpose.

Rules: it reads as a `Listener` does and sends through `send` alone. Every frame that was sent is kept in `sent` and
goes where the heard ones go, so that a recording holds both sides of the talk.

Alone on the bus nothing that is sent is acknowledged (ISO 11898-1). Linux tells it with error frames: no acknowledge,
controller passive, bus-off (linux/can/error.h), or with a queue that stays full. Where others were heard before, a
missing acknowledge is not solitude.

Some drivers hand out what was sent here as well (UDP multicast does): such an echo is read, but neither counted as
heard nor noted twice.

What is sent is stamped on the adapter's clock, as far as the frames heard tell it: a second between two clocks would
look like a step back in time.
"""

from __future__ import annotations

import errno
import time
from collections import deque
from collections.abc import Callable, Sequence

from faultlamp.bus.closing import Closing
from faultlamp.bus.opening import open_bus
from faultlamp.bus.options import BusSettings
from faultlamp.bus.reader import Reader
from faultlamp.bus.speaker import Speaker
from faultlamp.errors import BusError
from faultlamp.frames import ERROR, EXTENDED, Frame

# linux/can/error.h: bits of the identifier, and of the controller's byte.
_TX_TIMEOUT, _CONTROLLER, _NO_ACKNOWLEDGE, _BUS_OFF = 0x01, 0x04, 0x20, 0x40
_TX_PASSIVE = 0x20
_MOST_UNECHOED = 64


class Line(Closing):
    """An open bus to read and send on. Opens at once; raises BusError. A context manager that closes it.

    settings: the bus as python-can's configuration completed it. sent: every frame that the adapter took, in order.
    heard: how many frames of others came, error frames aside.
    tap: called with the frames, heard or sent, as they happen; to be set. clock: seconds since the epoch.
    """

    def __init__(self, settings: BusSettings, *, clock: Callable[[], float] = time.time) -> None:
        opened = open_bus(settings, listen_only=False)
        self.settings = opened.settings
        self.sent: list[Frame] = []
        self.heard = 0
        self.tap: Callable[[Sequence[Frame]], object] = lambda _: None
        self._speaker = Speaker(opened)
        self._unechoed: deque[tuple[int, bytes]] = deque(maxlen=_MOST_UNECHOED)
        self._reader = Reader(opened.bus, opened.settings, clock=clock)
        self._clock = clock
        # The last stamp heard, and how far the adapter's clock was ahead of ours then; both in nanoseconds.
        self._last_ns, self._ahead_ns = 0, 0
        if getattr(opened.bus, "listens_only", False):
            self.close()
            raise BusError(
                f"{self.settings.describe()} is in listen-only mode, so nothing can be asked: take listen_only out of "
                "python-can's configuration"
            )

    def read(self, timeout_s: float) -> list[Frame]:
        """Wait up to `timeout_s` for a frame, then take what else is there. Empty when nothing came.

        Raises BusError when the bus is gone, and when it turns out that nobody acknowledges.
        """
        frames = self._reader.read(timeout_s)
        if frames:
            self._last_ns = frames[-1].time_ns
            self._ahead_ns = self._last_ns - self._now_ns()
        others = [frame for frame in frames if not self._is_echo(frame)]
        self.tap(others)
        for frame in others:
            if not frame.flags & ERROR:
                self.heard += 1
            elif frame.can_id & _BUS_OFF:
                raise BusError(
                    f"the adapter on {self.settings.describe()} switched itself off (bus-off): is the bit rate right, "
                    "and are CAN-H and CAN-L connected and not swapped?"
                )
            elif not self.heard and self.sent and _is_unanswered(frame):
                raise self._alone()
        return frames

    def send(self, can_id: int, data: bytes) -> None:
        """Send a data frame: 29-bit identifier, 0 to 8 bytes.

        Raises ValueError for what is not such a frame, BusError when the bus does not take it within a second.
        """
        try:
            self._speaker.send(can_id, data)
        except BusError as error:
            if not self.heard and _is_full(error.__cause__):
                raise self._alone() from error
            raise
        self._last_ns = max(self._now_ns() + self._ahead_ns, self._last_ns)
        frame = Frame(self._last_ns, self._reader.own_name, can_id, bytes(data))
        self.sent.append(frame)
        self._unechoed.append((frame.can_id, frame.data))
        self.tap((frame,))

    @property
    def garbled(self) -> int:
        """How many things the adapter delivered that were no frame."""
        return self._reader.garbled

    @property
    def dropped(self) -> int:
        """Frames that the operating system threw away because they were not read in time, where it counts them."""
        return self._reader.dropped

    def close(self) -> None:
        """Close the bus; harmless when repeated."""
        self._reader.close()

    def _now_ns(self) -> int:
        """Now on our clock, as fine as a recording keeps it."""
        return round(self._clock() * 1e6) * 1000

    def _is_echo(self, frame: Frame) -> bool:
        if frame.flags != EXTENDED or (frame.can_id, frame.data) not in self._unechoed:
            return False
        self._unechoed.remove((frame.can_id, frame.data))
        return True

    def _alone(self) -> BusError:
        return BusError(
            f"nobody on {self.settings.describe()} acknowledges what is sent: faultlamp is alone there; key on? "
            "connector seated? bit rate right, often 250000 or 500000?"
        )


def _is_unanswered(frame: Frame) -> bool:
    passive = bool(frame.can_id & _CONTROLLER) and len(frame.data) > 1 and bool(frame.data[1] & _TX_PASSIVE)
    return bool(frame.can_id & (_NO_ACKNOWLEDGE | _TX_TIMEOUT)) or passive


def _is_full(error: BaseException | None) -> bool:
    """Whether the adapter did not take a frame because those before are still waiting."""
    number = getattr(error, "errno", None) or getattr(error, "error_code", None)
    return number == errno.ENOBUFS or "buffer full" in str(error).lower()
