"""Faults with one likely cause, as the dashboard keeps them: looked for seldom, shown always.

Rule: looked for when the history told of a change, and now and then because silences and age count too; at most once a
second, and never for more than a twentieth of the time, however many faults a hostile bus makes up.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from faultlamp.findings.finding import Finding
from faultlamp.findings.onsets import FaultId
from faultlamp.findings.shared_causes import SharedCauses, shared_causes
from faultlamp.knowledge.shared_causes import load_shared_causes
from faultlamp.tui.job import Job
from faultlamp.tui.lanes.lane import Lane, LaneKey
from faultlamp.tui.names import title
from faultlamp.tui.paint import Line, Piece, Role, fit, line, wrap
from faultlamp.tui.times import NS_PER_S

BEGIN, MEMBER, OTHER = "┏", "┣", "╎"
"""Before the words of the first group; on its lanes; on the lanes of other groups."""

_AGAIN_NS = 10 * NS_PER_S
_SHARE = 20
_NONE = SharedCauses(0, (), ())


def before_touching(finding: Finding) -> list[str]:
    """Its cautions but for the one that all have: that it is a hint."""
    return [caution for caution in finding.cautions if caution != load_shared_causes().caution]


class CommonCauses:
    """What was found last. clock: nanoseconds that only go forward.

    current: those of which a fault is active, or was when its controller fell silent; the best evidence first.
    marks: the shapes of the lanes that are in one; the first one's is another than that of all others.
    """

    def __init__(self, clock: Callable[[], int]) -> None:
        self.found = _NONE
        self.current: list[Finding] = []
        self.marks: dict[tuple[str, int, int, int], str] = {}
        self._clock = clock
        self._job: Job | None = None
        self._changes = 0
        self._earliest_ns = 0
        self._again_ns = 0

    def about(self, key: LaneKey) -> tuple[Finding, ...]:
        """Those that a fault is in."""
        return self.found.about(FaultId(*key))

    def look(self, job: Job, now_ns: int | None) -> None:
        """All frames up to `now_ns` have been taken: look again where it is worth it."""
        clock_ns = self._clock()
        if job is not self._job:
            # Another job, or a recording from an earlier moment on: what was found is not of it.
            self._job, self.found, self.current, self.marks = job, _NONE, [], {}
            self._changes, self._earliest_ns, self._again_ns = -1, 0, 0
        if clock_ns < self._earliest_ns or (job.changes == self._changes and clock_ns < self._again_ns):
            return
        self._changes = job.changes
        if now_ns is not None and any(controller.faults for controller in job.history.controllers.values()):
            self.found = shared_causes(
                job.history, now_ns, load_shared_causes(), nodes=job.nodes, describe=job.names.describe
            )
            self.current = [finding for finding in self.found.findings if _stands(job, finding)]
            self.marks = _marks(self.current)
        done_ns = self._clock()
        self._earliest_ns = done_ns + max(NS_PER_S, _SHARE * (done_ns - clock_ns))
        self._again_ns = max(clock_ns + _AGAIN_NS, self._earliest_ns)


def words_of(finding: Finding) -> str:
    """Its sentence; where its controllers are silent now it is their last word."""
    return title(finding.sentence) if finding.evidence.active else f"As last reported: {finding.sentence}"


def notice(current: Sequence[Finding], width: int, most: int) -> list[Line]:
    """The first group in words above its lanes, at most `most` rows; how many more groups there are."""
    if not current or most < 1:
        return []
    others = f"  ({OTHER} {len(current) - 1} more: c)" if len(current) > 1 else ""
    room = max(width - 5 - len(others), 10)
    words = words_of(current[0])
    rows = wrap(words, room)
    if len(rows) > most:
        rows = [*rows[: most - 1], fit(" ".join(rows[most - 1 :]), room)]
    drawn = [line("   ", Piece(f"{BEGIN} {rows[0]}", Role.WARN), others)]
    return drawn + [line("   ", Piece(f"┃ {row}", Role.WARN)) for row in rows[1:]]


def _marks(current: Sequence[Finding]) -> dict[tuple[str, int, int, int], str]:
    marks: dict[tuple[str, int, int, int], str] = {}
    for place, finding in enumerate(current):
        for fault in finding.faults:
            marks.setdefault(fault, OTHER if place else MEMBER)
    return marks


def _stands(job: Job, finding: Finding) -> bool:
    """Whether any of its faults is active as far as its controller ever said."""
    if finding.evidence.active:
        return True
    for channel, address, *pair in finding.faults:
        controller = job.history.controllers[channel, address]
        if Lane(controller, controller.faults[pair[0], pair[1]]).state == "silent":
            return True
    return False
