"""What calls for attention: a bell and a flash for what is new, marks on what nobody has acknowledged yet.

Rules. News is a fault that becomes active, and a red stop lamp that is asked for. No news is what was there before we
listened, what comes back after its controller had only fallen silent, and what a jump in a recording brings. A red
stop lamp without any fault counts only when it stays: all lamps shine for some seconds after key on, as a test (common
practice, no source).

A fault that nobody has acknowledged rings no second time. There is at most one alarm in `EVERY_NS`, and of each kind
at most `MOST_ALARMS` until somebody acknowledges: a storm of faults that come and go does not ring for ever.

One event, one ring: what somebody watches on the page for loose wires rings there, and is only marked here.

The flash changes once a second: WCAG 2.1, success criterion 2.3.1, allows three flashes a second.
"""

from __future__ import annotations

from faultlamp.history.changes import Change, What
from faultlamp.history.controllers import Controller
from faultlamp.history.history import History
from faultlamp.history.spans import EndReason
from faultlamp.j1939.diagnostics import LAMP_PLACES, Lamp, Lamps
from faultlamp.tui.lanes.lane import LaneKey
from faultlamp.tui.times import NS_PER_S

EVERY_NS = 10 * NS_PER_S
FLASH_NS = 5 * NS_PER_S
MOST_ALARMS = 5

_HALF_FLASH_NS = NS_PER_S
# What is reported so soon after the first frame was there before.
_FOUND_WITHIN_NS = 5 * NS_PER_S
_LAMP_TEST_NS = 5 * NS_PER_S
_RED = LAMP_PLACES[Lamp.RED_STOP]

_Sender = tuple[str, int]


class Attention:
    """Of one job and its user. Moments of the flash and of the bell are `clock_ns`, which only goes forward.

    unseen: faults that came and were not acknowledged. muted: no bell. resting: too many alarms were left unanswered.
    """

    def __init__(self) -> None:
        self.unseen: set[LaneKey] = set()
        self.muted = False
        self._quiet = True
        self._new_fault = False
        self._red: set[_Sender] = set()
        self._left_faults = self._left_red = MOST_ALARMS
        self._last_ns: int | None = None
        self._flash_until_ns = 0
        self._bell = False

    @property
    def resting(self) -> bool:
        """No bell for a fault any more until somebody acknowledges."""
        return not self._left_faults

    def begin(self, *, quiet: bool) -> None:
        """Frames follow; quiet: they are no news, because the user jumped to where they are."""
        self._quiet = quiet

    def note(self, history: History, change: Change, *, heard: bool = False) -> None:
        """A change that the frames bring. heard: somebody watches for it, and hears it there."""
        if self._quiet or change.what is not What.FAULT_ACTIVE or change.spn is None or change.fmi is None:
            return
        if history.start_ns is None or change.time_ns - history.start_ns < _FOUND_WITHIN_NS:
            return
        controller = history.controllers[change.channel, change.source_address]
        spans = controller.faults[change.spn, change.fmi].spans
        if len(spans) > 1 and spans[-2].reason is EndReason.SILENT:
            return
        key = LaneKey(change.channel, change.source_address, change.spn, change.fmi)
        if key not in self.unseen:
            self.unseen.add(key)
            self._new_fault |= not heard

    def look(self, history: History, now_ns: int | None, clock_ns: int) -> None:
        """All frames have been taken: is there an alarm?"""
        red = {key for key, controller in history.controllers.items() if asks_to_stop(controller, now_ns)}
        self._red &= red
        self._red |= red if self._quiet else {key for key in red if _was_there(history, history.controllers[key])}
        new_red = not red <= self._red
        if self._quiet or not (new_red or self._new_fault):
            self._new_fault = False
            return
        if self._last_ns is not None and clock_ns - self._last_ns < EVERY_NS:
            # It rings afterwards, once for all that came meanwhile.
            return
        rings = False
        if new_red and self._left_red:
            self._left_red -= 1
            rings = True
        elif self._new_fault and self._left_faults:
            self._left_faults -= 1
            rings = True
        self._red, self._new_fault = red, False
        if rings:
            self._last_ns = clock_ns
            self._flash_until_ns = clock_ns + FLASH_NS
            self._bell = not self.muted

    def take_bell(self) -> bool:
        """Whether to ring now; true once for each alarm."""
        rings, self._bell = self._bell, False
        return rings

    def lit(self, clock_ns: int) -> bool:
        """Whether the flash shows: a second on, a second off."""
        left_ns = self._flash_until_ns - clock_ns
        return left_ns > 0 and (FLASH_NS - left_ns) // _HALF_FLASH_NS % 2 == 0

    def acknowledge(self) -> int:
        """Somebody has seen it: how many faults had been unseen. Nothing leaves the screen but their marks."""
        count = len(self.unseen)
        self.unseen.clear()
        self._left_faults = self._left_red = MOST_ALARMS
        self._flash_until_ns = 0
        self._bell = self._new_fault = False
        return count

    def forget(self) -> None:
        """Another job, or the same from its start."""
        self.unseen.clear()
        self._red.clear()
        self._new_fault = self._bell = False
        self._flash_until_ns = 0


def asks_to_stop(controller: Controller, now_ns: int | None) -> bool:
    """Whether a controller asks for the red stop lamp, and does not only test it."""
    lamps: Lamps | None = controller.lamps
    if lamps is None or not lamps[_RED].lit:
        return False
    if controller.active_faults:
        return True
    spans = controller.lamp_spans[Lamp.RED_STOP]
    return now_ns is not None and bool(spans) and now_ns - spans[-1].start_ns >= _LAMP_TEST_NS


def _was_there(history: History, controller: Controller) -> bool:
    """Whether it asked for the lamp already when we began to listen."""
    spans = controller.lamp_spans[Lamp.RED_STOP]
    start_ns = history.start_ns
    return start_ns is not None and bool(spans) and spans[-1].start_ns - start_ns < _FOUND_WITHIN_NS
