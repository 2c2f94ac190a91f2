"""All that is known of one fault, as rows of text.

Rule: the first screenful, 80 by 24 cells, answers what it is and what to do first; all else stands below it: the
faults that came with it, the maker's codes, usual causes, tests, and last its history.
"""

from __future__ import annotations

from collections.abc import Sequence

from faultlamp.bus.gaps import Gap
from faultlamp.findings.finding import Finding
from faultlamp.findings.onsets import FaultId
from faultlamp.history.controllers import Controller, Fault
from faultlamp.j1939.diagnostics import LAMP_PLACES, Lamp, Lamps
from faultlamp.knowledge.explanation import CLOSING, Explanation
from faultlamp.text import printable
from faultlamp.tui.detail.advice import causes_lines, codes_lines, heading, meaning_lines, start_lines, steps_lines
from faultlamp.tui.detail.history import key_cycle_lines, span_lines
from faultlamp.tui.findings.page import finding_lines
from faultlamp.tui.head.lamps import SHAPES
from faultlamp.tui.job import Job
from faultlamp.tui.lanes.lane import Lane
from faultlamp.tui.names import LAMP_WORDS, STATE_WORDS, count_of, title, who
from faultlamp.tui.paint import Line, Role, hung

_STATES = {
    "active": "active: the latest fault report (DM1) lists it",
    "silent": "not known: it was active when its controller stopped sending fault reports (DM1)",
    "stored": "previously active: not in the latest DM1, but in the latest DM2",
    "inactive": "not active: no fault report (DM1) lists it now",
}


def detail_lines(
    job: Job, lane: Lane, now_ns: int, width: int, explained: Explanation, findings: Sequence[Finding] = (),
    current: Sequence[Finding] = (), gaps: Sequence[Gap] = (),
) -> list[Line]:
    """The page of one fault, rows of at most `width` cells. Times are as on the axis.

    findings: those that the fault is in; current: findings that still stand. gaps: when nothing could be heard.
    """
    controller, fault = lane
    start_ns = job.history.start_ns or 0
    which = FaultId(*lane.key)
    several = len(job.history.channels) > 1
    code = f"SPN {fault.spn} FMI {fault.fmi}"
    name = explained.name or job.names.describe(fault.spn)
    rows = hung(f"{code}  ", name, width, Role.STRONG, begin_role=Role.TITLE)
    rows += hung("", title(explained.meaning), width, Role.STRONG)
    rows += hung("", f"{lane.shape} {_STATES[lane.state]}", width, Role.WARN if fault.active else Role.PLAIN)
    rows += hung("", f"{_sender(controller)}; {_count(fault)}", width)
    rows += hung("", _asked(controller.lamps), width)
    rows += start_lines(explained, [finding for finding in findings if finding in current], which, width)
    rows += causes_lines(explained, width)
    if findings:
        rows += heading("FAULTS THAT MAY HAVE THE SAME CAUSE")
        for finding in findings:
            rows += finding_lines(
                finding, start_ns, width, several=several, without=which, describe=job.names.describe
            )
    if explained.codes_note:
        rows += codes_lines(explained, fault.active, width)
    rows += steps_lines(explained, width)
    rows += meaning_lines(explained, width)
    rows += [*heading("WHEN IT WAS ACTIVE"), *span_lines(fault, start_ns, now_ns, width, gaps)]
    rows += [*heading("KEY CYCLES"), *key_cycle_lines(job, controller.channel, start_ns, width, gaps)]
    rows += [*heading("AS REPORTED"), *_reported(controller, fault, width)]
    return [*rows, Line(), *hung("", CLOSING, width, Role.STRONG)]


def _sender(controller: Controller) -> str:
    return (
        f"{title(who(controller.source_address))} (source address {controller.source_address}) "
        f"on {printable(controller.channel, longest=40)}"
    )


def _count(fault: Fault) -> str:
    if fault.occurrence_count is None:
        return "its controller does not count how often"
    return f"{count_of(fault.occurrence_count, 'time')} by its controller's count (OC)"


def _asked(lamps: Lamps | None) -> str:
    """The lamps that shine; all of them with their states stand further down."""
    if lamps is None:
        return "Lamps: not known, no fault report (DM1) at present"
    lit = [_lamp_words(lamp, lamps) for lamp in LAMP_WORDS if lamps[LAMP_PLACES[lamp]].lit]
    return f"Asks for {', '.join(lit)}" if lit else "Asks for no lamp"


def _lamp_words(lamp: Lamp, lamps: Lamps) -> str:
    state = lamps[LAMP_PLACES[lamp]]
    return f"{SHAPES[state]} {LAMP_WORDS[lamp]} {STATE_WORDS[state]}"


def _reported(controller: Controller, fault: Fault, width: int) -> list[Line]:
    rows = hung("Reported in  ", ", ".join(f"DM{dm}" for dm in sorted(fault.reported_in)), width, begin_role=Role.DIM)
    lamps = controller.lamps
    words = "not known: no fault report (DM1) at present" if lamps is None else (
        ", ".join(_lamp_words(lamp, lamps) for lamp in LAMP_WORDS)
        + ". They stand for all faults of this controller together."
    )
    rows += hung("Lamps        ", words, width, begin_role=Role.DIM)
    if fault.conversion_method:
        rows += hung(
            "Number       ", "sent in an older form (CM bit 1) in which the SPN cannot be known for certain; "
            "--spn-conversion says how to read it", width, begin_role=Role.DIM,
        )
    return rows
