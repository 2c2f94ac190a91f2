"""Sending: the only road to a bus's `send`, an object of its own that has to be made on purpose.

Whoever only watches never makes one: a `Listener` has no road to a bus's `send`.
"""

from __future__ import annotations

from faultlamp.bus.opening import OpenBus, trouble

_SEND_TIMEOUT_S = 1.0
_HIGHEST_ID = 0x1FFFFFFF


class Speaker:
    """Sends J1939 frames on an open bus, which is closed by whoever opened it."""

    def __init__(self, opened: OpenBus) -> None:
        self._bus = opened.bus
        self._settings = opened.settings

    def send(self, can_id: int, data: bytes) -> None:
        """Send a data frame: 29-bit identifier, 0 to 8 bytes.

        Raises ValueError for what is not such a frame, BusError when the bus does not take it within a second.
        """
        if not 0 <= can_id <= _HIGHEST_ID or len(data) > 8:
            raise ValueError(f"identifier {can_id:#x} with {len(data)} bytes is not a frame: 29 bits, 8 bytes at most")
        from can import Message

        message = Message(arbitration_id=can_id, is_extended_id=True, data=data)
        try:
            self._bus.send(message, timeout=_SEND_TIMEOUT_S)
        except Exception as error:  # drivers raise anything from OSError to their own kinds
            raise trouble(error, self._settings, "cannot send on") from error
