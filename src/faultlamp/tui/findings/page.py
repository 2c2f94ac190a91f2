"""The page of checks: faults with one likely cause, and whether the readings agree with each other.

Rule: a check says what it compared with what; one without a verdict says why. Nothing here hides a fault.
"""

from __future__ import annotations

from collections.abc import Sequence

from faultlamp.findings.check import Check, Verdict
from faultlamp.findings.finding import Describe, Finding, fault_words
from faultlamp.findings.onsets import FaultId
from faultlamp.findings.shared_causes import SharedCauses
from faultlamp.knowledge.names import describe_spn
from faultlamp.text import printable
from faultlamp.tui.board import Board
from faultlamp.tui.findings.causes import BEGIN, MEMBER, before_touching
from faultlamp.tui.names import count_of, title, who
from faultlamp.tui.page import Page
from faultlamp.tui.paint import Line, Piece, Role, hung, line
from faultlamp.tui.times import exact_moment, moment

_MOST_FINDINGS = 50
_MOST_FAULTS = 20
_SHAPES = {Verdict.DOUBTFUL: "≠", Verdict.OK: "=", Verdict.NOT_JUDGED: "?"}
_WORDS = {Verdict.DOUBTFUL: "DOUBTFUL", Verdict.OK: "agrees", Verdict.NOT_JUDGED: "no verdict"}
_ROLES = {Verdict.DOUBTFUL: Role.WARN, Verdict.OK: Role.CALM, Verdict.NOT_JUDGED: Role.DIM}
_MANUAL = "Hints, common practice without a source: the maker's manual decides. Every fault stays in the list."


class ChecksPage(Page):
    """All findings and checks of a board; they stay up to date while it is open."""

    def __init__(self, board: Board) -> None:
        super().__init__()
        self._board = board

    def page(self, width: int) -> list[Line]:
        """Findings above, checks below."""
        board = self._board
        several = len(board.job.history.channels) > 1
        checks = board.checks.now(board.job, board.now_ns)
        trouble = board.feed.status().trouble
        rows = [] if not trouble else hung("! ", "The bus is lost: all of this is as last heard.", width, Role.WARN)
        return [
            *rows, *findings_lines(
                board.causes.found, board.start_ns, width, several=several, describe=board.job.names.describe
            ), Line(),
            *checks_lines(checks, board.start_ns, width, several=several),
        ]


def findings_lines(
    found: SharedCauses, start_ns: int, width: int, *, several: bool, describe: Describe = describe_spn
) -> list[Line]:
    """Every group with its faults, its evidence and what to do first; then how many faults stand alone.

    describe: what parameters are called.
    """
    rows = [line(Piece("FAULTS WITH ONE LIKELY CAUSE", Role.TITLE)), *hung("", _MANUAL, width, Role.DIM)]
    if found.crowded:
        rows += hung("  ", f"{len(found.alone)} faults at once: too many to look for common causes.", width, Role.WARN)
    elif not found.findings:
        rows += hung("  ", "None found: no faults began together that point the same way.", width)
    for finding in found.findings[:_MOST_FINDINGS]:
        rows += finding_lines(finding, start_ns, width, several=several, describe=describe)
    if len(found.findings) > _MOST_FINDINGS:
        rows += hung("  ", f"and {len(found.findings) - _MOST_FINDINGS} more groups", width, Role.DIM)
    if found.alone and not found.crowded:
        names = [f"{fault.spn}/{fault.fmi}" for fault in found.alone[:_MOST_FAULTS]]
        more = len(found.alone) - len(names)
        listed = ", ".join(names) + (f" and {more} more" if more > 0 else "")
        rows += hung("  ", f"{title(count_of(len(found.alone), 'fault'))} in no group: {listed}.", width)
    return rows


