"""Whether the readings agree with each other, as the page of checks keeps it: judged only while somebody looks."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from faultlamp.findings.check import Check
from faultlamp.findings.plausibility import plausibility_checks
from faultlamp.j1939.readings import Layouts
from faultlamp.knowledge.plausibility import load_plausibility
from faultlamp.tui.job import Job
from faultlamp.tui.times import NS_PER_S

_SHARE = 20


class Checks:
    """The checks as of the last look, at most once a second and a twentieth of the time. clock: goes only forward."""

    def __init__(self, layouts: Layouts, clock: Callable[[], int]) -> None:
        self._layouts = layouts
        self._clock = clock
        self._job: Job | None = None
        self._earliest_ns = 0
        self._checks: Sequence[Check] = ()

    def now(self, job: Job, now_ns: int | None) -> Sequence[Check]:
        """The checks at `now_ns`, or shortly before."""
        if now_ns is None:
            return ()
        clock_ns = self._clock()
        if job is not self._job or clock_ns >= self._earliest_ns:
            self._job = job
            self._checks = plausibility_checks(
                job.latest, job.history, self._layouts, now_ns, load_plausibility()
            )
            done_ns = self._clock()
            self._earliest_ns = done_ns + max(NS_PER_S, _SHARE * (done_ns - clock_ns))
        return self._checks
