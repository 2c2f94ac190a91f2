"""What one controller has to send in one key cycle.

Rules:
- After key on it boots, claims its address (SAE J1939-81), tells its identity, and starts its periodic groups.
- DM1 goes out once a second, with no code too, and at once when a code or a lamp changes (SAE J1939-73, 5.7.1).
- Requests are answered where it has the group. Asked alone it refuses what it does not have; asked together with
  all others it stays silent then (SAE J1939-21, 5.4.2).
- More than 8 bytes go as a broadcast, with 60 ms between frames (50 to 200 ms are allowed: SAE J1939-21, 5.10.3), or
  as a connection with the one that asked alone. One transfer at a time; the next waits.
- At key off it is silent, but for the rest of a transfer under way: its supply holds on for that long, 1 s at most.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from heapq import heappop, heappush, merge
from typing import NamedTuple

from faultlamp.j1939 import segmentation
from faultlamp.j1939.diagnostics import DM1, DM2, PGN_BY_DM, Dtc, Lamp, LampState
from faultlamp.j1939.identifier import GLOBAL_ADDRESS, build_identifier
from faultlamp.j1939.transport import TP_CM, TP_DT
from faultlamp.rig import messages
from faultlamp.rig.arbitration import Wanted
from faultlamp.rig.curves import Special
from faultlamp.rig.fault_memory import Change, state_at
from faultlamp.rig.layout import Group, Layout
from faultlamp.rig.scenario import Ecu, Fault, PowerSpan, Scenario, inside

DM1_PGN, DM2_PGN = PGN_BY_DM[DM1], PGN_BY_DM[DM2]

BROADCAST_SPACING_NS = 60_000_000
DM1_EVERY_NS = 1_000_000_000

_MS = 1_000_000
_HOLD_ON_NS = 1000 * _MS
_FIRST_GROUP_NS = 10 * _MS
_GROUP_STAGGER_NS = 3 * _MS
_FIRST_DM1_NS = 60 * _MS
_IDENTITY_NS = 300 * _MS
_ANSWER_NS = 12 * _MS
_HANDSHAKE_NS = 8 * _MS
_CONNECTION_SPACING_NS = 6 * _MS
_PRIORITY = 6
_TRANSPORT_PRIORITY = 7
# The more urgent one wins when two codes ask for the same lamp.
_URGENCY = (LampState.ON, LampState.SLOW_FLASH, LampState.FAST_FLASH)


class _Job(NamedTuple):
    """A message that falls due; `asked_by` is the address that asked for it alone, 255 for everybody's."""

    due_ns: int
    pgn: int
    asked_by: int


