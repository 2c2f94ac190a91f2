"""What was heard, kept as far as the expectations ask about it.

Rule: pure; frames with their times in, everything that a verdict needs out. `History` keeps faults, lamps and key
cycles, `Nodes` the NAMEs, as for every other command; beside them stand the values of the wanted readings, when each
DM1 and DM2 came, when the wanted controllers were heard, and the bits on the bus.

Time runs on: where a recording's clock steps back by more than a second, what follows is taken to begin where the
last frame before the step was, so that 'after' keeps its meaning. `stamp` gives the recording's own time back.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from faultlamp.frames import ERROR, FrameBlock
from faultlamp.history.controllers import Controller
from faultlamp.history.history import History
from faultlamp.history.key_cycles import EEC1, KeyCycle
from faultlamp.history.nodes import Nodes
from faultlamp.j1939.diagnostics import Lamp
from faultlamp.j1939.readings import Layouts
from faultlamp.prove.dm_times import DmTimes
from faultlamp.prove.expectations import Expectations
from faultlamp.prove.intervals import Interval, joined
from faultlamp.prove.loads import Loads
from faultlamp.prove.presence import Presence
from faultlamp.prove.series import Series

SPEED_SPN = 190


class Heard:
    """What `expectations` ask about, out of frames.

    Frames in by `feed_block`; then `close` once, with the end of the listening, and the answers are complete.

    start_ns, last_ns, end_ns: first frame, last frame and end, on the time that runs on; 0 while nothing was heard.
    frames: of every kind.
    error_frames: how many of them were. bad_lines: None where that makes no sense.
    """

    def __init__(
        self, layouts: Layouts, expectations: Expectations, *, engine_address: int = 0,
        spn_conversion: Mapping[int, int] | None = None,
    ) -> None:
        self.engine_address = engine_address
        self.history = History(engine_address=engine_address, spn_conversion=spn_conversion)
        self.nodes = Nodes()
        self.series = Series(layouts, {SPEED_SPN, *expectations.spns})
        self.dms = DmTimes()
        self.presence = Presence(expectations.addresses)
        self.loads = Loads() if expectations.loads else None
        self.start_ns = 0
        self.last_ns = 0
        self.end_ns = 0
        self.frames = 0
        self.error_frames = 0
        self.bad_lines: int | None = None
        # From when on (on the time that runs on) how much is added to the recording's time.
        self._shifts: list[tuple[int, int]] = []

    def feed_block(self, block: FrameBlock) -> None:
        """Take many frames, in order."""
        if not len(block):
            return
        if block.starts_stretch and self.frames:
            self._shifts.append((self.end_ns, self.end_ns - int(block.time_ns[0])))
        if self._shifts:
            block = replace(block, time_ns=block.time_ns + self._shifts[-1][1])
        if not self.frames:
            self.start_ns = int(block.time_ns[0])
        self.frames += len(block)
        self.error_frames += int(np.count_nonzero(block.flags & ERROR))
        self.last_ns = self.end_ns = int(block.time_ns[-1])
        self.history.feed_block(block)
        self.nodes.feed_block(block)
        self.series.feed_block(block)
        self.dms.feed_block(block)
        self.presence.feed_block(block)
        if self.loads is not None:
            self.loads.feed_block(block, self.start_ns)

    def advance(self, now_ns: int) -> None:
        """Nothing came until `now_ns`, in the recording's own time: so long the listening lasted."""
        shift_ns = self._shifts[-1][1] if self._shifts else 0
        if self.frames:
            self.end_ns = max(self.end_ns, now_ns + shift_ns)

    def close(self) -> None:
        """All was heard: silences up to the end count, and nothing is fed any more."""
        self.history.advance(self.end_ns)
        self.series.close()

    def stamp(self, time_ns: int) -> int:
        """A moment in the recording's own time."""
        place = bisect_right(self._shifts, time_ns, key=lambda shift: shift[0])
        return time_ns - (self._shifts[place - 1][1] if place else 0)

    def at(self, time_ns: int) -> str:
        """A moment for people: seconds after the first frame.

        The last digit is a millisecond; what is shown is cut off, not rounded.
        """
        milliseconds = (time_ns - self.start_ns) // 1_000_000
        sign = "-" if milliseconds < 0 else ""
        return f"{sign}{abs(milliseconds) // 1000}.{abs(milliseconds) % 1000:03} s"

    def controllers(self, channel: str | None, address: int | None) -> list[Controller]:
        """Those that sent something of the DM family, in order."""
        return [
            self.history.controllers[key] for key in sorted(self.history.controllers)
            if channel in (None, key[0]) and address in (None, key[1])
        ]

    def coverage(self, controller: Controller) -> list[Interval]:
        """When the controller's faults and lamps are known: from a DM1 until it falls silent."""
        return joined(
            Interval(span.start_ns, self.end_ns if span.end_ns is None else span.end_ns)
            for span in controller.lamp_spans[Lamp.RED_STOP]
        )

    def cycles(self, channel: str | None) -> list[KeyCycle]:
        """Key cycles, in order."""
        found = [
            cycle for name, cycles in self.history.key_cycles.items() if channel in (None, name)
            for cycle in cycles.cycles
        ]
        return sorted(found, key=lambda cycle: cycle.start_ns)

    def key_on(self, channel: str | None) -> list[Interval]:
        """When the key was on."""
        return joined(
            Interval(cycle.start_ns, cycle.last_ns if cycle.over else self.end_ns) for cycle in self.cycles(channel)
        )

    def engine_running(self, channel: str | None) -> list[Interval]:
        """When engine speed was 400 rpm or more, from the first such message to the last in a row."""
        return joined(
            part for name in sorted(self.history.channels) if channel in (None, name)
            for part in self.series.running(SPEED_SPN, EEC1, name, self.engine_address)
        )
