"""What one controller has to send by itself in one key cycle, and its replies to the requests of the scenario.

Rules:
- After key on it boots, claims its address (SAE J1939-81), tells its identity, and starts its periodic groups.
- DM1 goes out once a second, with no code too, and at once when a code or a lamp changes (SAE J1939-73, 5.7.1).
- More than 8 bytes go as a broadcast, with 60 ms between frames (50 to 200 ms are allowed: SAE J1939-21, 5.10.3), or
  as a connection with the one that asked alone. One transfer at a time; the next waits.
- At key off it is silent, but for the rest of a transfer under way: its supply holds on for that long, 1 s at most.

The fault memory may be cleared from outside while this runs. So a message is made no earlier than at its time: before
it is, and every 100 ms, a moment without a frame comes out, at which whoever plays in real time waits.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from heapq import heappop, heappush, merge
from typing import NamedTuple

from faultlamp.j1939 import segmentation
from faultlamp.j1939.identifier import GLOBAL_ADDRESS, build_identifier
from faultlamp.j1939.requests import ADDRESS_CLAIMED_PGN
from faultlamp.j1939.transport import TP_CM
from faultlamp.rig import shapes
from faultlamp.rig.arbitration import Wanted, moment
from faultlamp.rig.contents import Contents
from faultlamp.rig.layout import Group, Layout
from faultlamp.rig.manners import Manner, Temper
from faultlamp.rig.messages.codes import DM1_PGN
from faultlamp.rig.replies import Question, Reply, reply_to
from faultlamp.rig.rivals import conflict, loses_address, told_when_asked
from faultlamp.rig.scenario import Ecu, PowerSpan

ANSWER_NS = 12_000_000
BROADCAST_SPACING_NS = 60_000_000
DM1_EVERY_NS = 1_000_000_000

_MS = 1_000_000
_HOLD_ON_NS = 1000 * _MS
_FIRST_GROUP_NS = 10 * _MS
_GROUP_STAGGER_NS = 3 * _MS
_FIRST_DM1_NS = 60 * _MS
_IDENTITY_NS = 300 * _MS
_HANDSHAKE_NS = 8 * _MS
_CONNECTION_SPACING_NS = 6 * _MS
_MOMENT_NS = 100 * _MS


class _Job(NamedTuple):
    """A message that falls due; `asked_by` is the address that asked for it alone, 255 for everybody's."""

    due_ns: int
    pgn: int
    asked_by: int
    manner: Manner = Manner.ANSWER