@dataclass(frozen=True, slots=True)
class Controller:
    """One controller awake, from key on to key off; `until_ns` is when the next key on comes at the earliest."""

    scenario: Scenario
    ecu: Ecu
    memory: Sequence[tuple[Fault, Sequence[Change]]]
    span: PowerSpan
    until_ns: int
    layout: Layout

    def frames(self) -> Iterator[Wanted]:
        """Everything it wants to send, in order of time."""
        groups = [(group, every) for name, every in self.ecu.groups.items() if (group := self.layout.group(name))]
        periodic = [self._periodic(group, every, place) for place, (group, every) in enumerate(groups)]
        last_ns = min(self.span.off_ns + _HOLD_ON_NS, self.until_ns)
        for frame in merge(*periodic, self._messages()):
            if frame.time_ns >= last_ns:
                return
            yield frame

    @property
    def _awake_ns(self) -> int:
        return self.span.on_ns + self.ecu.boot_ns

    def _periodic(self, group: Group, every_ns: int, place: int) -> Iterator[Wanted]:
        can_id = build_identifier(group.priority, group.pgn, self.ecu.address)
        first_ns = self._awake_ns + _FIRST_GROUP_NS + place * _GROUP_STAGGER_NS
        for time_ns in range(first_ns, self.span.off_ns, every_ns):
            yield Wanted(time_ns, can_id, group.encode(self._values(group, time_ns)))

    def _values(self, group: Group, time_ns: int) -> Mapping[int, float | Special]:
        tracks = self.scenario.tracks
        values = {spn: tracks[spn].value(time_ns) for spn in group.slots if spn in tracks}
        for override in self.scenario.overrides:
            mine = override.ecu in (None, self.ecu.name) and override.spn in group.slots
            if mine and inside(override.windows, time_ns):
                values[override.spn] = override.state
        return values

    def _messages(self) -> Iterator[Wanted]:
        """Everything that is not periodic readings, one transfer after the other."""
        outbox: list[Wanted] = []
        free_ns = last_dm1_ns = -1
        for job in merge(self._announcements(), self._dm1_jobs(), self._answers()):
            while outbox and outbox[0].time_ns <= job.due_ns:
                yield heappop(outbox)
            is_dm1 = job.pgn == DM1_PGN and job.asked_by == GLOBAL_ADDRESS
            if is_dm1 and job.due_ns < last_dm1_ns:
                continue  # the one before waited for the bus and said it already
            start_ns, payload = job.due_ns, self._payload(job.pgn, job.due_ns)
            if payload is not None and len(payload) > segmentation.SINGLE_FRAME and start_ns < free_ns:
                start_ns, payload = free_ns, self._payload(job.pgn, free_ns)
            if start_ns >= self.span.off_ns:
                continue
            if is_dm1:
                last_dm1_ns = start_ns
            for frame in self._transfer(job, payload, start_ns):
                heappush(outbox, frame)
                if payload is not None and len(payload) > segmentation.SINGLE_FRAME:
                    free_ns = max(free_ns, frame.time_ns + BROADCAST_SPACING_NS)
        while outbox:
            yield heappop(outbox)

    def _announcements(self) -> Iterator[_Job]:
        yield _Job(self._awake_ns, messages.ADDRESS_CLAIMED_PGN, GLOBAL_ADDRESS)
        for pgn in self._identity():
            yield _Job(self._awake_ns + _IDENTITY_NS, pgn, GLOBAL_ADDRESS)

    def _identity(self) -> dict[int, bytes]:
        texts = {}
        if self.ecu.software:
            software = messages.software_identification(self.ecu.software)
            texts[messages.SOFTWARE_IDENTIFICATION_PGN] = software
        if self.ecu.component:
            component = messages.component_identification(self.ecu.component)
            texts[messages.COMPONENT_IDENTIFICATION_PGN] = component
        if self.ecu.vin:
            texts[messages.VEHICLE_IDENTIFICATION_PGN] = messages.vehicle_identification(self.ecu.vin)
        return texts

    def _dm1_jobs(self) -> Iterator[_Job]:
        changes = {change.time_ns for _, changes in self.memory for change in changes}
        changes.add(self.span.on_ns + self.ecu.lamp_check_ns)
        due_ns = self._awake_ns + _FIRST_DM1_NS
        for change_ns in [*sorted(change for change in changes if change > due_ns), self.span.off_ns]:
            while due_ns < min(change_ns, self.span.off_ns):
                yield _Job(due_ns, DM1_PGN, GLOBAL_ADDRESS)
                due_ns += DM1_EVERY_NS
            due_ns = change_ns

    def _answers(self) -> Iterator[_Job]:
        address = self.ecu.address
        for request in self.scenario.requests:
            for_me = request.destination in (GLOBAL_ADDRESS, address)
            if for_me and self._awake_ns <= request.time_ns < self.span.off_ns:
                alone = request.destination == address
                due_ns = request.time_ns + _ANSWER_NS
                yield _Job(due_ns, request.pgn, request.source if alone else GLOBAL_ADDRESS)

    def _payload(self, pgn: int, time_ns: int) -> bytes | None:
        """The message of a group at that time, None when this controller has no such group."""
        if pgn in (DM1_PGN, DM2_PGN):
            return self._codes(active=pgn == DM1_PGN, time_ns=time_ns)
        if pgn == messages.ADDRESS_CLAIMED_PGN:
            return self.ecu.claim.to_bytes()
        for name in self.ecu.groups:
            group = self.layout.group(name)
            if group is not None and group.pgn == pgn:
                return group.encode(self._values(group, time_ns))
        return self._identity().get(pgn)

    def _codes(self, *, active: bool, time_ns: int) -> bytes:
        lamps = dict.fromkeys(self.ecu.lamps, LampState.OFF)
        dtcs = []
        for fault, changes in self.memory:
            now = state_at(fault, changes, time_ns)
            if now is None:
                continue
            if now.active:
                _light(lamps, fault)
            if now.active is active:
                dtcs.append(Dtc(fault.spn, fault.fmi, now.occurrence_count, 0))
        if time_ns < self.span.on_ns + self.ecu.lamp_check_ns:
            lamps = dict.fromkeys(self.ecu.lamps, LampState.ON)
        return messages.diagnostic_message(lamps, dtcs)

    def _transfer(self, job: _Job, payload: bytes | None, start_ns: int) -> Iterator[Wanted]:
        """The frames of one message, from `start_ns` on; None stands for a group that is not there."""
        address = self.ecu.address
        if payload is None:
            if job.asked_by != GLOBAL_ADDRESS:
                refusal = messages.not_acknowledged(job.pgn, job.asked_by)
                can_id = build_identifier(_PRIORITY, messages.ACKNOWLEDGEMENT_PGN, address)
                yield Wanted(start_ns, can_id, refusal)
        elif len(payload) <= segmentation.SINGLE_FRAME or job.asked_by == GLOBAL_ADDRESS:
            long = len(payload) > segmentation.SINGLE_FRAME
            priority = _TRANSPORT_PRIORITY if long else _PRIORITY
            for can_id, data in segmentation.broadcast(job.pgn, address, payload, priority):
                yield Wanted(start_ns, can_id, data)
                start_ns += BROADCAST_SPACING_NS
        else:
            yield from _connection(address, job.asked_by, job.pgn, payload, start_ns)


def _connection(source: int, destination: int, pgn: int, payload: bytes, start_ns: int) -> Iterator[Wanted]:
    """A whole connection, the receiver's frames included: it lets everything come at once and acknowledges it."""
    control = build_identifier(_TRANSPORT_PRIORITY, TP_CM, source, destination)
    back = build_identifier(_TRANSPORT_PRIORITY, TP_CM, destination, source)
    packet = build_identifier(_TRANSPORT_PRIORITY, TP_DT, source, destination)
    count = segmentation.packet_count(len(payload))
    yield Wanted(start_ns, control, segmentation.request_to_send(len(payload), pgn))
    start_ns += _HANDSHAKE_NS
    yield Wanted(start_ns, back, segmentation.clear_to_send(count, 1, pgn))
    start_ns += _HANDSHAKE_NS
    for data in segmentation.data_packets(payload):
        yield Wanted(start_ns, packet, data)
        start_ns += _CONNECTION_SPACING_NS
    yield Wanted(start_ns + _HANDSHAKE_NS, back, segmentation.end_of_message(len(payload), pgn))


def _light(lamps: dict[Lamp, LampState], fault: Fault) -> None:
    for lamp in fault.lamps:
        asked = lamps[lamp]
        if asked is LampState.OFF or _URGENCY.index(fault.flash) > _URGENCY.index(asked):
            lamps[lamp] = fault.flash