def finding_lines(
    finding: Finding, start_ns: int, width: int, *, several: bool, without: FaultId | None = None,
    describe: Describe = describe_spn,
) -> list[Line]:
    """One group: sentence, faults, what it points to, evidence, cautions, tests.

    without: a fault not to list. describe: what parameters are called.
    """
    evidence = finding.evidence
    gone = "" if evidence.active else " None of them is active now."
    role = Role.WARN if evidence.active else Role.STRONG
    rows = hung(f"{BEGIN} ", f"{title(finding.sentence)}.{gone}", width, role, more="┃ ")
    began = [
        (fault, time_ns) for fault, time_ns in zip(finding.faults, evidence.begins_ns, strict=True) if fault != without
    ]
    for fault, time_ns in began[:_MOST_FAULTS]:
        where = f" on {printable(fault.channel, longest=20)}" if several else ""
        verb = "began" if evidence.seen else "there since"
        leads = ", begin with this one" if fault == finding.leading else ""
        at = f"{verb} {exact_moment(time_ns, start_ns)}"
        text = f"{fault_words(fault, describe)}, {who(fault.source_address)}{where}, {at}{leads}"
        rows += hung(f"{MEMBER} ", text, width, more="┃   ")
    if len(began) > _MOST_FAULTS:
        rows += hung(f"{MEMBER} ", f"and {len(began) - _MOST_FAULTS} more", width)
    if finding.points_to:
        rows += hung("  ", finding.points_to, width)
    rows += hung("  ", f"Evidence: {'; '.join(evidence.lines)}.", width, Role.DIM)
    for caution in before_touching(finding):
        rows += hung("  ! ", caution, width, Role.STRONG)
    for number, test in enumerate(finding.tests, 1):
        rows += hung(f"  {number}. ", test, width)
    return rows


def checks_lines(checks: Sequence[Check], start_ns: int, width: int, *, several: bool) -> list[Line]:
    """Every check, the doubtful ones first, those without a verdict last."""
    rows = [line(Piece("DO THE READINGS AGREE?", Role.TITLE)), *hung("", _MANUAL, width, Role.DIM)]
    if not checks:
        return rows + hung("  ", "Cannot be judged: the engine's address has sent nothing so far.", width)
    rows += hung("  ", f"{title(_counts(checks))}.", width)
    for verdict in _SHAPES:
        for check in checks:
            if check.verdict is verdict:
                rows += _check_lines(check, start_ns, width, several)
    for assumed in dict.fromkeys(check.assumed for check in checks if check.assumed):
        rows += hung("Assumed: ", f"{assumed}.", width, Role.DIM)
    return rows


def _counts(checks: Sequence[Check]) -> str:
    """`none doubtful, 1 agrees, 2 without a verdict`."""
    doubtful, agree, unjudged = (sum(check.verdict is verdict for check in checks) for verdict in _SHAPES)
    parts = [f"{doubtful or 'none'} doubtful", f"{agree or 'none'} {'agrees' if agree == 1 else 'agree'}"]
    return ", ".join([*parts, f"{unjudged} without a verdict"] if unjudged else parts)


def _check_lines(check: Check, start_ns: int, width: int, several: bool) -> list[Line]:
    where = f" on {printable(check.channel, longest=20)}" if several else ""
    role = _ROLES[check.verdict]
    name = f"{title(check.name)}{where}"
    head = f"{_SHAPES[check.verdict]} {_WORDS[check.verdict]}: {name} (SPN {check.spn})"
    if check.verdict is Verdict.NOT_JUDGED:
        asked = f" Asked would be: {check.threshold}." if check.threshold else ""
        return [*hung("", head, width, role), *hung("    ", f"{title(check.why)}.{asked}", width)]
    at = f", at {moment(check.at_ns, start_ns)}" if check.at_ns is not None else ""
    rows = hung("", head, width, role)
    why = "" if check.why == f"not {check.threshold}" else f" {title(check.why)}."
    rows += hung("    ", f"Compared: {check.compared}{at}. Asked: {check.threshold}.{why}", width)
    if check.advice:
        rows += hung("    ", check.advice, width, Role.STRONG)
    return rows
