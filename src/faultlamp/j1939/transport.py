"""Multi-packet messages put together again by somebody who only listens.

Rule: SAE J1939-21, section 5.10 (broadcast and connection sessions, up to 1785 bytes) and ISO 11783-3 (extended
sessions, up to 117440505 bytes). A listener sees both directions of other nodes' transfers, cannot ask for a packet
again, and so guesses nothing: a packet out of order ends the session.

    control frame (TP.CM, PGN 60416; ETP.CM, PGN 51200)        data packet (TP.DT, PGN 60160; ETP.DT, PGN 50944)
    byte 1    what it is                                        byte 1    sequence number 1..255
    bytes 2-5 sizes and packet numbers                          bytes 2-8 the next seven bytes of the message
    bytes 6-8 PGN of the message carried, low byte first

A session is one transfer from one source to one destination on one channel, extended or not:

    announcement (BAM, RTS) --> packets --> completed     by the packet that completes the bytes
             |                     |
             |                     +------> out of order  a number that is not the expected one
             |                     +------> malformed     a packet shorter than 8 bytes
             +---------------------+------> aborted       by an abort, or replaced by the next announcement
             +---------------------+------> timed out     750 ms (BAM) or 1250 ms (connection) without a frame of it

Time is what the frames say. A session whose time has passed is found out by the next frame that concerns it, or by
`counts_at`; the answer is the same whenever one asks.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, fields
from enum import StrEnum
from typing import NamedTuple

from faultlamp.j1939.identifier import GLOBAL_ADDRESS, is_addressed

TP_CM, TP_DT, ETP_CM, ETP_DT = 0xEC00, 0xEB00, 0xC800, 0xC700
TRANSPORT_PGNS = (TP_CM, TP_DT, ETP_CM, ETP_DT)

RTS, CTS, END_ACK, BAM, ABORT = 16, 17, 19, 32, 255
ETP_RTS, ETP_CTS, ETP_DPO, ETP_END_ACK = 20, 21, 22, 23

TP_LARGEST = 1785
ETP_LARGEST = 117_440_505

BROADCAST_LIMIT_NS = 750_000_000  # T1
CONNECTION_LIMIT_NS = 1_250_000_000  # T2, T3

# What a hostile bus may make us remember. One storm of all sources to all destinations fits.
MOST_SESSIONS = 1 << 16
LARGEST_KEPT = 1 << 17
MOST_KEPT = 1 << 25
# Stretches of packets in one session; a session of 255 packets has no more, whatever its receiver asks for again.
MOST_RUNS = 128
_MOST_TROUBLES = 200

_Key = tuple[str, int, int, bool]


class Ending(StrEnum):
    """How a session, or an announcement that never became one, ended. The values are the contract's counters."""

    COMPLETED = "completed"
    ABORTED = "aborted"
    TIMED_OUT = "timed_out"
    INCOMPLETE = "incomplete"
    OUT_OF_ORDER = "out_of_order"
    MALFORMED = "malformed"


@dataclass(slots=True)
class TransportCounts:
    """How many sessions ended in which way."""

    completed: int = 0
    aborted: int = 0
    timed_out: int = 0
    incomplete: int = 0
    out_of_order: int = 0
    malformed: int = 0

    def add(self, ending: Ending) -> None:
        """Count one more session of that ending."""
        setattr(self, ending, getattr(self, ending) + 1)

    def as_dict(self) -> dict[str, int]:
        """Counters by name, in the order above."""
        return {field.name: getattr(self, field.name) for field in fields(self)}


class Transfer(NamedTuple):
    """A frame that was accepted as part of a message of a kept parameter group.

    payload: the whole message when this frame completed it, None while it is under way.
    """

    pgn: int
    source: int
    destination: int
    payload: bytes | None


class Trouble(NamedTuple):
    """A session that did not complete: when, between whom, which group, and how it ended."""

    time_ns: int
    channel: str
    source: int
    destination: int
    pgn: int
    ending: Ending


