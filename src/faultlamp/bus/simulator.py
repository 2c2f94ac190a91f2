"""The bus of a simulated engine: heard and sent on through one adapter, since a serial one cannot be opened twice.

Unlike a `Line` it keeps nothing of what it sends, however long it runs, and does not mind to be alone: a rig may be
there before anybody else.
"""

from __future__ import annotations

from faultlamp.bus.closing import Closing
from faultlamp.bus.opening import open_bus
from faultlamp.bus.options import BusSettings
from faultlamp.bus.reader import Reader
from faultlamp.bus.speaker import Speaker
from faultlamp.frames import Frame


class SimulatorBus(Closing):
    """An open bus to read and send on. Opens at once; raises BusError. A context manager that closes it."""

    def __init__(self, settings: BusSettings) -> None:
        opened = open_bus(settings, listen_only=False)
        self.settings = opened.settings
        self._speaker = Speaker(opened)
        self._reader = Reader(opened.bus, opened.settings)

    def read(self, timeout_s: float) -> list[Frame]:
        """Wait up to `timeout_s` for a frame, then take what else is there. Raises BusError when the bus is gone."""
        return self._reader.read(timeout_s)

    def send(self, can_id: int, data: bytes) -> None:
        """Send a data frame: 29-bit identifier, 0 to 8 bytes. Raises ValueError and BusError as a `Speaker` does."""
        self._speaker.send(can_id, data)

    def close(self) -> None:
        """Close the bus; harmless when repeated."""
        self._reader.close()
