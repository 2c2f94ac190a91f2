"""How fast frames come: frames and bits a second over the last two seconds."""

from __future__ import annotations

from collections import deque
from typing import NamedTuple

from faultlamp.frames.load import Bits, bus_load
from faultlamp.tui.times import NS_PER_S

_OVER_NS = 2 * NS_PER_S


class Traffic(NamedTuple):
    """Frames a second, and what they are on the wire in that time."""

    frames_per_s: float
    bits: Bits
    seconds: float

    def load_percent(self, bit_rate: int) -> float:
        """The estimated share of the bus's time at that bit rate, in bit/s and above zero."""
        return bus_load(self.bits, self.seconds, bit_rate).percent

    @property
    def kbit_per_s(self) -> float:
        """The estimated length of the frames a second, in thousands of bits."""
        # As the load of a bus of 100 bit/s.
        return bus_load(self.bits, self.seconds, 100).percent / 1000


class Meter:
    """Counts what comes; to be asked regularly."""

    def __init__(self) -> None:
        self._frames = 0
        self._bits = Bits()
        self._counted: deque[tuple[int, int, Bits]] = deque()

    def add(self, frames: int, bits: Bits) -> None:
        """Some more of them."""
        self._frames += frames
        self._bits += bits

    def traffic(self, now_ns: int) -> Traffic | None:
        """What came lately; None until a second has been seen."""
        counted = self._counted
        if counted and now_ns < counted[-1][0]:
            counted.clear()
        if not counted or now_ns > counted[-1][0]:
            counted.append((now_ns, self._frames, self._bits))
        while len(counted) > 2 and counted[1][0] <= now_ns - _OVER_NS:
            counted.popleft()
        since_ns, frames, bits = counted[0]
        seconds = (now_ns - since_ns) / NS_PER_S
        if seconds < 1:
            return None
        passed = Bits(self._bits.least - bits.least, self._bits.most - bits.most)
        return Traffic((self._frames - frames) / seconds, passed, seconds)