class _Session:
    """One transfer under way."""

    __slots__ = ("buffer", "expected", "limit_ns", "offset", "pgn", "runs", "size", "time_ns", "total")

    def __init__(self, time_ns: int, pgn: int, size: int, limit_ns: int, keep: bool) -> None:
        self.time_ns = time_ns
        self.pgn = pgn
        self.size = size
        self.total = (size + 6) // 7
        self.limit_ns = limit_ns
        self.expected = 1
        # Extended sessions count packets from an offset that the sender announces first.
        self.offset: int | None = 0
        self.runs: list[list[int]] = [[1, 0]]
        self.buffer = bytearray() if keep else None

    def cover(self, number: int) -> bool:
        """Note that packet `number` came; True when all have. One run [first, last] unless a CTS jumped."""
        runs = self.runs
        if len(runs) == 1 and runs[0][1] + 1 == number:
            runs[0][1] = number
            return number == self.total
        for place, run in enumerate(runs):
            if run[0] <= number <= run[1] + 1:
                run[1] = max(run[1], number)
                if place + 1 < len(runs) and run[1] + 1 == runs[place + 1][0]:
                    run[1] = runs.pop(place + 1)[1]
                break
            if number < run[0]:
                if number + 1 == run[0]:
                    run[0] = number
                else:
                    runs.insert(place, [number, number])
                break
        else:
            runs.append([number, number])
        return len(runs) == 1 and runs[0][1] == self.total

    def store(self, number: int, seven: bytes) -> int:
        """Keep the bytes of packet `number`; returns by how much the buffer grew."""
        buffer = self.buffer
        if buffer is None:
            return 0
        before = len(buffer)
        at = (number - 1) * 7
        if at > before:
            buffer.extend(bytes(at - before))
        buffer[at : at + 7] = seven
        return len(buffer) - before


