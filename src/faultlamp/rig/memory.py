"""The fault memory of one controller: all its codes, what clearing does to them, and what was frozen with them.

Rules (SAE J1939-73, sections 5.7.3, 5.7.11, 5.7.22 and 5.7.28, from memory):
- Clearing previously active codes leaves the active ones; clearing all forgets both, with freeze frames, pending codes
  and the state of the monitors.
- A permanent code stays whatever is cleared, and goes when the controller itself has found its cause gone.
- A freeze frame belongs to the moment at which its code became active last.

Time only runs forward here: nothing before the last clearing can be looked up.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from enum import IntEnum
from itertools import pairwise

from faultlamp.j1939.diagnostics import Lamp
from faultlamp.rig.fault_memory import Change, Clearing, remember, state_at
from faultlamp.rig.scenario import Fault, PowerSpan, Windows, inside

_NS_PER_MINUTE = 60_000_000_000


class Found(IntEnum):
    """What the clearing of one code came to: done, or why not (the reasons of SAE J1939-73, section 5.7.22)."""

    DONE = -1
    UNKNOWN = 2
    NOT_PREVIOUSLY_ACTIVE = 3
    NOT_ACTIVE = 4


class Memory:
    """The codes of one controller through one playing of the scenario.

    version: goes up whenever clearing changed something. all_cleared_ns: when everything was cleared last.
    """

    def __init__(self, faults: Sequence[Fault], spans: Sequence[PowerSpan]) -> None:
        self.version = 0
        self.all_cleared_ns: int | None = None
        self._faults = tuple(faults)
        self._spans = tuple(spans)
        self._undisturbed = [remember(fault, spans) for fault in faults]
        self._changes = list(self._undisturbed)
        self._clearings: list[list[Clearing]] = [[] for _ in faults]
        self._floor_ns = 0

    def known(self, time_ns: int) -> list[tuple[Fault, Change]]:
        """The codes that are active or stored, in the scenario's order."""
        states = [(fault, self._state(place, time_ns)) for place, fault in enumerate(self._faults)]
        return [(fault, state) for fault, state in states if state is not None]

    def pending(self, time_ns: int) -> list[Fault]:
        """The codes that are being watched and not confirmed yet; clearing all forgets them until they come again."""
        time_ns = max(time_ns, self._floor_ns)
        cleared_ns = -1 if self.all_cleared_ns is None else self.all_cleared_ns
        return [
            fault for fault in self._faults
            if any(start_ns <= time_ns < end_ns and start_ns > cleared_ns for start_ns, end_ns in fault.pending)
        ]

    def permanent(self, time_ns: int) -> list[tuple[Fault, Change]]:
        """The permanent codes, with the count that they have without any clearing."""
        found = []
        for fault, changes in zip(self._faults, self._undisturbed, strict=True):
            state = state_at(fault, changes, time_ns)
            if fault.permanent and state is not None and state.active:
                found.append((fault, state))
        return found

    def frozen(self, time_ns: int) -> list[tuple[Fault, Change, int]]:
        """The known codes that became active in this scenario, the earliest first, each with when it did."""
        frames = []
        for place, fault in enumerate(self._faults):
            state = self._state(place, time_ns)
            began = [change.time_ns for change in self._changes[place] if change.active and change.time_ns <= time_ns]
            if state is not None and began:
                frames.append((fault, state, began[-1]))
        return sorted(frames, key=lambda frame: frame[2])

    def next_change_ns(self, after_ns: int) -> int | None:
        """When the next code changes, after that time."""
        nexts = []
        for changes in self._changes:
            place = bisect_right(changes, after_ns, key=lambda change: change.time_ns)
            nexts += [change.time_ns for change in changes[place : place + 1]]
        return min(nexts, default=None)

    def minutes_with_lamp(self, lamp: Lamp, time_ns: int) -> int:
        """Whole minutes of running engine in which the lamp was asked for, since everything was cleared last."""
        lit: list[tuple[int, int]] = []
        for fault, changes in zip(self._faults, self._changes, strict=True):
            if lamp in fault.lamps:
                ends_ns = [change.time_ns for change in changes[1:]] + [time_ns]
                lit += [(change.time_ns, min(end_ns, time_ns))
                        for change, end_ns in zip(changes, ends_ns, strict=True) if change.active]
        return self.minutes_running(time_ns, tuple(lit))

    def minutes_running(self, time_ns: int, within: Windows | None = None) -> int:
        """Whole minutes of running engine, since everything was cleared last; only those `within` the windows."""
        since_ns = self.all_cleared_ns or 0
        edges = sorted({since_ns, time_ns} | {edge for window in within or () for edge in window})
        total_ns = 0
        for start_ns, end_ns in ((start, end) for span in self._spans for start, end in span.running):
            cuts = [start_ns, *(edge for edge in edges if start_ns < edge < end_ns), end_ns]
            for begin_ns, stop_ns in pairwise(cuts):
                counted = since_ns <= begin_ns and stop_ns <= time_ns
                if counted and (within is None or inside(within, begin_ns)):
                    total_ns += stop_ns - begin_ns
        return total_ns // _NS_PER_MINUTE

    def clear_stored(self, time_ns: int) -> None:
        """Forget what is not active: DM3."""
        for place, _ in enumerate(self._faults):
            self._forget(place, Clearing(self._at(time_ns), wipes_active=False))

    def clear_all(self, time_ns: int) -> None:
        """Forget everything: DM11."""
        for place, _ in enumerate(self._faults):
            self._forget(place, Clearing(self._at(time_ns), wipes_active=True))
        self.all_cleared_ns = self._at(time_ns)

    def clear_one(self, time_ns: int, spn: int, fmi: int, *, active: bool) -> Found:
        """Forget one code, which must be `active` or previously active as asked: DM22."""
        places = [place for place, fault in enumerate(self._faults) if (fault.spn, fault.fmi) == (spn, fmi)]
        state = self._state(places[0], time_ns) if places else None
        if state is None:
            return Found.UNKNOWN
        if state.active is not active:
            return Found.NOT_ACTIVE if active else Found.NOT_PREVIOUSLY_ACTIVE
        self._forget(places[0], Clearing(self._at(time_ns), wipes_active=active))
        return Found.DONE

    def _at(self, time_ns: int) -> int:
        return max(time_ns, self._floor_ns)

    def _state(self, place: int, time_ns: int) -> Change | None:
        return state_at(self._faults[place], self._changes[place], self._at(time_ns))

    def _forget(self, place: int, clearing: Clearing) -> None:
        state = self._state(place, clearing.time_ns)
        if state is None or (state.active and not clearing.wipes_active):
            return
        # Once everything is forgotten it does not matter what was forgotten before: the list stays short.
        kept = [] if clearing.wipes_active else self._clearings[place]
        self._clearings[place] = [*kept, clearing]
        self._changes[place] = remember(self._faults[place], self._spans, self._clearings[place])
        self._floor_ns = clearing.time_ns
        self.version += 1
