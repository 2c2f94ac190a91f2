"""Findings as text for people: where to look first, and which readings do not agree with each other."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from rich.console import Console
from rich.text import Text

from faultlamp.cli.output import clock
from faultlamp.findings.check import Check, Verdict
from faultlamp.findings.finding import Describe, Finding, fault_words
from faultlamp.findings.shared_causes import SharedCauses
from faultlamp.knowledge.addresses import address_name
from faultlamp.knowledge.names import describe_spn
from faultlamp.text import printable

_WIDEST = 110
_MOST_FINDINGS = 10
_MOST_FAULTS = 8
_NS_PER_S = 1e9


def paragraph(out: Console, indent: str, text: str) -> None:
    """A paragraph that hangs from its first line."""
    out.print(Text(textwrap.fill(text, min(out.width, _WIDEST) - 1, initial_indent=indent,
                                 subsequent_indent=" " * len(indent))))


def print_causes(
    out: Console, causes: SharedCauses, several: bool, said: str = "", describe: Describe = describe_spn
) -> None:
    """Faults that most likely have one cause; nothing when there are none.

    several: name the channel. said: a caution that stands on the page already. describe: what parameters are called.
    """
    if causes.crowded:
        out.print(Text(f"\n{len(causes.alone)} faults at once: too many to look for common causes."))
    if not causes.findings:
        return
    out.print(Text("\nLook here first", style="bold"))
    shown = causes.findings[:_MOST_FINDINGS]
    for number, finding in enumerate(shown, 1):
        paragraph(out, f"  {number}  ", finding.sentence[:1].upper() + finding.sentence[1:] + ".")
        _print_faults(out, finding, several, describe)
        if finding.points_to:
            paragraph(out, "     ", finding.points_to)
        paragraph(out, "     ", "; ".join(finding.evidence.lines) + ".")
        paragraph(out, "     First: ", finding.tests[0])
    if len(causes.findings) > len(shown):
        out.print(Text(f"  and {len(causes.findings) - len(shown)} more groups (--format json --with-findings)"))
    for caution in dict.fromkeys(caution for finding in shown for caution in finding.cautions):
        if caution != said:
            paragraph(out, "  ! ", caution)


def print_checks(out: Console, checks: Sequence[Check], several: bool) -> None:
    """Plausibility: the doubtful ones first, then the others, then what could not be judged and why."""
    out.print(Text("\nDo the readings agree? (common practice, no source)", style="bold"))
    if not checks:
        out.print(Text("  cannot be judged: the engine's address sent nothing"))
    for verdict in (Verdict.DOUBTFUL, Verdict.OK):
        for check in checks:
            if check.verdict is verdict:
                advice = f" {check.advice}" if check.advice else ""
                paragraph(
                    out, f"  {verdict!s:<11}",
                    f"{_name(check, several)}: {check.compared} (asked: {check.threshold}).{advice}",
                )
    reasons: dict[str, list[str]] = {}
    for check in checks:
        if check.verdict is Verdict.NOT_JUDGED:
            reasons.setdefault(check.why, []).append(_name(check, several))
    for why, names in reasons.items():
        paragraph(out, "  no verdict ", f"{', '.join(names)}: {why}.")
    for assumed in dict.fromkeys(check.assumed for check in checks if check.assumed):
        paragraph(out, "  assumed    ", f"{assumed}.")


def _print_faults(out: Console, finding: Finding, several: bool, describe: Describe) -> None:
    began = list(zip(finding.faults, finding.evidence.begins_ns, strict=True))
    for fault, time_ns in began[:_MOST_FAULTS]:
        name = address_name(fault.source_address)
        sender = f"{name} ({fault.source_address})" if name else f"address {fault.source_address}"
        where = f" on {printable(fault.channel)}" if several else ""
        verb = "began" if finding.evidence.seen else "there since"
        words = f"{fault_words(fault, describe)}, {sender}{where}"
        paragraph(out, "       ", f"{words}, {verb} {clock(time_ns / _NS_PER_S)}")
    if len(began) > _MOST_FAULTS:
        out.print(Text(f"       and {len(began) - _MOST_FAULTS} more"))


def _name(check: Check, several: bool) -> str:
    return f"{check.name} on {printable(check.channel)}" if several else check.name
