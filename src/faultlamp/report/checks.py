"""Whether the readings agree: the checks with a verdict, and in few words those without one.

Rule: a check that could not be made says why, and is no row among those that were; what a verdict takes for granted
is said with it.
"""

from __future__ import annotations

from dataclasses import replace

from faultlamp.findings.check import Check, Verdict
from faultlamp.findings.plausibility import plausibility_checks
from faultlamp.knowledge.plausibility import load_plausibility
from faultlamp.report.paper import Heard
from faultlamp.report.words import Senders, count_of

MOST_CHECKS = 150
_MOST_REASONS = 40
_MOST_NAMES = 20


def check_rows(heard: Heard, at_ns: int, senders: Senders) -> tuple[tuple[Check, ...], tuple[str, ...]]:
    """The checks with a verdict, doubtful ones first, and a sentence for each reason why others have none."""
    found = [
        replace(check, name=senders.of_channel(check.name, check.channel))
        for check in plausibility_checks(heard.latest, heard.history, heard.layouts, at_ns, load_plausibility())
    ]
    judged = [check for verdict in (Verdict.DOUBTFUL, Verdict.OK) for check in found if check.verdict is verdict]
    reasons: dict[str, list[str]] = {}
    for check in found:
        if check.verdict is Verdict.NOT_JUDGED:
            reasons.setdefault(check.why, []).append(check.name)
    notes = [f"No verdict ({why}): {_listed(names)}." for why, names in reasons.items()]
    if len(notes) > _MOST_REASONS:
        notes[_MOST_REASONS:] = [f"{count_of(len(notes) - _MOST_REASONS, 'further reason')} not shown."]
    if len(judged) > MOST_CHECKS:
        notes.append(f"{count_of(len(judged) - MOST_CHECKS, 'further check')} not shown.")
    notes += [f"Assumed: {assumed}." for assumed in dict.fromkeys(check.assumed for check in judged if check.assumed)]
    return tuple(judged[:MOST_CHECKS]), tuple(notes)


def _listed(names: list[str]) -> str:
    """Apart by semicolons, because some names have a comma."""
    more = [count_of(len(names) - _MOST_NAMES, "other")] if len(names) > _MOST_NAMES else []
    return "; ".join([*names[:_MOST_NAMES], *more])
