"""The comparison in one word and one sentence: did the repair hold?

Rule, our own: it held when every fault that was active in BEFORE went, or was cleared, and AFTER is proof of that for
each. One that stayed, or came anew in AFTER, decides against it. What came is said, and is another matter.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from enum import StrEnum

from faultlamp.compare.comparison import Became, Comparison, FaultChange
from faultlamp.compare.evidence import Doubt
from faultlamp.stamps import has_clock


class Result(StrEnum):
    """Did the repair hold?"""

    HELD = "held"
    NOT_HELD = "not_held"
    NOT_PROVEN = "not_proven"
    NOTHING_BEFORE = "nothing_before"


class Order(StrEnum):
    """How the recordings lie in time; unknown without dates, or where a clock stepped back."""

    IN_ORDER = "in_order"
    OVERLAPPING = "overlapping"
    SWAPPED = "swapped"
    UNKNOWN = "unknown"


_OLD = (Became.STAYED, Became.CLEARED, Became.WENT, Became.NOT_HEARD)
# By what became of a fault, and whether it is proven.
_TALLY = (
    ((Became.STAYED, False), "stayed"), ((Became.CLEARED, False), "active again, then cleared"),
    ((Became.CLEARED, True), "cleared and stayed away"), ((Became.NOT_HEARD, False), "not heard"),
    ((Became.WENT, False), "went without proof"), ((Became.WENT, True), "went"),
)


@dataclass(frozen=True, slots=True)
class Verdict:
    """The result, and the sentences that say it to people."""

    result: Result
    sentence: str


def verdict(comparison: Comparison) -> Verdict:
    """Judge a comparison."""
    old = [fault for fault in comparison.faults if fault.became in _OLD]
    came = comparison.count(Became.CAME)
    lead, result = _lead(comparison, old)
    parts = [lead]
    if old:
        parts.append(_tally(old))
    if old or came:
        but = "But " if result is Result.HELD else ""
        parts.append(f"{but}{_faults(came)} came." if came else "None came.")
    return Verdict(result, " ".join(parts))


def order(comparison: Comparison) -> Order:
    """Whether AFTER was recorded after BEFORE."""
    before, after = comparison.before.history, comparison.after.history
    if before.start_ns is None or before.end_ns is None or after.start_ns is None or after.end_ns is None:
        return Order.UNKNOWN
    if before.clock_steps or after.clock_steps or not has_clock(min(before.start_ns, after.start_ns)):
        return Order.UNKNOWN
    if after.start_ns > before.end_ns:
        return Order.IN_ORDER
    return Order.SWAPPED if after.end_ns < before.start_ns else Order.OVERLAPPING


def _lead(comparison: Comparison, old: list[FaultChange]) -> tuple[str, Result]:
    back = any(fault.became is Became.STAYED or Doubt.CAME_AGAIN in fault.doubts for fault in old)
    if not old:
        reports = any(controller.last_dm1_ns is not None
                      for controller in comparison.before.history.controllers.values())
        return (
            "No fault was active in BEFORE, so there is no repair to judge." if reports
            else "BEFORE has no fault report (DM1), so there is nothing to compare with: was the key on?"
        ), Result.NOTHING_BEFORE
    if back:
        return "The repair did not hold.", Result.NOT_HELD
    if all(fault.proven for fault in old):
        return "The repair held for as long as AFTER lasts.", Result.HELD
    if all(fault.became is Became.NOT_HEARD for fault in old):
        return "No proof that the repair held: the controllers concerned sent no DM1 in AFTER.", Result.NOT_PROVEN
    return "No proof yet that the repair held.", Result.NOT_PROVEN


def _tally(old: list[FaultChange]) -> str:
    counts = Counter((fault.became, fault.proven) for fault in old)
    parts = [f"{counts[kind]} {words}" for kind, words in _TALLY if counts[kind]]
    return f"Of {_faults(len(old))} active before: {'; '.join(parts)}."


def _faults(count: int) -> str:
    return "1 fault" if count == 1 else f"{count} faults"
