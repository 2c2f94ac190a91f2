"""Messages on their way out, and which of them may go now.

Rule: SAE J1939-21, section 5.10.1 (from memory): a node has one broadcast under way at a time and one connection to any
other node. The next message to the same place waits its turn; messages of one frame need no turn.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from typing import NamedTuple

from faultlamp.j1939.identifier import GLOBAL_ADDRESS
from faultlamp.j1939.participant.sending import Broadcast, Connection
from faultlamp.j1939.segmentation import SINGLE_FRAME

MOST_WAITING = 1024
MOST_WAITING_BYTES = 1 << 24

Sending = Broadcast | Connection


class Letter(NamedTuple):
    """A message that was handed over to be sent."""

    number: int
    pgn: int
    destination: int
    payload: bytes
    priority: int


class Outbox:
    """The sending half of a participant."""

    def __init__(self) -> None:
        self._singles: deque[Letter] = deque()
        self._queues: dict[int, deque[Letter]] = {}
        self._open: dict[int, Sending] = {}
        self._waiting = 0
        self._waiting_bytes = 0
        # When the next broadcast may begin.
        self._broadcast_ns = 0

    def put(self, letter: Letter) -> bool:
        """Let a message wait for its turn; False when there is no room for it."""
        if self._waiting >= MOST_WAITING or self._waiting_bytes + len(letter.payload) > MOST_WAITING_BYTES:
            return False
        self._waiting += 1
        self._waiting_bytes += len(letter.payload)
        if len(letter.payload) <= SINGLE_FRAME:
            self._singles.append(letter)
        else:
            self._queues.setdefault(letter.destination, deque()).append(letter)
        return True

    def has_single(self) -> bool:
        """Whether a message of one frame waits."""
        return bool(self._singles)

    def take_singles(self) -> list[Letter]:
        """The messages of one frame, which are out with this."""
        letters = list(self._singles)
        self._singles.clear()
        self._forget(letters)
        return letters

    def places(self) -> list[int]:
        """The destinations that messages of several frames wait for."""
        return list(self._queues)

    def start(self, now_ns: int, destination: int) -> Sending | None:
        """Begin with the next message to that place; None when there is none or one is under way."""
        queue = self._queues.get(destination)
        if queue is None or destination in self._open:
            return None
        letter = queue.popleft()
        if not queue:
            del self._queues[destination]
        self._forget((letter,))
        sending: Sending
        if destination == GLOBAL_ADDRESS:
            sending = Broadcast(max(now_ns, self._broadcast_ns), letter.number, letter.pgn, letter.payload)
        else:
            sending = Connection(now_ns, letter.number, letter.pgn, destination, letter.payload)
        self._open[destination] = sending
        return sending

    def sessions(self) -> list[Sending]:
        """The transfers that are under way."""
        return list(self._open.values())

    def connection(self, peer: int) -> Connection | None:
        """The connection to that node, if there is one."""
        sending = self._open.get(peer)
        return sending if isinstance(sending, Connection) else None

    def close(self, sending: Sending) -> None:
        """Forget a transfer that has ended."""
        del self._open[sending.peer]
        if isinstance(sending, Broadcast):
            self._broadcast_ns = sending.due_ns

    def empty_sessions(self) -> list[Sending]:
        """Forget all transfers under way; those there were."""
        sessions = self.sessions()
        self._open.clear()
        return sessions

    def empty_waiting(self) -> list[Letter]:
        """Forget all messages that have not begun; those there were."""
        letters = self.take_singles()
        for queue in self._queues.values():
            letters += queue
            self._forget(queue)
        self._queues.clear()
        return letters

    def _forget(self, letters: Iterable[Letter]) -> None:
        for letter in letters:
            self._waiting -= 1
            self._waiting_bytes -= len(letter.payload)
