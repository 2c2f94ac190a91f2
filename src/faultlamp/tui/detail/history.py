"""When a fault was active and when the key was on, as rows of text; what could not be heard is said."""

from __future__ import annotations

from collections.abc import Sequence

from faultlamp.bus.gaps import Gap
from faultlamp.history.controllers import Fault
from faultlamp.history.key_cycles import GAP_NS, KeyCycle
from faultlamp.history.spans import EndReason, Span
from faultlamp.tui.job import Job
from faultlamp.tui.lanes.bars import lost_after
from faultlamp.tui.names import count_of, who
from faultlamp.tui.paint import Line, hung, line
from faultlamp.tui.times import age, length, moment

_MOST_SPANS = 200
_ENDS = {EndReason.CLEARED: "cleared", EndReason.SILENT: "its controller fell silent"}


def span_lines(fault: Fault, start_ns: int, now_ns: int, width: int, gaps: Sequence[Gap]) -> list[Line]:
    """Each time it was active, newest first. Times are as on the axis."""
    if not fault.spans:
        return hung("", "Never in this job: only a report of earlier faults lists it.", width)
    rows: list[Line] = []
    if len(fault.spans) > 1:
        total_ns = sum((now_ns if span.end_ns is None else span.end_ns) - span.start_ns for span in fault.spans)
        rows += hung("", f"{len(fault.spans)} times, {length(total_ns)} in all. Newest first:", width)
    for span in reversed(fault.spans[-_MOST_SPANS:]):
        rows += _row(_span(span, start_ns, now_ns, gaps), width)
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


def key_cycle_lines(job: Job, channel: str, start_ns: int, width: int, gaps: Sequence[Gap]) -> list[Line]:
    """The key cycles of a channel, newest first."""
    cycles = job.history.key_cycles.get(channel)
    if cycles is None or not cycles.cycles:
        return hung("", f"None: {who(job.history.engine_address)} has not been heard on this channel.", width)
    rows = [line(f"{count_of(len(cycles.cycles), 'key cycle')}, newest first:")]
    for cycle in reversed(cycles.cycles[-_MOST_SPANS:]):
        rows += _row(_cycle(cycle, start_ns, gaps), width)
    return rows


def _cycle(cycle: KeyCycle, start_ns: int, gaps: Sequence[Gap]) -> str:
    end = moment(cycle.last_ns, start_ns) if cycle.over else "now     "
    highest = cycle.max_engine_speed_rpm
    ran = "engine ran" if cycle.engine_ran else "engine did not run"
    speed = "no engine speed seen" if highest is None else f"up to {highest:.0f} rpm"
    lost = cycle.over and any(gap.touches(cycle.last_ns, cycle.last_ns + GAP_NS) for gap in gaps)
    then = ", then not heard: the bus was lost" if lost else ""
    return f"{moment(cycle.start_ns, start_ns)} to {end}  {ran}, {speed}{then}"


def _row(text: str, width: int) -> list[Line]:
    """As it is, its columns under those of other rows; where that is too wide, as a paragraph."""
    return [line(text)] if len(text) <= width else hung("", text, width, more="  ")
