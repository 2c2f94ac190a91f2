"""Which lanes there are and in what order: one lane a fault.

Rule: active faults first, the one that began first on top, because what came first is often the cause of what came
later; below them those that were active, the one that ended last on top; last those that were only reported as
stored or pending.
"""

from __future__ import annotations

from typing import NamedTuple

from faultlamp.history.controllers import Controller, Fault, FaultState
from faultlamp.history.history import History


class LaneKey(NamedTuple):
    """What makes a fault this one and no other."""

    channel: str
    source_address: int
    spn: int
    fmi: int


class Lane(NamedTuple):
    """A fault with the controller that reports it."""

    controller: Controller
    fault: Fault

    @property
    def key(self) -> LaneKey:
        """Its identity."""
        return LaneKey(
            self.controller.channel, self.controller.source_address, self.fault.spn, self.fault.fmi
        )

    @property
    def shape(self) -> str:
        """● active, ◌ its controller fell silent, ◇ stored (previously active), ○ none of these."""
        return _SHAPES[self.state]

    @property
    def state(self) -> str:
        """The state in one word."""
        state = self.controller.state_of(self.fault)
        if state is FaultState.ACTIVE:
            return "active"
        if state is FaultState.PREVIOUSLY_ACTIVE:
            return "stored"
        return "silent" if self.controller.left_by_silence(self.fault) else "inactive"


_SHAPES = {"active": "●", "silent": "◌", "stored": "◇", "inactive": "○"}


def lanes_of(history: History) -> list[Lane]:
    """All lanes, in order."""
    lanes = [
        Lane(controller, fault) for controller in history.controllers.values() for fault in controller.faults.values()
    ]
    return sorted(lanes, key=_place)


def _place(lane: Lane) -> tuple[int, int, str, int, int, int]:
    controller, fault = lane
    group, time_ns = 2, -fault.last_seen_ns
    if fault.spans:
        last = fault.spans[-1]
        group, time_ns = (0, last.start_ns) if last.end_ns is None else (1, -last.end_ns)
    return group, time_ns, controller.channel, controller.source_address, fault.spn, fault.fmi