@dataclass(frozen=True, slots=True)
class Controller:
    """One controller awake, from key on to key off; `until_ns` is when the next key on comes at the earliest."""

    contents: Contents
    span: PowerSpan
    until_ns: int
    layout: Layout
    temper: Temper

    def frames(self) -> Iterator[Wanted]:
        """Everything it wants to send, in order of time, with the moments at which its memory is looked at."""
        if loses_address(self._ecu):
            yield from merge(self._own_claim(), conflict(self._ecu, self.awake_ns), self._rival_answers())
            return
        groups = [(group, every) for name, every in self._ecu.groups.items() if (group := self.layout.group(name))]
        periodic = [self._periodic(group, every, place) for place, (group, every) in enumerate(groups)]
        last_ns = min(self.span.off_ns + _HOLD_ON_NS, self.until_ns)
        rival = merge(conflict(self._ecu, self.awake_ns), self._rival_answers())
        for frame in merge(*periodic, self._messages(), rival):
            if frame.time_ns >= last_ns:
                return
            yield frame

    @property
    def awake_ns(self) -> int:
        """When it has booted."""
        return self.span.on_ns + self._ecu.boot_ns

    @property
    def _ecu(self) -> Ecu:
        return self.contents.ecu

    def _periodic(self, group: Group, every_ns: int, place: int) -> Iterator[Wanted]:
        can_id = build_identifier(group.priority, group.pgn, self._ecu.address)
        first_ns = self.awake_ns + _FIRST_GROUP_NS + place * _GROUP_STAGGER_NS
        for time_ns in range(first_ns, self.span.off_ns, every_ns):
            yield Wanted(time_ns, can_id, self.contents.periodic(group, time_ns))

    def _messages(self) -> Iterator[Wanted]:
        """Everything that is not periodic readings, one transfer after the other."""
        outbox: list[Wanted] = []
        free_ns = last_dm1_ns = -1
        planned = merge(self._announcements(), self._answers())
        job = next(planned, None)
        now_ns = self.awake_ns
        dm1_ns, version = now_ns + _FIRST_DM1_NS, self.contents.memory.version
        while job is not None or dm1_ns < self.span.off_ns:
            dm1 = _Job(dm1_ns, DM1_PGN, GLOBAL_ADDRESS)
            due = dm1 if job is None or (dm1_ns < self.span.off_ns and dm1 < job) else job
            now_ns = min(due.due_ns, now_ns + _MOMENT_NS)
            while outbox and outbox[0].time_ns <= now_ns:
                yield heappop(outbox)
            yield moment(now_ns)
            if self.contents.memory.version != version:
                version, dm1_ns = self.contents.memory.version, min(dm1_ns, now_ns)
                continue
            if due.due_ns > now_ns:
                continue
            if due is job:
                job = next(planned, None)
            else:
                dm1_ns = self._next_dm1_ns(now_ns)
            is_dm1 = (due.pgn, due.asked_by) == (DM1_PGN, GLOBAL_ADDRESS)
            if is_dm1 and now_ns < last_dm1_ns:
                continue  # the one before waited for the bus and said it already
            if due.due_ns >= self.span.off_ns:
                continue
            start_ns, reply = now_ns, self._reply(due, now_ns)
            if reply is None:
                continue
            if shapes.is_long(reply.payload) and start_ns < free_ns:
                start_ns = free_ns
                reply = self._reply(due, start_ns)
                if start_ns >= self.span.off_ns or reply is None:
                    continue
            if is_dm1:
                last_dm1_ns = start_ns
            for frame in self._transfer(reply, start_ns):
                heappush(outbox, frame)
                if shapes.is_long(reply.payload):
                    free_ns = max(free_ns, frame.time_ns + BROADCAST_SPACING_NS)
        while outbox:
            yield heappop(outbox)

    def _next_dm1_ns(self, now_ns: int) -> int:
        """A second later, or when the next code or the lamp check changes it."""
        changes = [self.contents.memory.next_change_ns(now_ns), self.span.on_ns + self._ecu.lamp_check_ns]
        soon = [change_ns for change_ns in changes if change_ns is not None and change_ns > now_ns]
        return min(now_ns + DM1_EVERY_NS, *soon, self.span.off_ns)

    def _own_claim(self) -> Iterator[Wanted]:
        reply = Reply(ADDRESS_CLAIMED_PGN, GLOBAL_ADDRESS, self._ecu.claim.to_bytes())
        yield Wanted(self.awake_ns, *shapes.single(reply, self._ecu.address))

    def _announcements(self) -> Iterator[_Job]:
        yield _Job(self.awake_ns, ADDRESS_CLAIMED_PGN, GLOBAL_ADDRESS)
        for pgn in self.contents.identity_pgns():
            yield _Job(self.awake_ns + _IDENTITY_NS, pgn, GLOBAL_ADDRESS)

    def _answers(self) -> Iterator[_Job]:
        jobs = []
        for asked_ns, asked_by, pgn in self._asked():
            conduct = self.temper.about(pgn)
            jobs.append(_Job(asked_ns + ANSWER_NS + conduct.delay_ns, pgn, asked_by, conduct.manner))
        yield from sorted(jobs)

    def _rival_answers(self) -> Iterator[Wanted]:
        for asked_ns, _, pgn in self._asked():
            if pgn == ADDRESS_CLAIMED_PGN:
                for can_id, data in told_when_asked(self._ecu):
                    yield Wanted(asked_ns + ANSWER_NS, can_id, data)

    def _asked(self) -> Iterator[tuple[int, int, int]]:
        """The scenario's requests to it while it is awake: when, who asked it alone or 255, which group."""
        address = self._ecu.address
        for request in self.contents.scenario.requests:
            for_me = request.destination in (GLOBAL_ADDRESS, address)
            if for_me and self.awake_ns <= request.time_ns < self.span.off_ns:
                asked_by = request.source if request.destination == address else GLOBAL_ADDRESS
                yield request.time_ns, asked_by, request.pgn

    def _reply(self, job: _Job, time_ns: int) -> Reply | None:
        return reply_to(Question(job.pgn, job.asked_by), job.manner, self.contents, time_ns)

    def _transfer(self, reply: Reply, start_ns: int) -> Iterator[Wanted]:
        """The frames of one message, from `start_ns` on."""
        address = self._ecu.address
        if not shapes.is_long(reply.payload):
            yield Wanted(start_ns, *shapes.single(reply, address))
        elif reply.destination == GLOBAL_ADDRESS:
            for can_id, data in shapes.broadcast(reply, address):
                yield Wanted(start_ns, can_id, data)
                start_ns += BROADCAST_SPACING_NS
        else:
            yield from _connection(reply, address, start_ns)


def _connection(reply: Reply, source: int, start_ns: int) -> Iterator[Wanted]:
    """A whole connection, the receiver's frames included: it lets everything come at once and acknowledges it."""
    shape = shapes.cut(reply.payload, reply.manner)
    back = build_identifier(shapes.TRANSPORT_PRIORITY, TP_CM, reply.destination, source)
    count = segmentation.packet_count(shape.announced)
    yield Wanted(start_ns, *shapes.opening(reply, source))
    start_ns += _HANDSHAKE_NS
    yield Wanted(start_ns, back, segmentation.clear_to_send(count, 1, reply.pgn))
    start_ns += _HANDSHAKE_NS
    for can_id, data in shapes.after_clear_to_send(reply, source):
        yield Wanted(start_ns, can_id, data)
        start_ns += _CONNECTION_SPACING_NS
    if len(shape.packets) >= count and reply.manner is not Manner.SHORT_FRAME:
        yield Wanted(start_ns + _HANDSHAKE_NS, back, segmentation.end_of_message(shape.announced, reply.pgn))
