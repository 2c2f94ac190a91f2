"""The simulated engine inside this process: the whole live road with nothing plugged in.

The rig speaks on a channel of python-can's `virtual` interface that nobody else knows, and hears it: a listener on the
same channel hears the rig as it would hear an adapter, and who speaks there is answered. The scenario starts over when
it ends.
"""

from __future__ import annotations

from itertools import count
from threading import Event, Thread

from faultlamp.bus.closing import Closing
from faultlamp.bus.options import BusSettings
from faultlamp.bus.simulator import SimulatorBus
from faultlamp.errors import BusError
from faultlamp.rig.live import LiveRig
from faultlamp.rig.loading import load_scenario
from faultlamp.rig.player import play
from faultlamp.rig.shipped import find_scenario

_JOIN_TIMEOUT_S = 2.0
_numbers = count(1)


class VirtualRig(Closing):
    """A rig on a virtual channel. `start` begins to send; a context manager that ends it.

    settings: where to listen. Raises ScenarioError when the scenario is missing or makes no sense, BusError when
    python-can's configuration does not.
    """

    def __init__(self, scenario: str) -> None:
        self.scenario = load_scenario(find_scenario(scenario))
        self.settings = BusSettings("virtual", f"rig{next(_numbers)}")
        self._bus = SimulatorBus(self.settings)
        self._stop = Event()
        self._thread = Thread(target=self._play, name="faultlamp-rig", daemon=True)

    def start(self) -> None:
        """Turn the key; once, and after the listener is there."""
        self._thread.start()

    def close(self) -> None:
        """End it; harmless when repeated."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join(_JOIN_TIMEOUT_S)
        self._bus.close()

    def _play(self) -> None:
        try:
            play(LiveRig(self.scenario, loop=True), self._bus, stop=self._stop)
        except BusError:
            # A virtual channel takes everything until it is closed under the player, which is the end anyway.
            if not self._stop.is_set():
                raise
