"""What one controller has to tell, group by group, at any time of the scenario.

Rule: everything follows from the scenario and the fault memory. After everything was cleared the monitors are not
complete and what is counted 'since clearing' starts at nothing (SAE J1939-73, section 5.7.11, from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping

from faultlamp.j1939.diagnostics import Dtc, Lamp, LampState
from faultlamp.j1939.requests import ADDRESS_CLAIMED_PGN
from faultlamp.rig.curves import Special
from faultlamp.rig.fault_memory import GOOD_START_NS, Change
from faultlamp.rig.layout import Group, Layout
from faultlamp.rig.memory import Memory
from faultlamp.rig.messages import codes, frozen, identity, monitors
from faultlamp.rig.messages.monitors import Monitor
from faultlamp.rig.scenario import Clears, Ecu, Fault, Obd, Scenario, inside, power_spans

# The more urgent one wins when two codes ask for the same lamp.
_URGENCY = (LampState.ON, LampState.SLOW_FLASH, LampState.FAST_FLASH)
_S = 1_000_000_000


class Contents:
    """The messages of one controller; `memory` is its own and may be cleared in between. Times as in the scenario."""

    def __init__(self, scenario: Scenario, ecu: Ecu, memory: Memory, layout: Layout) -> None:
        self.scenario = scenario
        self.ecu = ecu
        self.memory = memory
        self._layout = layout
        self._spans = power_spans(scenario.phases)
        self._groups = [group for name in ecu.groups if (group := layout.group(name)) is not None]
        self._texts = _identity(ecu)
        self._others: dict[int, Callable[[int], bytes]] = {codes.DM1_PGN: self._active, codes.DM2_PGN: self._stored}
        if ecu.freeze_frames:
            self._others[frozen.DM4_PGN] = self._freeze_frames
        if ecu.obd is not None:
            self._others |= self._duties(ecu.obd)
        else:
            self._others[monitors.DM5_PGN] = lambda time_ns: self._readiness({}, 5, time_ns)

    def payload(self, pgn: int, time_ns: int) -> bytes | None:
        """The message of a group at that time, None when this controller has no such group."""
        if pgn in self._others:
            return self._others[pgn](time_ns)
        if pgn == ADDRESS_CLAIMED_PGN:
            return self.ecu.claim.to_bytes()
        for group in self._groups:
            if group.pgn == pgn:
                return self.periodic(group, time_ns)
        return self._texts.get(pgn)

    def identity_pgns(self) -> list[int]:
        """The groups that it broadcasts about itself after key on, in their order."""
        told = (identity.SOFTWARE_IDENTIFICATION_PGN, identity.COMPONENT_IDENTIFICATION_PGN,
                identity.VEHICLE_IDENTIFICATION_PGN)
        return [pgn for pgn in told if pgn in self._texts]

    def periodic(self, group: Group, time_ns: int) -> bytes:
        """A group of readings."""
        return group.encode(self._values(group.slots, time_ns))

    def results(self, command: bytes) -> bytes | None:
        """The answer to a DM7: the stored results of the SPN it names; None when there are none."""
        spn = monitors.wanted_results(command)
        results = [result for result in self.ecu.obd.results if result.spn == spn] if self.ecu.obd else []
        return monitors.test_results(results) if results else None

    def may_clear(self, time_ns: int) -> bool:
        """Whether it lets its codes be cleared then."""
        if self.ecu.clears is Clears.STOPPED:
            return not self.scenario.engine_turns(time_ns)
        return self.ecu.clears is Clears.ALWAYS

    def _values(self, wanted: Mapping[int, object], time_ns: int) -> Mapping[int, float | Special]:
        tracks = self.scenario.tracks
        values = {spn: tracks[spn].value(time_ns) for spn in wanted if spn in tracks}
        for override in self.scenario.overrides:
            mine = override.ecu in (None, self.ecu.name) and override.spn in wanted
            if mine and inside(override.windows, time_ns):
                values[override.spn] = override.state
        return values

    # ---- codes

    def _active(self, time_ns: int) -> bytes:
        return self._codes(time_ns, lambda fault, now: now.active)

    def _stored(self, time_ns: int) -> bytes:
        return self._codes(time_ns, lambda fault, now: not now.active)

    def _codes(self, time_ns: int, listed: Callable[[Fault, Change], bool]) -> bytes:
        known = self.memory.known(time_ns)
        return self._message(time_ns, [(fault, now) for fault, now in known if listed(fault, now)])

    def _message(self, time_ns: int, listed: Iterable[tuple[Fault, Change | None]]) -> bytes:
        dtcs = [Dtc(fault.spn, fault.fmi, now.occurrence_count if now else 0, 0) for fault, now in listed]
        return codes.diagnostic_message(self._lamps(time_ns), dtcs)

    def _lamps(self, time_ns: int) -> Mapping[Lamp, LampState]:
        if any(span.on_ns <= time_ns < span.on_ns + self.ecu.lamp_check_ns for span in self._spans):
            return dict.fromkeys(self.ecu.lamps, LampState.ON)
        lamps = dict.fromkeys(self.ecu.lamps, LampState.OFF)
        for fault, now in self.memory.known(time_ns):
            if now.active:
                _light(lamps, fault)
        return lamps

    # ---- what was frozen

    def _freeze_frames(self, time_ns: int) -> bytes:
        return self._frames(time_ns, frozen.FREEZE_FRAME_SPNS)

    def _frames(self, time_ns: int, lengths: Mapping[int, int]) -> bytes:
        stored = self.memory.frozen(time_ns)[: self.ecu.freeze_frames]
        return frozen.freeze_frames(
            (Dtc(fault.spn, fault.fmi, now.occurrence_count, 0), self._readings(lengths, began_ns))
            for fault, now, began_ns in stored
        )

    def _readings(self, lengths: Mapping[int, int], time_ns: int) -> bytes:
        values = self._values(lengths, time_ns)
        parts = []
        for spn, length in lengths.items():
            value, slot = values.get(spn, Special.NOT_AVAILABLE), self._layout.slot(spn)
            if isinstance(value, Special) or slot is None:
                parts.append(b"\x00" * (length - 1) + b"\xfe" if value is Special.ERROR else b"\xff" * length)
            else:
                parts.append(slot.raw(value).to_bytes(length, "little"))
        return b"".join(parts)

    # ---- emission-related duties

    def _duties(self, obd: Obd) -> dict[int, Callable[[int], bytes]]:
        memory = self.memory
        duties: dict[int, Callable[[int], bytes]] = {
            codes.DM6_PGN: lambda at: self._message(at, [(f, None) for f in memory.pending(at) if f.emissions]),
            codes.DM12_PGN: lambda at: self._codes(at, lambda fault, now: fault.emissions and now.active),
            codes.DM23_PGN: lambda at: self._codes(at, lambda fault, now: fault.emissions and not now.active),
            codes.DM27_PGN: lambda at: self._message(at, [(fault, None) for fault in memory.pending(at)]),
            codes.DM28_PGN: lambda at: self._message(at, memory.permanent(at)),
            monitors.DM5_PGN: lambda at: self._readiness(self._monitors(obd), obd.compliance, at),
            monitors.DM21_PGN: lambda at: self._since_clearing(obd, at),
            monitors.DM26_PGN: lambda at: monitors.drive_readiness(
                self._running_s(at), 0 if self._cleared else obd.warm_ups, self._monitors(obd)
            ),
            monitors.DM29_PGN: self._counts,
        }
        if obd.calibrations:
            duties[identity.CALIBRATION_PGN] = lambda at: identity.calibration_information(obd.calibrations)
        if obd.ratios:
            duties[monitors.DM20_PGN] = lambda at: monitors.performance(
                obd.ignition_cycles + self._cycles(at), obd.conditions_met, obd.ratios
            )
        if obd.expanded:
            lengths = self._layout.lengths()
            sizes = {spn: lengths[spn] for spn in obd.expanded}
            tested = {result.spn for result in obd.results}
            sent = {spn for group in self._groups for spn in group.slots}
            duties[frozen.DM24_PGN] = lambda at: frozen.supported_spns(list(sizes.items()), sent, tested)
            duties[frozen.DM25_PGN] = lambda at: self._frames(at, sizes)
        return duties

    @property
    def _cleared(self) -> bool:
        return self.memory.all_cleared_ns is not None

    def _monitors(self, obd: Obd) -> Mapping[str, Monitor]:
        return dict.fromkeys(obd.monitors, Monitor.INCOMPLETE) if self._cleared else obd.monitors

    def _readiness(self, states: Mapping[str, Monitor], compliance: int, time_ns: int) -> bytes:
        active = [now.active for _, now in self.memory.known(time_ns)]
        return monitors.readiness(sum(active), len(active) - sum(active), compliance, states)

    def _since_clearing(self, obd: Obd, time_ns: int) -> bytes:
        lit = self.memory.minutes_with_lamp(Lamp.MALFUNCTION_INDICATOR, time_ns)
        ran = self.memory.minutes_running(time_ns)
        if self._cleared:
            return monitors.since_clearing(0, 0, lit, ran)
        return monitors.since_clearing(
            obd.km_with_lamp, obd.km_since_clearing, obd.minutes_with_lamp + lit, obd.minutes_since_clearing + ran
        )

    def _counts(self, time_ns: int) -> bytes:
        known, pending = self.memory.known(time_ns), self.memory.pending(time_ns)
        emissions = [now.active for fault, now in known if fault.emissions]
        return monitors.code_counts(
            sum(fault.emissions for fault in pending), len(pending), sum(emissions),
            len(emissions) - sum(emissions), len(self.memory.permanent(time_ns)),
        )

    def _running_s(self, time_ns: int) -> int:
        """Seconds since the engine was started; 0 when it does not run."""
        running = (window for span in self._spans for window in span.running)
        return next((time_ns - start_ns for start_ns, end_ns in running if start_ns <= time_ns < end_ns), 0) // _S

    def _cycles(self, time_ns: int) -> int:
        """How often the engine has been started well, up to now."""
        return sum(
            any(start_ns + GOOD_START_NS <= min(time_ns, end_ns) for start_ns, end_ns in span.running)
            for span in self._spans
        )


def _identity(ecu: Ecu) -> dict[int, bytes]:
    texts = {}
    if ecu.software:
        texts[identity.SOFTWARE_IDENTIFICATION_PGN] = identity.software_identification(ecu.software)
    if ecu.component:
        texts[identity.COMPONENT_IDENTIFICATION_PGN] = identity.component_identification(ecu.component)
    if ecu.vin:
        texts[identity.VEHICLE_IDENTIFICATION_PGN] = identity.vehicle_identification(ecu.vin)
    if ecu.identification:
        texts[identity.ECU_IDENTIFICATION_PGN] = identity.ecu_identification(ecu.identification)
    return texts


def _light(lamps: dict[Lamp, LampState], fault: Fault) -> None:
    for lamp in fault.lamps:
        asked = lamps[lamp]
        if asked is LampState.OFF or _URGENCY.index(fault.flash) > _URGENCY.index(asked):
            lamps[lamp] = fault.flash
