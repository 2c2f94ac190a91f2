"""What becomes of an expectation: it held, it failed, or what was heard cannot tell.

Rule: nothing is held that was not heard. Of several findings about one expectation the worst counts: one failure is
a failure whatever else could not be seen, and 'held' needs every finding.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

from faultlamp.prove.expectations import Expectation

_MOST_SHOWN = 3


class Result(StrEnum):
    """The three answers."""

    HELD = "held"
    FAILED = "failed"
    NOT_SHOWN = "not_shown"

    @property
    def words(self) -> str:
        """For people."""
        return self.value.replace("_", " ")


_WORST_FIRST = (Result.FAILED, Result.NOT_SHOWN, Result.HELD)


@dataclass(frozen=True, slots=True)
class Finding:
    """One answer. words: the evidence. time_ns: of the decisive moment, None where there is none."""

    result: Result
    words: str
    time_ns: int | None = None


@dataclass(frozen=True, slots=True)
class Verdict:
    """What became of one expectation. expected: it, in words. accepted: it does not stand in the way of exit code 0."""

    expectation: Expectation
    expected: str
    finding: Finding

    @property
    def result(self) -> Result:
        """Held, failed or not shown."""
        return self.finding.result

    @property
    def accepted(self) -> bool:
        """Held; or not shown, where the file says that this will do."""
        return self.result is Result.HELD or (
            self.result is Result.NOT_SHOWN and self.expectation.not_shown_will_do
        )


def held(words: str, time_ns: int | None = None) -> Finding:
    """It is as expected."""
    return Finding(Result.HELD, words, time_ns)


def failed(words: str, time_ns: int | None = None) -> Finding:
    """It is not."""
    return Finding(Result.FAILED, words, time_ns)


def not_shown(words: str, time_ns: int | None = None) -> Finding:
    """What was heard cannot tell."""
    return Finding(Result.NOT_SHOWN, words, time_ns)


def worst(findings: Iterable[Finding]) -> Finding:
    """The same demand made several times, of each window, cycle or fault: one finding, the first ones in words.

    Raises ValueError without any.
    """
    deciding = _deciding(findings)
    shown = 1 if deciding[0].result is Result.HELD else _MOST_SHOWN
    words = list(dict.fromkeys(finding.words for finding in deciding))
    more = f"; and {len(words) - shown} more like this" if len(words) > shown else ""
    return Finding(deciding[0].result, "; ".join(words[:shown]) + more, deciding[0].time_ns)


def together(findings: Iterable[Finding]) -> Finding:
    """Several demands of one expectation: one finding, all that decide in words. Raises ValueError without any."""
    deciding = _deciding(findings)
    words = dict.fromkeys(finding.words for finding in deciding)
    time_ns = next((finding.time_ns for finding in deciding if finding.time_ns is not None), None)
    return Finding(deciding[0].result, "; ".join(words), time_ns)


def _deciding(findings: Iterable[Finding]) -> list[Finding]:
    known = list(findings)
    result = min((finding.result for finding in known), key=_WORST_FIRST.index)
    return [finding for finding in known if finding.result is result]
