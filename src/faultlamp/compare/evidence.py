"""What a recording can prove about the absence of a fault.

Rule, our own, careful on purpose: a repair is proven only by a controller that was heard without the fault for 10 s or
more, in a key cycle that is free of it and in which the engine ran while the controller was heard. Many faults are
looked for only while the engine runs (common practice, no source), so a key cycle without it proves less.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import accumulate

from faultlamp.compare.story import Cycle, Heard, Story
from faultlamp.history.spans import SILENCE_NS

ENOUGH_NS = 10_000_000_000
"""DM1s without the fault for this long are enough: ten of them at the standard's one a second."""


class Doubt(StrEnum):
    """Why an absence proves no repair."""

    HEARD_TOO_BRIEFLY = "heard_too_briefly"
    NO_KEY_CYCLE = "no_key_cycle"
    NO_CLEAN_KEY_CYCLE = "no_clean_key_cycle"
    NO_ENGINE_SPEED = "no_engine_speed"
    ENGINE_DID_NOT_RUN = "engine_did_not_run"
    SENDER_FELL_SILENT = "sender_fell_silent"
    CAME_AGAIN = "came_again"
    STILL_REPORTED = "still_reported"
    OTHER_FMI = "other_fmi"


@dataclass(frozen=True, slots=True)
class Evidence:
    """How one recording speaks of one fault.

    heard: whether its sender sent DM1; heard_ns: for how long. absent_ns: of this, the time after the fault was active
    last; heard_since: whether any DM1 came after that. came_anew: its sender was heard without it first.
    key_cycles: those in which the sender was heard. with_fault: of these, those in which the fault was active; numbers:
    first and last number of each run of key cycles in which it was active, counted from 1.
    without_fault: those free of it, after it was active last; without_fault_running: of these, those in which the
    sender was heard while the engine ran.
    speed_seen: engine speed was sent in any key cycle. fell_silent: the sender's DM1 ended 5 s or more before the last
    key cycle did, or is missing in it.
    """

    heard: bool
    heard_ns: int
    absent_ns: int
    heard_since: bool
    came_anew: bool
    key_cycles: int
    with_fault: int
    numbers: list[tuple[int, int]]
    without_fault: int
    without_fault_running: int
    speed_seen: bool
    fell_silent: bool

    def doubts(self) -> list[Doubt]:
        """Why the absence at the end proves no repair; empty when it does."""
        found = []
        if self.absent_ns < ENOUGH_NS:
            found.append(Doubt.HEARD_TOO_BRIEFLY)
        if not self.key_cycles:
            found.append(Doubt.NO_KEY_CYCLE)
        elif not self.without_fault:
            found.append(Doubt.NO_CLEAN_KEY_CYCLE)
        elif not self.without_fault_running:
            found.append(Doubt.ENGINE_DID_NOT_RUN if self.speed_seen else Doubt.NO_ENGINE_SPEED)
        if self.fell_silent:
            found.append(Doubt.SENDER_FELL_SILENT)
        return found


class Witness:
    """One controller in one recording, as a witness to all of its faults. To be made after the story's `finish`."""

    def __init__(self, story: Story, channel: str, source_address: int) -> None:
        self.heard = story.heard(channel, source_address)
        cycles = story.cycles(channel)
        self._heard_ns = sum(time.end_ns - time.start_ns for time in self.heard)
        self._starts = [(cycle.stretch, cycle.start_ns) for cycle in cycles]
        self._ends = [(cycle.stretch, cycle.end_ns) for cycle in cycles]
        present, running = _attendance(self.heard, cycles)
        # How many of the cycles before each place count.
        self._present = list(accumulate(present, initial=0))
        self._running = list(accumulate(running, initial=0))
        self._speed_seen = any(cycle.speed_seen for cycle in cycles)
        self._fell_silent = bool(self.heard and cycles) and _fell_silent(self.heard[-1], cycles[-1])

    def about(self, active: Sequence[Heard]) -> Evidence:
        """What it says of a fault that was active in these times."""
        with_fault, reached = 0, 0
        numbers: list[tuple[int, int]] = []
        for time in active:
            first = max(reached, bisect_left(self._ends, (time.stretch, time.start_ns)))
            reached = max(reached, bisect_right(self._starts, (time.stretch, time.end_ns)))
            if first >= reached:
                continue
            with_fault += self._present[reached] - self._present[first]
            if numbers and numbers[-1][1] == first:
                numbers[-1] = numbers[-1][0], reached
            else:
                numbers.append((first + 1, reached))
        return Evidence(
            bool(self.heard), self._heard_ns, *self._absence(active[-1] if active else None),
            bool(active and active[0][:2] > self.heard[0][:2]), self._present[-1], with_fault, numbers,
            self._present[-1] - self._present[reached], self._running[-1] - self._running[reached],
            self._speed_seen, self._fell_silent,
        )

    def _absence(self, last: Heard | None) -> tuple[int, bool]:
        """How long it was heard since that time, and whether at all; None: in all of the recording."""
        if last is None:
            return self._heard_ns, bool(self.heard)
        total_ns, since = 0, False
        for time in reversed(self.heard):
            if (time.stretch, time.end_ns) <= (last.stretch, last.end_ns):
                break
            start_ns = max(time.start_ns, last.end_ns) if time.stretch == last.stretch else time.start_ns
            total_ns += time.end_ns - start_ns
            since = True
        return total_ns, since


def _attendance(heard: Sequence[Heard], cycles: Sequence[Cycle]) -> tuple[list[bool], list[bool]]:
    """For each cycle: whether the controller was heard in it, and while the engine ran."""
    present, running = [], []
    first = 0
    for cycle in cycles:
        while first < len(heard) and heard[first][::2] < (cycle.stretch, cycle.start_ns):
            first += 1
        there = ran = False
        place = first
        while place < len(heard) and heard[place][:2] <= (cycle.stretch, cycle.end_ns):
            there |= heard[place].surely_within(cycle.stretch, cycle.start_ns, cycle.end_ns)
            if cycle.ran_ns is not None:
                ran |= heard[place].surely_within(cycle.stretch, cycle.ran_ns, cycle.end_ns)
            place += 1
        present.append(there)
        running.append(ran)
    return present, running


def _fell_silent(last: Heard, cycle: Cycle) -> bool:
    """Whether the key was on for 5 s or more after the last DM1."""
    since_ns = max(last.end_ns, cycle.start_ns) if last.stretch == cycle.stretch else cycle.start_ns
    return last.stretch <= cycle.stretch and cycle.end_ns - since_ns >= SILENCE_NS
