"""Our participant on a raw CAN socket: the thinnest loop that lets it live beside the kernel's stack."""

import select
import socket
import struct
import time
from collections.abc import Callable
from typing import NamedTuple

from kernel_bus import BUS

from faultlamp.frames.frame import Frame
from faultlamp.j1939.participant import ClaimState, Participant
from faultlamp.j1939.participant.events import Event

_FRAME = struct.Struct("=IB3x8s")


class Wire(NamedTuple):
    """A frame that passed the socket: (identifier, data)."""

    can_id: int
    data: bytes


class Station:
    """A participant, its socket, and what both have seen.

    loses: told each frame, sent or heard, and whether it is ours; True loses it on its way.
    """

    def __init__(
        self, participant: Participant, loses: Callable[[int, bytes, bool], bool] = lambda *_: False
    ) -> None:
        self.participant = participant
        self.events: list[Event] = []
        self.sent: list[Wire] = []
        self.heard: list[Wire] = []
        self._loses = loses
        self._socket = socket.socket(socket.AF_CAN, socket.SOCK_RAW, socket.CAN_RAW)
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4 << 20)
        self._socket.bind((BUS,))

    def __enter__(self) -> "Station":
        return self

    def __exit__(self, *_: object) -> None:
        self._socket.close()

    @staticmethod
    def now() -> int:
        """The clock of everything here, in nanoseconds."""
        return time.monotonic_ns()

    def claim(self) -> None:
        """Claim, and live until the address is ours."""
        self.participant.claim(self.now())
        self.live(lambda: self.participant.state is ClaimState.CLAIMED)

    def send(self, pgn: int, to: int, payload: bytes) -> int:
        """Hand a message to the participant."""
        return self.participant.send(self.now(), pgn, to, payload)

    def live(self, until: Callable[[], bool], limit_s: float = 10.0) -> None:
        """Read, let time pass, write, until the condition holds; fails when that takes too long."""
        deadline = time.monotonic() + limit_s
        while not until():
            assert time.monotonic() < deadline, f"nothing for {limit_s} s; {self.events}"
            self._hear()
            now_ns = self.now()
            self.events += self.participant.advance(now_ns)
            for can_id, data in self.participant.outgoing(now_ns):
                self.sent.append(Wire(can_id, data))
                if not self._loses(can_id, data, True):
                    raw = _FRAME.pack(can_id | socket.CAN_EFF_FLAG, len(data), data.ljust(8, b"\0"))
                    self._socket.send(raw)
            next_ns = self.participant.next_ns()
            wait_s = 0.02 if next_ns is None else min(max(next_ns - self.now(), 0) / 1e9, 0.02)
            select.select([self._socket], [], [], wait_s)

    def rest(self, seconds: float) -> None:
        """Live for a while."""
        end = time.monotonic() + seconds
        self.live(lambda: time.monotonic() >= end, seconds + 5)

    def _hear(self) -> None:
        while select.select([self._socket], [], [], 0)[0]:
            can_id, length, data = _FRAME.unpack(self._socket.recv(16))
            if not can_id & socket.CAN_EFF_FLAG:
                continue
            wire = Wire(can_id & socket.CAN_EFF_MASK, data[:length])
            if not self._loses(*wire, False):
                self.heard.append(wire)
                self.events += self.participant.feed(Frame(self.now(), BUS, *wire))
