"""What one controller has reported: its faults and the lamps it asked for, as spans of time.

Rule: SAE J1939-73, section 5.7.1. A controller repeats DM1, the list of its active faults, each second and whenever
the list changes. So a fault is active from the first DM1 that lists it to the first that does not; and a controller
that sends no DM1 for 5 s is silent: its spans end at its last DM1, because nothing is known about what came after.
Packets of a multi-packet DM1 under way count as sending, since a long list takes longer than 5 s on the bus.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

from faultlamp.history.changes import Change, OnChange, What
from faultlamp.history.room import Room
from faultlamp.history.spans import SILENCE_NS, EndReason, Span
from faultlamp.j1939.diagnostics import DM1, DM2, DiagnosticReport, Dtc, Lamp, Lamps, LampState


class FaultState(StrEnum):
    """What is true of a fault now."""

    ACTIVE = "active"
    PREVIOUSLY_ACTIVE = "previously_active"
    INACTIVE = "inactive"


@dataclass(slots=True)
class Fault:
    """One pair of SPN and FMI of one controller, from its first mention on.

    occurrence_count: the last number reported, None when there never was one; first_occurrence_count: the first one.
    conversion_method: the CM bit.
    first_seen_ns, last_seen_ns: first and last message of any kind that lists it. reported_in: DM numbers.
    """

    spn: int
    fmi: int
    occurrence_count: int | None
    conversion_method: int
    first_seen_ns: int
    last_seen_ns: int
    spans: list[Span] = field(default_factory=list)
    reported_in: set[int] = field(default_factory=set)
    first_occurrence_count: int | None = None

    @property
    def active(self) -> bool:
        """Listed by the latest DM1, as far as anybody knows."""
        return bool(self.spans) and self.spans[-1].open

    def mention(self, time_ns: int, dm: int, dtc: Dtc) -> None:
        """A message of kind `dm` lists it."""
        self.last_seen_ns = time_ns
        self.reported_in.add(dm)
        self.conversion_method = dtc.conversion_method
        if dtc.occurrence_count is not None:
            self.occurrence_count = dtc.occurrence_count
            if self.first_occurrence_count is None:
                self.first_occurrence_count = dtc.occurrence_count


@dataclass(slots=True)
class LampSpan:
    """A lamp asked to be in one state from `start_ns` to `end_ns` (None: still)."""

    state: LampState
    start_ns: int
    end_ns: int | None = None


_LAMPS = tuple(Lamp)
_Pair = tuple[int, int]


class Controller:
    """The faults and lamps of one source address on one channel."""

    def __init__(self, channel: str, source_address: int, room: Room, on_change: OnChange) -> None:
        self.channel = channel
        self.source_address = source_address
        self.faults: dict[_Pair, Fault] = {}
        self.lamp_spans: dict[Lamp, list[LampSpan]] = {lamp: [] for lamp in Lamp}
        self.last_dm1_ns: int | None = None
        self._room = room
        self._on_change = on_change
        self._active: dict[_Pair, Fault] = {}
        self._lamps: Lamps | None = None
        self._latest_dm2: set[_Pair] = set()
        self._last_activity_ns: int | None = None

    @property
    def active_faults(self) -> list[Fault]:
        """Faults that are active now, oldest first."""
        return list(self._active.values())

    @property
    def lamps(self) -> Lamps | None:
        """What the latest DM1 asks of the lamps, in the order of `Lamp`; None before the first, or when silent."""
        return self._lamps

    def state_of(self, fault: Fault) -> FaultState:
        """Active, previously active (the latest DM2 lists it and no DM1 has since), or neither."""
        if fault.active:
            return FaultState.ACTIVE
        if (fault.spn, fault.fmi) in self._latest_dm2:
            return FaultState.PREVIOUSLY_ACTIVE
        return FaultState.INACTIVE

    def left_by_silence(self, fault: Fault) -> bool:
        """Whether the last DM1 before a silence listed it; a controller that came back since has said more."""
        last = fault.spans[-1] if fault.spans else None
        return last is not None and last.reason is EndReason.SILENT and last.end_ns == self.last_dm1_ns

    def sending(self, time_ns: int) -> None:
        """A DM1, or a part of one under way, is on the bus."""
        self.advance(time_ns)
        self._last_activity_ns = time_ns

    def report(self, time_ns: int, report: DiagnosticReport) -> None:
        """A whole message of the DM family arrived."""
        if report.dm == DM1:
            self.sending(time_ns)
            self._show_lamps(time_ns, report.lamps)
        listed: dict[_Pair, Fault] = {}
        for dtc in report.dtcs:
            fault = self._mention(time_ns, report.dm, dtc)
            if fault is not None:
                listed[dtc.spn, dtc.fmi] = fault
        if report.dm == DM1:
            self.last_dm1_ns = time_ns
            self._latest_dm2.difference_update(listed)
            self._activate(time_ns, listed)
        elif report.dm == DM2:
            self._latest_dm2 = set(listed)

    def advance(self, now_ns: int) -> None:
        """Nothing came until `now_ns`: fall silent when that is too long."""
        if self._last_activity_ns is not None and now_ns - self._last_activity_ns >= SILENCE_NS:
            self._close(self.last_dm1_ns)

    def break_off(self, last_ns: int) -> None:
        """The clock stepped back after `last_ns`: what was open then ends there."""
        self.advance(last_ns)
        self._close(last_ns)

    def _mention(self, time_ns: int, dm: int, dtc: Dtc) -> Fault | None:
        fault = self.faults.get((dtc.spn, dtc.fmi))
        if fault is None:
            if not self._room.take_fault():
                return None
            fault = Fault(dtc.spn, dtc.fmi, None, dtc.conversion_method, time_ns, time_ns)
            self.faults[dtc.spn, dtc.fmi] = fault
        fault.mention(time_ns, dm, dtc)
        return fault

    def _activate(self, time_ns: int, listed: dict[_Pair, Fault]) -> None:
        if self._active.keys() == listed.keys():
            return
        for pair, fault in list(self._active.items()):
            if pair not in listed:
                del self._active[pair]
                fault.spans[-1].close(time_ns, EndReason.CLEARED)
                self._tell(time_ns, What.FAULT_CLEARED, fault)
        for pair, fault in listed.items():
            if pair not in self._active and self._room.take_span():
                self._active[pair] = fault
                fault.spans.append(Span(time_ns))
                self._tell(time_ns, What.FAULT_ACTIVE, fault)

    def _show_lamps(self, time_ns: int, lamps: Lamps) -> None:
        before = self._lamps
        if lamps == before:
            return
        for place, (lamp, state) in enumerate(zip(_LAMPS, lamps, strict=True)):
            if before is not None and before[place] is state:
                continue
            spans = self.lamp_spans[lamp]
            if before is not None and spans:
                _end_lamp(spans, time_ns)
            if self._room.take_span():
                spans.append(LampSpan(state, time_ns))
            self._on_change(
                Change(time_ns, What.LAMP, self.channel, self.source_address, detail=f"{lamp} {state}")
            )
        self._lamps = lamps

    def _close(self, end_ns: int | None) -> None:
        """End all that is open at `end_ns`, as silent."""
        if end_ns is not None:
            for fault in self._active.values():
                fault.spans[-1].close(end_ns, EndReason.SILENT)
                self._tell(end_ns, What.FAULT_SILENT, fault)
            for spans in self.lamp_spans.values():
                _end_lamp(spans, end_ns)
        self._active.clear()
        self._lamps = None
        self._last_activity_ns = None

    def _tell(self, time_ns: int, what: What, fault: Fault) -> None:
        self._on_change(Change(time_ns, what, self.channel, self.source_address, fault.spn, fault.fmi))


def _end_lamp(spans: list[LampSpan], end_ns: int) -> None:
    if spans and spans[-1].end_ns is None:
        spans[-1].end_ns = end_ns
