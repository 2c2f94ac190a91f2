"""Reading an open bus: frames out, rubbish counted, and no attribute that leads to the bus's `send`.

The bus itself lives in closures that receive, count and close.

Time stamps are the driver's, rounded to whole microseconds: that is as fine as a recording keeps them, so what is
watched and what is recorded are the same. Some drivers give none, or count from the adapter's start or the
computer's boot; then the time of reception stands in, since a history needs to know the hour.
"""

from __future__ import annotations

import re
import time
from collections.abc import Callable
from contextlib import suppress
from operator import index
from typing import TYPE_CHECKING

from faultlamp.bus import kernel_queue
from faultlamp.bus.opening import trouble
from faultlamp.bus.options import BusSettings
from faultlamp.bus.patience import CLOSING_S, within
from faultlamp.errors import BusError
from faultlamp.frames import BRS, ERROR, ESI, EXTENDED, FD, REMOTE, Frame

if TYPE_CHECKING:
    import can

MOST_AT_ONCE = 4096
"""Frames that one `read` returns at most."""

MOST_GARBLED_IN_A_ROW = 100
"""What an adapter may deliver in a row that is no frame, before it counts as broken."""

_LONGEST_NAME = 64
_MOST_NAMES = 64
_NOT_NAME = re.compile(r"[^\x21-\x7e]")
# Stamps outside 2001 to 2252 do not count from the epoch.
_FIRST_STAMP_S = 1e9
_LAST_STAMP_S = 8.9e9
_HIGHEST_11_BIT = 0x7FF
_HIGHEST_29_BIT = 0x1FFFFFFF
# ISO 11898-1: payload lengths that a CAN FD length code can say.
_FD_LENGTHS = frozenset((*range(9), 12, 16, 20, 24, 32, 48, 64))


class Reader:
    """What reads an open bus.

    garbled: how many things the adapter delivered that were no frame.
    clock: seconds since the epoch, for drivers without usable time stamps.
    """

    def __init__(
        self, bus: can.BusABC, settings: BusSettings, *, clock: Callable[[], float] = time.time
    ) -> None:
        self.garbled = 0
        self._settings = settings
        self._receive, self._dropped, self._shut = _without_send(bus)
        self._dropped_at_close = 0
        self._clock = clock
        self._garbled_in_a_row = 0
        self._failure: BusError | None = None
        self._names: dict[str | int, str] = {}
        self.own_name = channel_text(settings.channel or settings.interface or "")

    def read(self, timeout_s: float) -> list[Frame]:
        """Wait up to `timeout_s` for a frame, then take what else is there, MOST_AT_ONCE frames at most.

        Empty when nothing came. Raises BusError when the bus is gone, after every frame before has been returned.
        """
        if self._failure is not None:
            raise self._failure
        frames: list[Frame] = []
        for _ in range(MOST_AT_ONCE):
            try:
                message = self._receive(0.0 if frames or self._failure is not None else timeout_s)
                if message is None:
                    break
                frames.append(self._frame(message))
                self._garbled_in_a_row = 0
            except Exception as error:  # drivers raise anything from OSError to IndexError
                if self._failure is not None:
                    break
                # What came before a failure may still wait behind it: Linux tells of an error first (socket(7)).
                self._note(error)
        if self._failure is not None and not frames:
            raise self._failure
        return frames

    @property
    def dropped(self) -> int:
        """Frames that the operating system threw away because they were not read in time, where it counts them."""
        return max(self._dropped(), self._dropped_at_close)

    def close(self) -> None:
        """Close the bus; harmless when repeated."""
        self._dropped_at_close = self.dropped
        self._shut()

    def _note(self, error: Exception) -> None:
        """Tell rubbish on the adapter's line, which is counted, from a bus that is gone."""
        if _is_garble(error):
            self.garbled += 1
            self._garbled_in_a_row += 1
            if self._garbled_in_a_row < MOST_GARBLED_IN_A_ROW:
                return
        self._failure = trouble(error, self._settings, "cannot read from")
        self._failure.__cause__ = error

    def _frame(self, message: can.Message) -> Frame:
        """Raises ValueError or TypeError for what cannot be a frame."""
        can_id = index(message.arbitration_id)  # udp_multicast delivers whatever a datagram says
        data, flags, highest = bytes(message.data or b""), 0, _HIGHEST_29_BIT
        if message.is_error_frame:
            flags = ERROR
        else:
            if message.is_extended_id:
                flags = EXTENDED
            else:
                highest = _HIGHEST_11_BIT
            if message.is_remote_frame:
                flags, data = flags | REMOTE, b""
            elif message.is_fd:
                flags |= FD | (BRS if message.bitrate_switch else 0) | (ESI if message.error_state_indicator else 0)
        # A line that was cut short has fewer bytes than it announces. Length codes 9 to 15 mean 8 bytes, too.
        if flags & FD:
            fits = len(data) == index(message.dlc) and len(data) in _FD_LENGTHS
        elif flags & (ERROR | REMOTE):
            fits = len(data) <= 8
        else:
            fits = len(data) == min(index(message.dlc), 8)
        if not fits or not 0 <= can_id <= highest:
            raise ValueError("identifier or length out of range")
        return Frame(self._time_ns(message.timestamp), self._name(message.channel), can_id, data, flags)

    def _time_ns(self, stamp_s: float) -> int:
        if not _FIRST_STAMP_S <= stamp_s < _LAST_STAMP_S:
            stamp_s = self._clock()
        return round(stamp_s * 1e6) * 1000

    def _name(self, channel: object) -> str:
        if channel is None or not isinstance(channel, (str, int)):
            return self.own_name
        name = self._names.get(channel)
        if name is None:
            name = channel_text(str(channel))
            if len(self._names) >= _MOST_NAMES:
                return self.own_name
            self._names[channel] = name
        return name


def channel_text(raw: str) -> str:
    """A channel's name as the recordings can hold it: visible ASCII without spaces, 1 to 64 characters."""
    return _NOT_NAME.sub("_", raw[:_LONGEST_NAME]) or "can"


def _without_send(
    bus: can.BusABC,
) -> tuple[Callable[[float], can.Message | None], Callable[[], int], Callable[[], None]]:
    """The three things a listener may do with a bus: receive, ask what was dropped, close."""
    kernel_queue.widen(bus)

    def receive(timeout_s: float) -> can.Message | None:
        return bus.recv(timeout_s)

    def dropped() -> int:
        return kernel_queue.dropped(bus)

    def close() -> None:
        with suppress(Exception):  # an adapter that is gone cannot be closed, and nothing is left to do about it
            within(CLOSING_S, bus.shutdown)

    return receive, dropped, close


def _is_garble(error: Exception) -> bool:
    """Whether the driver merely could not make sense of what came, as opposed to having lost the adapter."""
    from can import CanError

    source = error.__cause__ if isinstance(error, CanError) else error
    return isinstance(source, Exception) and not isinstance(source, (OSError, CanError))
