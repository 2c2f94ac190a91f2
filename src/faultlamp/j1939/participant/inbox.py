"""Everybody's transfers that are meant for us: connections to our address, and broadcasts.

Rule: SAE J1939-21, section 5.10.1 (from memory): a node may have one ordinary and one extended connection to us at a
time. A request to send that comes while one is open begins a new one in its place. Requests to send that cannot be
met are aborted: reason 9 for more than 1785 bytes, 2 for more than 1 MiB, 1 while too much is under way already, 250
for one that contradicts itself. Packets without a connection are ignored; nothing answers them.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from faultlamp.j1939 import segmentation
from faultlamp.j1939.identifier import GLOBAL_ADDRESS
from faultlamp.j1939.participant.events import AbortReason, Message
from faultlamp.j1939.participant.receiving import Reception
from faultlamp.j1939.participant.session import Refusal, Session
from faultlamp.j1939.transport import (
    ABORT,
    ETP_CM,
    ETP_DPO,
    ETP_DT,
    ETP_RTS,
    RTS,
    TP_CM,
    TP_LARGEST,
    Reassembler,
)

LARGEST_RECEIVED = 1 << 20
MOST_UNDER_WAY = 1 << 22

_MOST_GROUPS = 1 << 18


class _EveryGroup(frozenset[int]):
    """The set of all parameter groups, without listing 262144 numbers."""

    def __contains__(self, pgn: object) -> bool:
        return isinstance(pgn, int) and 0 <= pgn < _MOST_GROUPS


class Inbox:
    """The receiving half of a participant. channel: its bus."""

    def __init__(self, channel: str) -> None:
        self._channel = channel
        self._broadcasts = Reassembler(_EveryGroup())
        self._open: dict[tuple[int, bool], Reception] = {}
        self._under_way = 0

    def sessions(self) -> Iterable[Session]:
        """The connections that are open."""
        return self._open.values()

    def broadcast(self, time_ns: int, can_id: int, data: bytes) -> Message | None:
        """A transport frame to everybody; the message when it completed one."""
        word = int.from_bytes(data[:8].ljust(8, b"\xff"), "little")
        transfer = self._broadcasts.feed(time_ns, self._channel, can_id, word, len(data))
        if transfer is None or transfer.payload is None:
            return None
        return Message(time_ns, transfer.pgn, transfer.source, GLOBAL_ADDRESS, transfer.payload)

    def heard(self, now_ns: int, pgn: int, source: int, address: int, data: bytes) -> Iterator[Session]:
        """A transport frame to us, at `address`; the sessions that it made say or end something."""
        extended = pgn in (ETP_CM, ETP_DT)
        reception = self._open.get((source, extended))
        if pgn not in (TP_CM, ETP_CM):
            if reception is not None:
                reception.packet(now_ns, data)
                yield self._settled(reception)
        elif len(data) == 8:
            group = segmentation.carried_group(data)
            if data[0] == (ETP_RTS if extended else RTS):
                size = int.from_bytes(data[1 : 5 if extended else 3], "little")
                if reception is not None:
                    # A sender that got no answer repeats its request: nothing to tell.
                    if reception.begun or (group, size) != (reception.pgn, reception.size):
                        reception.fail(now_ns, None, "the other node began anew")
                        yield reception
                    self._close(reception)
                if group is not None:
                    yield self._announced(now_ns, source, address, group, size, extended, data)
            elif reception is not None:
                if data[0] == ABORT and group == reception.pgn:
                    reception.aborted(now_ns, data[1])
                elif extended and data[0] == ETP_DPO:
                    reception.offset(now_ns, group, data[1], int.from_bytes(data[2:5], "little"))
                yield self._settled(reception)

    def late(self, now_ns: int) -> Iterator[Session]:
        """The connections that had to do something because time passed."""
        for reception in list(self._open.values()):
            if now_ns >= reception.due_ns:
                reception.advance(now_ns)
                yield self._settled(reception)

    def empty(self) -> list[Reception]:
        """Forget every connection; those that were open."""
        receptions = list(self._open.values())
        self._open.clear()
        self._under_way = 0
        return receptions

    def _announced(
        self, now_ns: int, source: int, address: int, group: int, size: int, extended: bool, data: bytes
    ) -> Session:
        reason = self._objection(size, extended, data[3])
        if reason is not None:
            return Refusal(source, group, extended, reason)
        most = segmentation.NO_LIMIT if extended else data[4]
        reception = Reception(now_ns, source, address, group, size, most, extended)
        self._open[source, extended] = reception
        self._under_way += size
        return reception

    def _objection(self, size: int, extended: bool, packets: int) -> AbortReason | None:
        if extended and size <= TP_LARGEST:
            return AbortReason.OTHER
        if not extended and size > TP_LARGEST:
            return AbortReason.TOO_LARGE_OR_UNEXPECTED_OFFSET
        if not extended and (not size or packets != segmentation.packet_count(size)):
            return AbortReason.OTHER
        if size > LARGEST_RECEIVED:
            return AbortReason.NO_RESOURCES
        return AbortReason.BUSY if self._under_way + size > MOST_UNDER_WAY else None

    def _settled(self, reception: Reception) -> Session:
        if reception.ended is not None:
            self._close(reception)
        return reception

    def _close(self, reception: Reception) -> None:
        del self._open[reception.peer, reception.extended]
        self._under_way -= reception.size
