"""What to do about a fault, as rows of text: where to start, the maker's codes, usual causes, tests in their order.

Rule: a caution stands before the step that needs it, never after. All of it is common practice without a source, and
says so; the maker's manual decides.
"""

from __future__ import annotations

from collections.abc import Sequence

from faultlamp.findings.finding import Finding
from faultlamp.findings.onsets import FaultId
from faultlamp.knowledge.advice import Step
from faultlamp.knowledge.crosswalk import RankedRow
from faultlamp.knowledge.explanation import Explanation
from faultlamp.text import printable
from faultlamp.tui.findings.causes import BEGIN, before_touching, words_of
from faultlamp.tui.names import count_of, title
from faultlamp.tui.paint import Line, Piece, Role, hung, line

CAUTIONS = (
    "Key off before a connector is pulled.",
    "Hot and moving parts: keep clear while the engine can turn or is hot.",
    "A red stop lamp means stop the engine.",
)
MANUAL = "common practice, no source: the maker's manual decides"

_MOST_CODES = 200
_LABELS = (("with", "tool"), ("good", "good"), ("if not", "otherwise"))


def heading(text: str, note: str = "", width: int = 0) -> list[Line]:
    """An empty row and a title, the note beside it or, where that is too wide, below it."""
    title_row = line(Piece(text, Role.TITLE))
    if not note or len(text) + 2 + len(note) > width:
        return [Line(), title_row, *(hung("", note, width, Role.DIM) if note else [])]
    return [Line(), line(*title_row.pieces, Piece(f"  {note}", Role.DIM))]


def start_lines(explained: Explanation, findings: Sequence[Finding], fault: FaultId, width: int) -> list[Line]:
    """What to do first: with the faults that came with it where there are some, else the first test of its own.

    findings: those that the fault is in and that still stand.
    """
    rows = heading("START HERE", MANUAL, width)
    if findings:
        finding = findings[0]
        rows += hung(f"{BEGIN} ", f"{words_of(finding)}.", width, Role.WARN, more="┃ ")
        rows += hung("┃ ", f"{_others(finding, fault)}; more below.", width, more="┃ ")
        for caution in before_touching(finding):
            rows += hung("! ", caution, width, Role.STRONG)
        rows += hung("1. ", finding.tests[0], width)
    elif explained.steps:
        rows += _step_lines(1, explained.steps[0], width)
    if explained.codes:
        best = explained.codes[0]
        more = "" if len(explained.codes) == 1 else f" {title(count_of(len(explained.codes) - 1, 'other code'))} below."
        rows += hung("Maker's code: ", f"{best.row.code} {best.row.title}, {best.reason}.{more}", width)
    return rows


def codes_lines(explained: Explanation, active: bool, width: int) -> list[Line]:
    """The crosswalk's rows, best first, each with its reason."""
    rows = heading("THE MAKER'S CODES", "from your crosswalk", width)
    for ranked in explained.codes[:_MOST_CODES]:
        rows += _code_lines(ranked, width)
    if len(explained.codes) > _MOST_CODES:
        rows += hung("  ", f"and {len(explained.codes) - _MOST_CODES} more", width, Role.DIM)
    note = explained.codes_note
    if explained.codes and explained.lamps is None:
        why = "nobody knows which lamp its controller asks for now" if active else "the fault is not active now"
        note = f"Not ranked: {why}."
    return rows + hung("  ", note, width, Role.DIM)


def causes_lines(explained: Explanation, width: int) -> list[Line]:
    """The usual causes, the likeliest first, after what the failure mode means."""
    rows = heading("USUAL CAUSES, the likeliest first")
    for number, cause in enumerate(explained.causes, 1):
        rows += hung(f"{number:>2}. ", cause, width)
    return rows


def meaning_lines(explained: Explanation, width: int) -> list[Line]:
    """What more there is to know about the failure mode and the part; empty when there is nothing."""
    texts = [text for text in (explained.name_note, explained.note, explained.failure.summary) if text]
    texts += [f"{part.title}: {part.about}" for part in explained.parts]
    rows = heading("WHAT IT MEANS") if texts else []
    for text in texts:
        rows += hung("", text, width)
    return rows


def steps_lines(explained: Explanation, width: int) -> list[Line]:
    """All steps in order, the cautions before each that needs one."""
    rows = heading("BEFORE YOU TOUCH ANYTHING")
    for caution in dict.fromkeys((*CAUTIONS, *explained.cautions)):
        rows += hung("! ", caution, width, Role.STRONG)
    rows += heading("TEST IN THIS ORDER", MANUAL, width)
    for number, step in enumerate(explained.steps, 1):
        rows += _step_lines(number, step, width)
    return rows


def _step_lines(number: int, step: Step, width: int) -> list[Line]:
    rows = []
    begin = f"{number:>2}. "
    for caution in step.cautions:
        rows += hung(f"{begin}! ", caution, width, Role.STRONG)
        begin = "    "
    rows += hung(begin, step.do, width)
    for label, name in _LABELS:
        if text := getattr(step, name):
            rows += hung(f"    {label:<6}  ", text, width, begin_role=Role.DIM)
    return rows


def _code_lines(ranked: RankedRow, width: int) -> list[Line]:
    row = ranked.row
    begin = " -  " if ranked.rank is None else f"{ranked.rank:>2}. "
    rows = hung(begin, f"{printable(row.code)}  {printable(row.title, longest=300)}", width, Role.STRONG)
    rows += hung("    ", f"{ranked.reason} (line {row.line})", width)
    if row.clears_after:
        rows += hung("    ", f"clears after: {printable(row.clears_after, longest=300)}", width)
    # A link is shown whole, in as many rows as it takes.
    link, room = printable(row.link, longest=500), max(width - 4, 10)
    return rows + [line(f"    {link[at : at + room]}") for at in range(0, len(link), room)]


def _others(finding: Finding, fault: FaultId) -> str:
    others = [f"{other.spn}/{other.fmi}" for other in finding.faults if other != fault]
    shown = others[:6]
    more = f" and {len(others) - len(shown)} more" if len(others) > len(shown) else ""
    return f"with {', '.join(shown)}{more}"
