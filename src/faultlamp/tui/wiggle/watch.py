"""What is watched while somebody moves the wires: one fault or one reading, from the moment it was picked on.

Rule: nobody says whole or broken of a time in which the bus was lost, and a recording that moves back is counted anew
from there. The counting goes on while other pages are open; the bell rings only where it is shown, and what it rings
for rings nowhere else.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from faultlamp.findings.make_and_break import Contact, ContactLog, ReadingContacts, fault_contacts
from faultlamp.history.changes import Change
from faultlamp.history.latest import Source
from faultlamp.j1939.readings import GroupLayout, Layouts, SignalLayout
from faultlamp.knowledge.plausibility import load_plausibility
from faultlamp.tui.job import Job
from faultlamp.tui.lanes.lane import LaneKey
from faultlamp.tui.times import NS_PER_S

BELL_EVERY_NS = NS_PER_S // 4
"""A terminal's bell takes about so long; more of them at once are one."""


class Target(NamedTuple):
    """A fault, or the reading `spn` of one sender."""

    spn: int
    fault: LaneKey | None = None
    source: Source | None = None


class Watch:
    """The contact that is watched. clock: nanoseconds that only go forward.

    target: None until something was picked. lost: why nothing can be heard now, "" while something can. moved: the
    recording moved back, so the counting began anew. on_screen: its page is shown, so it rings.
    """

    def __init__(self, layouts: Layouts, clock: Callable[[], int]) -> None:
        self.target: Target | None = None
        self.log = ContactLog()
        self.lost = ""
        self.moved = False
        self.on_screen = False
        self._layouts = layouts
        self._clock = clock
        self._job: Job | None = None
        self._from_ns = 0
        self._looked_at: tuple[int, int] | None = None
        self._heard = 0
        self._rings = False
        self._rung_ns: int | None = None

    @property
    def state(self) -> Contact:
        """Whole, broken, or unknown."""
        return Contact.UNKNOWN if self.lost else self.log.state

    @property
    def jump(self) -> tuple[float, str] | None:
        """How far the reading may go from one frame to the next, and in which unit; None: as far as it likes."""
        place = self._place()
        threshold = None if place is None else load_plausibility().jumps.get(place[1].unit)
        return None if place is None or threshold is None else (threshold, place[1].unit)

    def begin(self, target: Target, job: Job, now_ns: int) -> None:
        """Watch this from now on, and count from zero."""
        if self._job is not None:
            self._job.contacts = None
        self.target, self._job, self._from_ns = target, job, now_ns
        self.log, self._looked_at, self._heard, self._rings, self.moved = ContactLog(), None, 0, False, False
        place = self._place()
        if target.source is not None and place is not None:
            jump = self.jump
            job.contacts = ReadingContacts(target.source, *place, None if jump is None else jump[0])
            self.log = job.contacts.log

    def rings_for(self, change: Change) -> bool:
        """Whether a change of a fault is one of the contact that is watched, on the screen and known."""
        target = self.target
        if target is None or not self.on_screen or self.state is Contact.UNKNOWN:
            return False
        sender = change.channel, change.source_address
        if target.fault is not None:
            return (*sender, change.spn, change.fmi) == target.fault
        source = target.source
        # The reading broke before its controller made a fault of it.
        return source is not None and (*sender, change.spn) == (source.channel, source.source_address, target.spn)

    def reset(self, now_ns: int) -> None:
        """Count from zero."""
        if self.target is not None and self._job is not None:
            self.begin(self.target, self._job, now_ns)

    def heed(self, job: Job, now_ns: int | None, lost: str) -> None:
        """Before the time goes on: why nothing can be heard now, "" while something can."""
        if lost and not self.lost and job.contacts is not None and now_ns is not None:
            job.contacts.lost(now_ns, "the bus was lost")
        self.lost = lost

    def look(self, job: Job, now_ns: int | None, *, quiet: bool, behind: bool) -> None:
        """All frames up to `now_ns` have been taken.

        quiet: they are no news, because somebody jumped to there. behind: more frames wait, on the way there.
        """
        if self.target is None or now_ns is None:
            return
        if job is not self._job:
            if behind:
                return
            self.begin(self.target, job, now_ns)
            self.moved = True
        fault = self.target.fault
        # A silence is no change of a fault that is not active: look once a second as well.
        at = job.changes, now_ns // NS_PER_S
        if fault is not None and at != self._looked_at:
            self._looked_at = at
            controller = job.history.controllers.get((fault.channel, fault.source_address))
            self.log = fault_contacts(controller, (fault.spn, fault.fmi), self._from_ns, now_ns)
        count = self.log.makes + self.log.breaks
        self._rings = (self._rings or count != self._heard) and not quiet
        self._heard = count

    def hush(self) -> None:
        """What came so far does not ring any more."""
        self._rings = False

    def take_bell(self) -> bool:
        """Whether to ring now, once for all that came since the last time."""
        clock_ns = self._clock()
        if not self._rings or (self._rung_ns is not None and clock_ns - self._rung_ns < BELL_EVERY_NS):
            return False
        self._rings, self._rung_ns = False, clock_ns
        return True

    def _place(self) -> tuple[GroupLayout, SignalLayout] | None:
        target = self.target
        if target is None or target.source is None:
            return None
        group = self._layouts.groups[target.source.pgn]
        return group, next(signal for signal in group.signals if signal.spn == target.spn)
