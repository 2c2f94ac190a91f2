"""Key cycles: when the engine controller was awake, and whether the engine ran.

Rule, common practice, no source: a controller talks while the key is on. A stretch in which the engine's address
sends is a key cycle; 2 s without a frame of it end the cycle at its last frame. Engine speed is SPN 190, bytes 4 and
5 of EEC1 (PGN 61444), 0.125 rpm a bit (SAE J1939-71, section 5.3.7); the same layout stands in the shipped DBC.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from faultlamp.history.changes import Change, OnChange, What
from faultlamp.history.room import Room

EEC1 = 61444
GAP_NS = 2_000_000_000
RPM_PER_BIT = 0.125
RUNNING_RPM = 400.0

RUNNING_RAW = int(RUNNING_RPM / RPM_PER_BIT)
_SPEED_BIT = 24
_HIGHEST_VALID = 0xFAFF
NO_SPEED = -1


@dataclass(slots=True)
class KeyCycle:
    """One stretch of the engine's address sending. `last_ns` is its last frame so far."""

    start_ns: int
    last_ns: int
    max_speed_raw: int = NO_SPEED
    over: bool = False

    @property
    def engine_ran(self) -> bool:
        """Engine speed reached 400 rpm."""
        return self.max_speed_raw >= RUNNING_RAW

    @property
    def max_engine_speed_rpm(self) -> float | None:
        """Highest engine speed seen, None when none was."""
        return None if self.max_speed_raw == NO_SPEED else self.max_speed_raw * RPM_PER_BIT


def speed_raw(pgn: int, word: int) -> int:
    """Raw engine speed in a frame's data word (little-endian, missing bytes 0xFF), or NO_SPEED."""
    if pgn != EEC1:
        return NO_SPEED
    raw = word >> _SPEED_BIT & 0xFFFF
    return raw if raw <= _HIGHEST_VALID else NO_SPEED


def speed_column(pgn: npt.NDArray[np.uint32], data: npt.NDArray[np.uint64]) -> npt.NDArray[np.int64]:
    """The same for columns of equal length."""
    raws = np.full(len(pgn), NO_SPEED, np.int64)
    rows = np.flatnonzero(pgn == EEC1)
    raw = (data[rows] >> np.uint64(_SPEED_BIT) & np.uint64(0xFFFF)).astype(np.int64)
    raws[rows] = np.where(raw <= _HIGHEST_VALID, raw, NO_SPEED)
    return raws


class KeyCycles:
    """The key cycles of one channel."""

    def __init__(self, channel: str, engine_address: int, room: Room, on_change: OnChange) -> None:
        self.cycles: list[KeyCycle] = []
        self._channel = channel
        self._engine = engine_address
        self._room = room
        self._on_change = on_change

    @property
    def current(self) -> KeyCycle | None:
        """The cycle that is going on, None while the key is off."""
        return self.cycles[-1] if self.cycles and not self.cycles[-1].over else None

    def feed(self, time_ns: int, raw: int) -> None:
        """The engine's address sent a frame; `raw` as `speed_raw` gives it."""
        self.advance(time_ns)
        cycle = self.current
        if cycle is None:
            if not self._room.take_span():
                return
            cycle = KeyCycle(time_ns, time_ns)
            self.cycles.append(cycle)
            self._tell(time_ns, What.KEY_ON)
        cycle.last_ns = time_ns
        self._note_speed(cycle, time_ns, raw)

    def feed_columns(self, time_ns: npt.NDArray[np.int64], raw: npt.NDArray[np.int64]) -> None:
        """Many frames of the engine's address, in order: int64 (n,) each, n at least 1."""
        cuts = np.flatnonzero(np.diff(time_ns) >= GAP_NS) + 1
        edges = [0, *cuts.tolist(), len(time_ns)]
        for first, end in pairwise(edges):
            # The stretch's first frame opens a cycle or carries one on. Of the others, the one that first reaches
            # running speed and the fastest one say all that a cycle keeps.
            self.feed(int(time_ns[first]), int(raw[first]))
            cycle = self.current
            if cycle is None:
                continue
            part = raw[first:end]
            for at in (int(np.argmax(part >= RUNNING_RAW)), int(np.argmax(part))):
                self._note_speed(cycle, int(time_ns[first + at]), int(part[at]))
            cycle.last_ns = int(time_ns[end - 1])

    def _note_speed(self, cycle: KeyCycle, time_ns: int, raw: int) -> None:
        if raw > cycle.max_speed_raw:
            ran = cycle.engine_ran
            cycle.max_speed_raw = raw
            if cycle.engine_ran and not ran:
                self._tell(time_ns, What.ENGINE_RAN)

    def advance(self, now_ns: int) -> None:
        """Nothing came from the engine until `now_ns`."""
        cycle = self.current
        if cycle is not None and now_ns - cycle.last_ns >= GAP_NS:
            cycle.over = True
            self._tell(cycle.last_ns, What.KEY_OFF)

    def break_off(self, last_ns: int) -> None:
        """The clock stepped back after `last_ns`: a cycle that went on then ends there."""
        self.advance(last_ns)
        cycle = self.current
        if cycle is not None:
            cycle.last_ns = last_ns
            cycle.over = True
            self._tell(last_ns, What.KEY_OFF)

    def _tell(self, time_ns: int, what: What) -> None:
        self._on_change(Change(time_ns, what, self._channel, self._engine))
