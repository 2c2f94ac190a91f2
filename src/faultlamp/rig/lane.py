"""The broadcasts of one controller, one after the other.

Rule: SAE J1939-21, section 5.10.1: a node has one broadcast under way at a time. The scenario's own pass at their
times while nothing else is under way. Otherwise they wait, the latest one at most, since the next one says more; then
they go before answers that wait. Between frames of what the lane sends itself there are 60 ms.
"""

from __future__ import annotations

from collections import deque
from enum import Enum, auto

from faultlamp.j1939.identifier import GLOBAL_ADDRESS, split_identifier
from faultlamp.j1939.transport import BAM, TP_CM, TP_DT

SPACING_NS = 60_000_000
MOST_WAITING = 8

# A scripted broadcast that has stopped coming is over: a receiver waits 750 ms for a packet.
_GIVEN_UP_NS = 2_000_000_000

CanFrame = tuple[int, bytes]


class _Script(Enum):
    """What happens to the frames of the scenario's present broadcast."""

    PASSES = auto()
    IS_KEPT = auto()
    IS_DROPPED = auto()


class Lane:
    """The order of broadcasts; times are real nanoseconds."""

    def __init__(self) -> None:
        self._sending: deque[CanFrame] = deque()
        self._waiting: deque[list[CanFrame]] = deque()
        self._due_ns = 0
        self._script = _Script.PASSES
        self._script_left = 0
        self._script_ns = 0
        self._kept: list[CanFrame] = []
        self._kept_waits = False

    def scripted(self, now_ns: int, frame: CanFrame) -> bool:
        """Whether a frame of the scenario goes out now; otherwise the lane has it, or it was one too many."""
        _, pgn, destination, _ = split_identifier(frame[0])
        if destination != GLOBAL_ADDRESS or pgn not in (TP_CM, TP_DT):
            return True
        if pgn == TP_CM and frame[1][:1] == bytes((BAM,)):
            self._begin(now_ns, packets=frame[1][3])
        else:
            self._script_left = max(self._script_left - 1, 0)
        self._script_ns = now_ns
        if self._script is _Script.PASSES:
            self._due_ns = max(self._due_ns, now_ns + SPACING_NS)
        elif self._script is _Script.IS_KEPT:
            self._kept.append(frame)
            if not self._script_left:
                self._waiting.appendleft(self._kept)
                self._kept, self._kept_waits = [], True
        return self._script is _Script.PASSES

    def say(self, frames: list[CanFrame]) -> bool:
        """Take a broadcast of the lane's own; False when too many wait already."""
        if len(self._waiting) >= MOST_WAITING:
            return False
        self._waiting.append(frames)
        return True

    def outgoing(self, now_ns: int) -> list[CanFrame]:
        """What goes out now."""
        if now_ns < self._due_ns or not self._is_free(now_ns):
            return []
        if not self._sending:
            if not self._waiting:
                return []
            self._sending.extend(self._waiting.popleft())
            self._kept_waits = False
        self._due_ns = now_ns + SPACING_NS
        return [self._sending.popleft()]

    def next_ns(self) -> int | None:
        """When `outgoing` has something; None while nothing waits."""
        if not self._sending and not self._waiting:
            return None
        return self._due_ns if self._is_free(self._due_ns) else self._script_ns + _GIVEN_UP_NS

    def _begin(self, now_ns: int, packets: int) -> None:
        self._script_left = packets
        self._kept = []
        if not self._sending and not self._waiting and now_ns >= self._due_ns:
            self._script = _Script.PASSES
        else:
            self._script = _Script.IS_DROPPED if self._kept_waits else _Script.IS_KEPT

    def _is_free(self, now_ns: int) -> bool:
        """Whether no broadcast of the scenario is passing."""
        passing = self._script is _Script.PASSES and self._script_left > 0
        return not passing or now_ns - self._script_ns >= _GIVEN_UP_NS
