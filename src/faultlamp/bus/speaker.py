"""Sending, as an object of its own that has to be made on purpose.

Whoever only watches never makes one: a `Listener` has no road to a bus's `send`.
"""

from __future__ import annotations

from contextlib import suppress
from typing import TYPE_CHECKING

from faultlamp.bus.closing import Closing
from faultlamp.bus.opening import open_bus, trouble
from faultlamp.bus.options import BusSettings
from faultlamp.bus.patience import CLOSING_S, within

if TYPE_CHECKING:
    import can

_SEND_TIMEOUT_S = 1.0
_HIGHEST_ID = 0x1FFFFFFF


class Speaker(Closing):
    """An open bus to send J1939 frames on. Opens at once; raises BusError. A context manager that closes it."""

    def __init__(self, settings: BusSettings) -> None:
        opened = open_bus(settings, listen_only=False)
        self._bus = opened.bus
        self.settings = opened.settings

    def send(self, can_id: int, data: bytes) -> None:
        """Send a data frame: 29-bit identifier, 0 to 8 bytes.

        Raises ValueError for what is not such a frame, BusError when the bus does not take it within a second.
        """
        transmit(self._bus, self.settings, can_id, data)

    def close(self) -> None:
        """Close the bus; harmless when repeated."""
        with suppress(Exception):  # an adapter that is gone cannot be closed, and nothing is left to do about it
            within(CLOSING_S, self._bus.shutdown)


def transmit(bus: can.BusABC, settings: BusSettings, can_id: int, data: bytes) -> None:
    """Put a data frame on an open bus. Raises as `Speaker.send` does."""
    if not 0 <= can_id <= _HIGHEST_ID or len(data) > 8:
        raise ValueError(f"identifier {can_id:#x} with {len(data)} bytes is not a frame: 29 bits, 8 bytes at most")
    from can import Message

    message = Message(arbitration_id=can_id, is_extended_id=True, data=data)
    try:
        bus.send(message, timeout=_SEND_TIMEOUT_S)
    except Exception as error:  # drivers raise anything from OSError to their own kinds
        raise trouble(error, settings, "cannot send on") from error
