"""All that is known of one fault, as rows of text: what it means, who says so, when it came and went, what to heed."""

from __future__ import annotations

from collections.abc import Sequence

from faultlamp.bus.gaps import Gap
from faultlamp.history.controllers import Controller, Fault
from faultlamp.history.key_cycles import GAP_NS, KeyCycle
from faultlamp.history.spans import EndReason, Span
from faultlamp.j1939.diagnostics import Lamp, Lamps, LampState
from faultlamp.knowledge.names import describe_spn, fmi_meaning
from faultlamp.text import printable
from faultlamp.tui.head.lamps import SHAPES
from faultlamp.tui.job import Job
from faultlamp.tui.lanes.bars import lost_after
from faultlamp.tui.lanes.lane import Lane
from faultlamp.tui.names import LAMP_PLACES, LAMP_WORDS, STATE_WORDS, count_of, title, who
from faultlamp.tui.paint import Line, Piece, Role, line, wrap
from faultlamp.tui.times import age, length, moment

CAUTIONS = (
    "Key off before a connector is pulled.",
    "Hot and moving parts: keep clear while the engine can turn or is hot.",
    "A red stop lamp means stop the engine.",
    "The maker's manual decides what is tested and repaired, and how.",
)
_MOST_SPANS = 200
_STATES = {
    "active": "active: the latest fault report (DM1) lists it",
    "silent": "not known: it was active when its controller stopped sending fault reports (DM1)",
    "stored": "previously active: not in the latest DM1, but in the latest DM2",
    "inactive": "not active: no fault report (DM1) lists it now",
}
_ENDS = {EndReason.CLEARED: "cleared", EndReason.SILENT: "its controller fell silent"}


def detail_lines(job: Job, lane: Lane, now_ns: int, width: int, gaps: Sequence[Gap] = ()) -> list[Line]:
    """The page of one fault, rows of at most `width` cells. Times are as on the axis.

    gaps: when nothing could be heard.
    """
    controller, fault = lane
    start_ns = job.history.start_ns or 0
    rows = [
        line(Piece(f"SPN {fault.spn} FMI {fault.fmi}", Role.TITLE)),
        *_text(describe_spn(fault.spn), width, Role.STRONG),
        *_text(title(fmi_meaning(fault.fmi)), width, Role.STRONG),
        Line(),
        *_entry("State", f"{lane.shape} {_STATES[lane.state]}", width),
        *_entry("Reported by", _sender(controller), width),
        *_entry("Came so far", _count(fault), width),
        *_entry("Reported in", ", ".join(f"DM{dm}" for dm in sorted(fault.reported_in)), width),
        *_entry("Lamps", _lamps(controller), width),
    ]
    if fault.conversion_method:
        rows += _entry(
            "Number", "sent in an older form (CM bit 1) in which the SPN cannot be known for certain; "
            "--spn-conversion says how to read it", width,
        )
    rows += [Line(), line(Piece("BEFORE YOU TOUCH ANYTHING", Role.TITLE))]
    rows += [row for caution in CAUTIONS for row in _text(f"! {caution}", width, Role.PLAIN)]
    rows += [Line(), line(Piece("WHEN IT WAS ACTIVE", Role.TITLE)), *_spans(fault, start_ns, now_ns, width, gaps)]
    rows += [Line(), line(Piece("KEY CYCLES", Role.TITLE)), *_key_cycles(job, controller.channel, start_ns, gaps)]
    return rows


def _sender(controller: Controller) -> str:
    return (
        f"{title(who(controller.source_address))} (source address {controller.source_address}) "
        f"on {printable(controller.channel, longest=40)}"
    )


def _count(fault: Fault) -> str:
    if fault.occurrence_count is None:
        return "its controller does not count"
    return f"{count_of(fault.occurrence_count, 'time')} by its controller's count (OC)"


def _lamps(controller: Controller) -> str:
    lamps = controller.lamps
    if lamps is None:
        return "not known: no fault report (DM1) at present"
    words = [f"{SHAPES[state]} {LAMP_WORDS[lamp]} {STATE_WORDS[state]}" for lamp, state in _by_gravity(lamps)]
    return ", ".join(words) + ". They stand for all faults of this controller together."


def _by_gravity(lamps: Lamps) -> list[tuple[Lamp, LampState]]:
    return [(lamp, lamps[LAMP_PLACES[lamp]]) for lamp in LAMP_WORDS]


def _spans(fault: Fault, start_ns: int, now_ns: int, width: int, gaps: Sequence[Gap]) -> list[Line]:
    if not fault.spans:
        return [line("Never in this job: only a report of earlier faults lists it.")]
    rows = []
    if len(fault.spans) > 1:
        total_ns = sum((now_ns if span.end_ns is None else span.end_ns) - span.start_ns for span in fault.spans)
        rows += _text(f"{len(fault.spans)} times, {length(total_ns)} in all. Newest first:", width, Role.PLAIN)
    rows += [line(_span(span, start_ns, now_ns, gaps)) for span in reversed(fault.spans[-_MOST_SPANS:])]
    if len(fault.spans) > _MOST_SPANS:
        rows.append(line(f"and {len(fault.spans) - _MOST_SPANS} before that"))
    return rows


def _span(span: Span, start_ns: int, now_ns: int, gaps: Sequence[Gap]) -> str:
    begin = moment(span.start_ns, start_ns)
    until_ns = now_ns if span.end_ns is None else span.end_ns
    unheard = sum(gap.touches(span.start_ns, until_ns) for gap in gaps)
    but = f", but for {count_of(unheard, 'gap')} in which the bus was lost" if unheard else ""
    if span.end_ns is None:
        return f"{begin} to now       {age(now_ns - span.start_ns)}{but}"
    end = moment(span.end_ns, start_ns)
    then = "not heard: the bus was lost" if lost_after(span, gaps) else _ENDS.get(span.reason, "")
    return f"{begin} to {end}  {length(span.end_ns - span.start_ns)}{but}, then {then}"


def _key_cycles(job: Job, channel: str, start_ns: int, gaps: Sequence[Gap]) -> list[Line]:
    cycles = job.history.key_cycles.get(channel)
    if cycles is None or not cycles.cycles:
        return [line(f"None: {who(job.history.engine_address)} has not been heard on this channel.")]
    rows = [line(_cycle(cycle, start_ns, gaps)) for cycle in reversed(cycles.cycles[-_MOST_SPANS:])]
    return [line(f"{count_of(len(cycles.cycles), 'key cycle')}, newest first:"), *rows]


def _cycle(cycle: KeyCycle, start_ns: int, gaps: Sequence[Gap]) -> str:
    end = moment(cycle.last_ns, start_ns) if cycle.over else "now     "
    highest = cycle.max_engine_speed_rpm
    ran = "engine ran" if cycle.engine_ran else "engine did not run"
    speed = "no engine speed seen" if highest is None else f"up to {highest:.0f} rpm"
    lost = cycle.over and any(gap.touches(cycle.last_ns, cycle.last_ns + GAP_NS) for gap in gaps)
    then = ", then not heard: the bus was lost" if lost else ""
    return f"{moment(cycle.start_ns, start_ns)} to {end}  {ran}, {speed}{then}"


def _entry(name: str, text: str, width: int) -> list[Line]:
    first, *more = wrap(text, max(width - 14, 10))
    return [line(Piece(f"{name:<12}", Role.DIM), f"  {first}"), *(line(" " * 14 + row) for row in more)]


def _text(text: str, width: int, role: Role) -> list[Line]:
    return [line(Piece(row, role)) for row in wrap(text, width)]
