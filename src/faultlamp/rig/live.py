"""The scenario on a live bus: what it sends by itself, and its controllers' answers to what they hear.

Rule: pure. Frames go in with their times, frames come out at times; nothing here reads a clock or knows a bus, so that
a test plays an hour in a moment. The scenario runs at `speed`; timers of the protocol always run in real time.

              feed(frame)
                  |
    scenario -> script ----------------------.
                  |                          v
             responder of each controller -> outgoing(now) -> frames for the bus
             that is awake

With the key off nobody is awake, and nothing is answered. A clearing changes the fault memory that the script's
next messages are made from.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator
from fractions import Fraction

from faultlamp.frames import EXTENDED, Frame
from faultlamp.j1939.identifier import GLOBAL_ADDRESS, is_addressed, is_j1939, split_identifier
from faultlamp.j1939.requests import ADDRESS_CLAIMED_PGN
from faultlamp.j1939.transport import TRANSPORT_PGNS
from faultlamp.rig.arbitration import Wanted
from faultlamp.rig.contents import Contents
from faultlamp.rig.generator import script, stories
from faultlamp.rig.layout import Layout, shipped_layout
from faultlamp.rig.manners import Temper
from faultlamp.rig.responder import Responder
from faultlamp.rig.scenario import PowerSpan, Scenario, power_spans

MOST_AT_ONCE = 256
"""Frames of the scenario that one `outgoing` gives, should it be late."""

# Exact, so that what is due at a time is due at that time.
_FINEST_SPEED = 1_000_000


class LiveRig:
    """One playing of a scenario; times are nanoseconds of any one clock that does not step back.

    speed: the scenario's, not the protocol's. loop: it starts over at its end, with a fresh fault memory.
    done: it is over. unanswered: how many questions found no room so far.
    """

    def __init__(
        self, scenario: Scenario, *, channel: str = "can0", speed: float = 1.0, loop: bool = False,
        layout: Layout | None = None,
    ) -> None:
        self.done = False
        self._scenario = scenario
        self._channel = channel
        self._speed = Fraction(speed).limit_denominator(_FINEST_SPEED)
        self._loop = loop
        self._layout = shipped_layout() if layout is None else layout
        self._spans = power_spans(scenario.phases)
        self._awake: dict[int, tuple[PowerSpan, Responder]] = {}
        self._slept_unanswered = 0
        self._begin(0)

    @property
    def unanswered(self) -> int:
        """How many questions found no room."""
        return self._slept_unanswered + sum(responder.unanswered for _, responder in self._awake.values())

    def start(self, now_ns: int) -> None:
        """Turn the key: the scenario's beginning is now."""
        self._begin(now_ns)

    def feed(self, frame: Frame) -> None:
        """Take a frame from the bus."""
        if self.done or frame.flags != EXTENDED or not is_j1939(frame.can_id):
            return
        _, pgn, destination, source = split_identifier(frame.can_id)
        if not is_addressed(pgn) or (destination == GLOBAL_ADDRESS and pgn in TRANSPORT_PGNS):
            return  # the readings of others, and their broadcasts, change nothing here
        scenario_ns = self._scenario_ns(frame.time_ns)
        self._wake(scenario_ns)
        heard = Frame(frame.time_ns, self._channel, frame.can_id, frame.data)
        for address, (_, responder) in self._awake.items():
            if destination in (GLOBAL_ADDRESS, address) or (pgn == ADDRESS_CLAIMED_PGN and source == address):
                responder.feed(heard)

    def outgoing(self, now_ns: int) -> list[tuple[int, bytes]]:
        """The frames, as (identifier, data), to put on the bus now, in order; each is given out once."""
        scenario_ns = self._scenario_ns(now_ns)
        self._wake(scenario_ns)
        frames: list[tuple[int, bytes]] = []
        while self._next is not None and self._next.time_ns <= scenario_ns and len(frames) < MOST_AT_ONCE:
            if self._next.is_frame and self._passes(now_ns, self._next):
                frames.append((self._next.can_id, self._next.data))
            self._take()
        for _, responder in self._awake.values():
            responder.advance(now_ns, scenario_ns)
            frames += responder.outgoing(now_ns)
        if self._next is None and scenario_ns >= self._end_ns:
            if self._loop:
                self._begin(self._real_ns(self._end_ns))
            else:
                self.done = True
        return frames

    def next_ns(self) -> int | None:
        """When `outgoing` has something to do, should no frame come before; None when it is over."""
        if self.done:
            return None
        times = [self._real_ns(self._end_ns if self._next is None else self._next.time_ns)]
        times += [at_ns for _, responder in self._awake.values() if (at_ns := responder.next_ns()) is not None]
        return min(times)

    def _begin(self, start_ns: int) -> None:
        self._sleep(list(self._awake))
        self._start_ns = start_ns
        self._end_ns = self._scenario.duration_ns
        self._contents: list[Contents] = stories(self._scenario, self._layout)
        self._tempers = [Temper(ecu.manners) for ecu in self._scenario.ecus]
        self._script: Iterator[Wanted] = script(self._scenario, self._contents, self._layout)
        self._take()

    def _take(self) -> None:
        self._next = next(self._script, None)
        if self._next is not None:
            # The last transfer may end after the scenario does.
            self._end_ns = max(self._end_ns, self._next.time_ns)

    def _passes(self, now_ns: int, wanted: Wanted) -> bool:
        """Whether a frame of the scenario goes out now: not from a lost address, nor into an answer's broadcast."""
        source = wanted.can_id & 0xFF
        if source not in self._awake:
            return True
        responder = self._awake[source][1]
        return not responder.lost and responder.lane.scripted(now_ns, (wanted.can_id, wanted.data))

    def _wake(self, scenario_ns: int) -> None:
        """Let controllers boot and fall silent as the key is turned."""
        place = bisect_right(self._spans, scenario_ns, key=lambda span: span.on_ns)
        span = self._spans[place - 1] if place and scenario_ns < self._spans[place - 1].off_ns else None
        self._sleep([address for address, (awake, _) in self._awake.items() if awake is not span])
        if span is None or len(self._awake) == len(self._contents):
            return
        for contents, temper in zip(self._contents, self._tempers, strict=True):
            ecu = contents.ecu
            if ecu.address not in self._awake and scenario_ns >= span.on_ns + ecu.boot_ns:
                self._awake[ecu.address] = span, Responder(contents, temper, self._channel)

    def _sleep(self, addresses: list[int]) -> None:
        for address in addresses:
            _, responder = self._awake.pop(address)
            self._slept_unanswered += responder.unanswered

    def _scenario_ns(self, now_ns: int) -> int:
        return (now_ns - self._start_ns) * self._speed.numerator // self._speed.denominator

    def _real_ns(self, scenario_ns: int) -> int:
        return self._start_ns - (-scenario_ns * self._speed.denominator // self._speed.numerator)