class Reassembler:
    """Sessions of any number of channels, from frames in the order they were heard.

    kept: parameter groups whose bytes are wanted; sessions of all others are followed and counted only.
    kept_bytes: how many bytes of unfinished messages are held now. troubles: the latest that did not complete.
    """

    def __init__(self, kept: frozenset[int]) -> None:
        self._kept = kept
        self._sessions: dict[_Key, _Session] = {}
        self.kept_bytes = 0
        self._counts = TransportCounts()
        self.troubles: deque[Trouble] = deque(maxlen=_MOST_TROUBLES)

    def feed(self, time_ns: int, channel: str, can_id: int, word: int, length: int) -> Transfer | None:
        """Take one frame of a transport group.

        word: the data bytes as a little-endian number, missing ones 0xFF. length: how many there were.
        Returns a Transfer when the frame announces a message of a kept group or is a packet of one, else None.
        """
        source, destination = can_id & 0xFF, can_id >> 8 & 0xFF
        pgn = can_id >> 8 & 0x3FF00
        if pgn in (TP_DT, ETP_DT):
            return self._packet(time_ns, (channel, source, destination, pgn == ETP_DT), word, length)
        return self._control(time_ns, channel, source, destination, pgn == ETP_CM, word, length)

    def counts_at(self, now_ns: int) -> TransportCounts:
        """The counters as they stand when nothing more comes until `now_ns`; open sessions are judged, not closed."""
        counts = TransportCounts(**self._counts.as_dict())
        for session in self._sessions.values():
            counts.add(_open_ending(session, now_ns))
        return counts

    def close_all(self, now_ns: int) -> None:
        """End every open session: what follows has nothing to do with what was."""
        for key, session in list(self._sessions.items()):
            self._end(key, session, now_ns, _open_ending(session, now_ns))

    def _packet(self, time_ns: int, key: _Key, word: int, length: int) -> Transfer | None:
        session = self._live(key, time_ns)
        if session is None:
            return None
        if length < 8:
            self._end(key, session, time_ns, Ending.MALFORMED)
            return None
        sequence, number = word & 0xFF, session.expected
        if not sequence or session.offset is None or sequence + session.offset != number or number > session.total:
            self._end(key, session, time_ns, Ending.OUT_OF_ORDER)
            return None
        session.expected = number + 1
        session.time_ns = time_ns
        if session.buffer is not None:
            self.kept_bytes += session.store(number, (word >> 8).to_bytes(7, "little"))
            if self.kept_bytes > MOST_KEPT:
                self._make_room(time_ns)
                if key not in self._sessions:
                    return None
        complete = session.cover(number)
        if len(session.runs) > MOST_RUNS:
            self._end(key, session, time_ns, Ending.ABORTED)
            return None
        payload = bytes(session.buffer[: session.size]) if complete and session.buffer is not None else None
        if complete:
            self._end(key, session, time_ns, Ending.COMPLETED)
        return Transfer(session.pgn, key[1], key[2], payload) if session.pgn in self._kept else None

    def _control(
        self, time_ns: int, channel: str, source: int, destination: int, extended: bool, word: int, length: int
    ) -> Transfer | None:
        control = word & 0xFF
        if control == (ETP_RTS if extended else RTS) or (control == BAM and not extended):
            return self._announce(time_ns, (channel, source, destination, extended), control, word, length)
        if length < 8:
            return None
        pgn = _carried_pgn(word)
        outward, inward = (channel, source, destination, extended), (channel, destination, source, extended)
        if control == ABORT:
            for key in (outward, inward):
                session = self._live(key, time_ns)
                if session is not None and session.pgn == pgn:
                    self._end(key, session, time_ns, Ending.ABORTED)
            return None
        if control == (ETP_CTS if extended else CTS):
            session = self._live(inward, time_ns)
            if session is not None and session.pgn == pgn and session.limit_ns == CONNECTION_LIMIT_NS:
                session.time_ns = time_ns
                wanted = word >> 16 & (0xFFFFFF if extended else 0xFF)
                if word >> 8 & 0xFF and 1 <= wanted <= session.total:
                    session.expected = wanted
        elif extended and control == ETP_DPO:
            session = self._live(outward, time_ns)
            if session is not None and session.pgn == pgn:
                session.time_ns = time_ns
                session.offset = word >> 16 & 0xFFFFFF
        return None

    def _announce(self, time_ns: int, key: _Key, control: int, word: int, length: int) -> Transfer | None:
        pgn = _carried_pgn(word)
        if control == ETP_RTS:
            size, largest = word >> 8 & 0xFFFFFFFF, ETP_LARGEST
            fits = key[2] != GLOBAL_ADDRESS
        else:
            size, largest = word >> 8 & 0xFFFF, TP_LARGEST
            fits = word >> 24 & 0xFF == (size + 6) // 7 and (control == BAM) == (key[2] == GLOBAL_ADDRESS)
        if length < 8 or not fits or not 1 <= size <= largest:
            self._note(time_ns, key, pgn, Ending.MALFORMED)
            return None
        old = self._live(key, time_ns)
        if old is not None:
            self._end(key, old, time_ns, Ending.ABORTED)
        elif len(self._sessions) >= MOST_SESSIONS:
            self._make_room(time_ns)
        limit_ns = BROADCAST_LIMIT_NS if control == BAM else CONNECTION_LIMIT_NS
        session = _Session(time_ns, pgn, size, limit_ns, pgn in self._kept and size <= LARGEST_KEPT)
        if control == ETP_RTS:
            session.offset = None
        self._sessions[key] = session
        return Transfer(pgn, key[1], key[2], None) if pgn in self._kept else None

    def _live(self, key: _Key, time_ns: int) -> _Session | None:
        """The session, unless there is none or its time has passed."""
        session = self._sessions.get(key)
        if session is not None and time_ns - session.time_ns > session.limit_ns:
            self._end(key, session, time_ns, Ending.TIMED_OUT)
            return None
        return session

    def _end(self, key: _Key, session: _Session, time_ns: int, ending: Ending) -> None:
        del self._sessions[key]
        self.kept_bytes -= len(session.buffer or b"")
        self._note(time_ns, key, session.pgn, ending)

    def _note(self, time_ns: int, key: _Key, pgn: int, ending: Ending) -> None:
        self._counts.add(ending)
        if ending is not Ending.COMPLETED:
            self.troubles.append(Trouble(time_ns, key[0], key[1], key[2], pgn, ending))

    def _make_room(self, now_ns: int) -> None:
        """Forget sessions whose time has passed; if that frees little, the quarter that was quiet longest."""
        by_age = sorted(self._sessions.items(), key=lambda item: item[1].time_ns)
        spare = len(by_age) // 4 + 1
        for place, (key, session) in enumerate(by_age):
            if now_ns - session.time_ns > session.limit_ns:
                self._end(key, session, now_ns, Ending.TIMED_OUT)
            elif place < spare:
                self._end(key, session, now_ns, Ending.ABORTED)


def _carried_pgn(word: int) -> int:
    """PGN in bytes 6 to 8 of a control frame; of an addressed (PDU1) group the low byte counts as 0.

    The six bits above the PGN are compared too: with any of them set it is the number of no known group.
    """
    pgn = word >> 40 & 0xFFFFFF
    return pgn & 0xFFFF00 if is_addressed(pgn) else pgn


def _open_ending(session: _Session, now_ns: int) -> Ending:
    return Ending.TIMED_OUT if now_ns - session.time_ns > session.limit_ns else Ending.INCOMPLETE
