"""Listening, without a way to send.

The bus itself lives in a `Reader`'s closures; no attribute leads to its `send`.
"""

from __future__ import annotations

import time
from collections.abc import Callable

from faultlamp.bus.closing import Closing
from faultlamp.bus.opening import open_bus
from faultlamp.bus.options import BusSettings
from faultlamp.bus.reader import Reader
from faultlamp.frames import Frame


class Listener(Closing):
    """An open bus to read from. Opens at once; raises BusError. A context manager that closes it.

    settings: the bus as python-can's configuration completed it.
    hardware_listen_only: the adapter was asked not to send even the acknowledge bit, and is not known to have refused.
    clock: seconds since the epoch, for drivers without usable time stamps.
    insist: rather do not open than acknowledge.
    """

    def __init__(
        self, settings: BusSettings, *, clock: Callable[[], float] = time.time, insist: bool = False
    ) -> None:
        opened = open_bus(settings, listen_only=True, insist=insist)
        self.settings = opened.settings
        self.hardware_listen_only = opened.hardware_listen_only
        self._reader = Reader(opened.bus, opened.settings, clock=clock)

    @property
    def garbled(self) -> int:
        """How many things the adapter delivered that were no frame."""
        return self._reader.garbled

    def read(self, timeout_s: float) -> list[Frame]:
        """Wait up to `timeout_s` for a frame, then take what else is there, a bounded number.

        Empty when nothing came. Raises BusError when the bus is gone, after every frame before has been returned.
        """
        return self._reader.read(timeout_s)

    @property
    def dropped(self) -> int:
        """Frames that the operating system threw away because they were not read in time, where it counts them."""
        return self._reader.dropped

    def close(self) -> None:
        """Close the bus; harmless when repeated."""
        self._reader.close()
