"""One plausibility check: what was compared with what, and what that says.

Rule: a check that lacks a reading, or the moment that it needs, says so and gives no verdict.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from faultlamp.findings.samples import Sampled, Seen


class Verdict(StrEnum):
    """What a check says."""

    OK = "ok"
    DOUBTFUL = "doubtful"
    NOT_JUDGED = "cannot be judged"


@dataclass(frozen=True, slots=True)
class Check:
    """A check with its result.

    name: what it is about. spn: the reading that is judged. channel: of which bus. compared: the values, in words with
    units. threshold: what was asked of them. why: the reason for the verdict, in words. assumed: what is taken for
    granted, "" when nothing. advice: what to do, "" unless it is doubtful. at_ns: the moment of the values.
    """

    name: str
    spn: int
    channel: str
    verdict: Verdict
    compared: str
    threshold: str
    why: str
    assumed: str = ""
    advice: str = ""
    at_ns: int | None = None


def not_judged(name: str, spn: int, channel: str, why: str, threshold: str = "") -> Check:
    """A check without a verdict."""
    return Check(name, spn, channel, Verdict.NOT_JUDGED, "", threshold, why)


def no_number(sampled: Sampled) -> str:
    """Why a reading gives no number to compare."""
    return {
        Seen.ERROR: "the controller says 'error': its own fault code comes first",
        Seen.NOT_AVAILABLE: "the controller says 'not available'",
        Seen.STALE: "its last frame is too old",
        Seen.NEVER: "not heard on this bus at that time",
    }.get(sampled.seen, "")
