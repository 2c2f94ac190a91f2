"""How a fault stands at the end, and in which order faults are named.

Rule: active when the latest DM1 lists it; not known (silent) when it was active in the last DM1 of a controller that
then fell silent; stored when the latest DM2 lists it; else gone (SAE J1939-73, section 5.7.1 and docs/faults-json.md).
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from operator import attrgetter
from typing import NamedTuple

from faultlamp.history.controllers import Controller, Fault, FaultState, LampSpan
from faultlamp.history.history import History
from faultlamp.history.spans import EndReason
from faultlamp.j1939.diagnostics import LAMP_PLACES, Lamp, LampState
from faultlamp.knowledge.crosswalk import LAMP_WORDS

ACTIVE, SILENT, STORED, GONE = "active", "silent", "stored", "inactive"
SHAPES = {ACTIVE: "●", SILENT: "◌", STORED: "◇", GONE: "○"}
WORDS = {
    ACTIVE: "active", SILENT: "not known: its controller fell silent", STORED: "stored (previously active)",
    GONE: "gone",
}
_RANKS = {ACTIVE: 0, SILENT: 1, STORED: 2, GONE: 2}


class Standing(NamedTuple):
    """A fault with its controller and how it stands.

    lamps: those asked for by the last DM1 that listed it, the gravest first; None: none did, or nobody knows.
    """

    controller: Controller
    fault: Fault
    state: str
    lamps: tuple[Lamp, ...] | None


def standings(history: History) -> list[Standing]:
    """All faults: active ones first, the one that began first on top; then those last seen last."""
    found = [
        Standing(controller, fault, state_of(controller, fault), _lamps(history, controller, fault))
        for controller in history.controllers.values() for fault in controller.faults.values()
    ]
    return sorted(found, key=_place)


def _lamps(history: History, controller: Controller, fault: Fault) -> tuple[Lamp, ...] | None:
    if fault.active:
        return asked_for(controller)
    # Where the clock stepped back the spans are not in order, and lamps of another time may lie over the fault's.
    return None if history.clock_steps else asked_for_with(controller, fault)


def state_of(controller: Controller, fault: Fault) -> str:
    """One of the four."""
    state = controller.state_of(fault)
    if state is FaultState.ACTIVE:
        return ACTIVE
    if state is FaultState.PREVIOUSLY_ACTIVE:
        return STORED
    return SILENT if controller.left_by_silence(fault) else GONE


def asked_for(controller: Controller) -> tuple[Lamp, ...] | None:
    """The lamps that a controller asks to shine, the gravest first; None while it reports none."""
    lamps = controller.lamps
    return None if lamps is None else tuple(lamp for lamp in LAMP_WORDS if lamps[LAMP_PLACES[lamp]].lit)


def asked_for_with(controller: Controller, fault: Fault) -> tuple[Lamp, ...] | None:
    """The lamps of the last DM1 that listed a fault which is active no more; None where they are not to be found."""
    if not fault.spans:
        return None
    listed = fault.spans[-1]
    end_ns = listed.start_ns if listed.end_ns is None else listed.end_ns
    # A span ends with the first DM1 that does not list the fault, or with the last one before a silence.
    latest_ns = max(end_ns - (listed.reason is EndReason.CLEARED), listed.start_ns)
    states = {lamp: _state_at(spans, latest_ns) for lamp, spans in controller.lamp_spans.items()}
    if all(state is None for state in states.values()):
        return None
    return tuple(lamp for lamp in LAMP_WORDS if (state := states[lamp]) is not None and state.lit)


def _state_at(spans: Sequence[LampSpan], time_ns: int) -> LampState | None:
    place = bisect_right(spans, time_ns, key=attrgetter("start_ns")) - 1
    if place < 0:
        return None
    span = spans[place]
    return span.state if span.end_ns is None or span.end_ns >= time_ns else None


def last_asked_for(controller: Controller, lamp: Lamp) -> bool:
    """Whether the last report of a controller that fell silent asked for the lamp."""
    spans = controller.lamp_spans[lamp]
    silent = controller.lamps is None and controller.last_dm1_ns is not None
    return silent and bool(spans) and spans[-1].state.lit and spans[-1].end_ns == controller.last_dm1_ns


def _place(one: Standing) -> tuple[int, int, str, int, int, int]:
    controller, fault, state, _ = one
    time_ns = -fault.last_seen_ns
    if fault.spans:
        last = fault.spans[-1]
        time_ns = last.start_ns if last.end_ns is None else -last.end_ns
    rank = _RANKS[state] if fault.spans else 3
    return rank, time_ns, controller.channel, controller.source_address, fault.spn, fault.fmi
