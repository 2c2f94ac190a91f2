"""What to clear, and what came of it.

Rules: DM3 is about previously active codes, DM11 about active ones and all that belongs to them, DM22 about one code
(SAE J1939-73, sections 5.7.3, 5.7.11 and 5.7.22). Cleared is what was acknowledged and is listed no more; where the
lists cannot be read again, nobody knows. A code that DM1 lists again came back.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

from faultlamp.asking.results import Outcome, Result
from faultlamp.j1939.diagnostics import DiagnosticReport

Code = tuple[int, int]


class Kind(StrEnum):
    """What is cleared."""

    STORED = "stored"
    ALL = "all"
    CODE = "code"


@dataclass(frozen=True, slots=True)
class Command:
    """What to clear. code: SPN and FMI, for Kind.CODE alone."""

    kind: Kind
    code: Code | None = None


class Verdict(StrEnum):
    """What came of it in one controller."""

    CLEARED = "cleared"
    CAME_BACK = "came_back"
    STILL_LISTED = "still_listed"
    NOT_CONFIRMED = "not_confirmed"
    REFUSED = "refused"
    ACCESS_DENIED = "access_denied"
    BUSY = "busy"
    NO_ANSWER = "no_answer"
    NOT_TOLD = "not_told"


_OF_OUTCOMES = {
    Outcome.REFUSED: Verdict.REFUSED, Outcome.ACCESS_DENIED: Verdict.ACCESS_DENIED, Outcome.BUSY: Verdict.BUSY
}


@dataclass(frozen=True, slots=True)
class Judgement:
    """One controller. left: codes that were to go and are listed now. words: more about it, or ""."""

    address: int
    verdict: Verdict
    left: tuple[Code, ...]
    words: str = ""


@dataclass(frozen=True, slots=True)
class Listed:
    """What a controller lists; None where it said nothing. active: DM1, stored: DM2."""

    active: frozenset[Code] | None
    stored: frozenset[Code] | None

    def of_kind(self, command: Command) -> frozenset[Code]:
        """The codes that the command is to clear."""
        stored, active = self.stored or frozenset(), self.active or frozenset()
        if command.kind is Kind.STORED:
            return stored
        return (stored | active) & {command.code} if command.kind is Kind.CODE else stored | active

    @property
    def silent(self) -> bool:
        """It said nothing at all."""
        return self.active is None and self.stored is None

    def lacks(self, command: Command) -> bool:
        """Whether what it said is too little to know that the codes are gone."""
        return self.stored is None if command.kind is Kind.STORED else self.active is None or self.stored is None


def judge(
    address: int, command: Command, outcomes: Iterable[Result], before: Listed, now: Listed, seen_gone: frozenset[Code],
    untold: str = "",
) -> Judgement:
    """The verdict on one controller.

    outcomes: what it said to each command; none when it was not told, and `untold` says why. seen_gone: codes that a
    DM1 has left out since.
    """
    outcomes = tuple(outcomes)
    left = tuple(sorted(before.of_kind(command) & now.of_kind(command)))
    if not outcomes:
        return Judgement(address, Verdict.NOT_TOLD, left, untold)
    failed = next((result for result in outcomes if result.outcome is not Outcome.ACKNOWLEDGED), None)
    if failed is not None:
        gone = "" if left or now.silent else "yet nothing of it is listed now"
        words = "; ".join(part for part in (failed.words, gone) if part)
        return Judgement(address, _OF_OUTCOMES.get(failed.outcome, Verdict.NO_ANSWER), left, words)
    if now.lacks(command):
        return Judgement(address, Verdict.NOT_CONFIRMED, left, "acknowledged, but it could not be read again")
    if not left:
        return Judgement(address, Verdict.CLEARED, ())
    back = () if command.kind is Kind.STORED else frozenset(left) & (now.active or frozenset())
    if not back:
        return Judgement(address, Verdict.STILL_LISTED, left)
    return Judgement(address, Verdict.CAME_BACK, left, "" if back & seen_gone else "it was never seen gone")


def codes_of(report: object) -> frozenset[Code] | None:
    """The pairs of a list of codes; None for anything else."""
    if not isinstance(report, DiagnosticReport):
        return None
    return frozenset((dtc.spn, dtc.fmi) for dtc in report.dtcs)
