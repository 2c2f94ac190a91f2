"""The rows of the fault table, and what to do about the faults.

Rule: every fault has a row, up to a bound that is said; what is active comes first. The lamps belong to the
controller's whole message (SAE J1939-73, section 5.7.1), so they rank the maker's codes but prove none. Ranking is by
those of the last report that listed the fault; lamps that were asked for earlier while it was active are named too.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from faultlamp.history.spans import EndReason, Span
from faultlamp.j1939.diagnostics import Lamp
from faultlamp.knowledge.crosswalk import LAMP_WORDS, Crosswalk, RankedRow
from faultlamp.knowledge.explanation import explanation
from faultlamp.knowledge.names import fmi_meaning
from faultlamp.report.fault_lamps import LampTimes
from faultlamp.report.paper import Advice, CodeCell, FaultRow, Heard
from faultlamp.report.standing import ACTIVE, SHAPES, SILENT, WORDS, Standing
from faultlamp.report.words import Clock, Senders, count_of, length, together

MOST_FAULTS = 2000
MOST_AT_LENGTH = 12
MOST_SHORT = 24

_MOST_SPANS = 5
_MOST_CODES = 4
_ENDS = {EndReason.CLEARED: "", EndReason.SILENT: "; silent", EndReason.CAPTURE_END: ""}


def fault_rows(
    heard: Heard, found: Sequence[Standing], clock: Clock, senders: Senders
) -> tuple[tuple[FaultRow, ...], str]:
    """The rows, and how many faults found no room."""
    times: dict[tuple[str, int], LampTimes] = {}
    rows = tuple(
        _row(heard, one, _with_it(heard, one, times), clock, senders) for one in found[:MOST_FAULTS]
    )
    rest = Counter(one.state for one in found[MOST_FAULTS:])
    if not rest:
        return rows, ""
    counted = ", ".join(f"{rest[state]:,} {words}" for state, words in WORDS.items() if rest[state])
    return rows, (
        f"{rest.total():,} more faults are not in this table ({counted}); faultlamp faults --format csv lists all."
    )


def advice_on(heard: Heard, found: Sequence[Standing], senders: Senders) -> tuple[tuple[Advice, ...], str]:
    """What to do about each pair of SPN and FMI: at length where it is active or may be, else in short.

    A pair that several controllers report is one.
    """
    groups: dict[tuple[int, int, bool], list[Standing]] = {}
    for one in found:
        at_length = one.state in (ACTIVE, SILENT)
        groups.setdefault((one.fault.spn, one.fault.fmi, at_length), []).append(one)
    long = [key for key in groups if key[2]]
    told = {key[:2] for key in long}
    short = [key for key in groups if not key[2] and key[:2] not in told]
    shown = long[:MOST_AT_LENGTH] + short[:MOST_SHORT]
    left_out = len(long) + len(short) - len(shown)
    note = f"{count_of(left_out, 'further code')} not explained here: faultlamp explain SPN FMI." if left_out else ""
    return tuple(_advice(heard, groups[key], key[2], senders) for key in shown), note


def _advice(heard: Heard, group: list[Standing], at_length: bool, senders: Senders) -> Advice:
    first = group[0]
    spn, fmi = first.fault.spn, first.fault.fmi
    who = together([senders.name(one.controller.channel, one.controller.source_address) for one in group])
    return Advice(
        f"SPN {spn} FMI {fmi}", f"{SHAPES[first.state]} {WORDS[first.state]}, {who}",
        explanation(spn, fmi, first.lamps, names=heard.names, crosswalk=heard.crosswalk), at_length,
    )


def _with_it(heard: Heard, one: Standing, times: dict[tuple[str, int], LampTimes]) -> tuple[Lamp, ...] | None:
    """All lamps asked for while the fault was active, the gravest first; None: nobody knows. times: of those so far."""
    # After a step back of the clock other times may lie over those of the fault.
    if not one.fault.spans or heard.history.clock_steps:
        return None
    key = one.controller.channel, one.controller.source_address
    if key not in times:
        cycles = heard.history.key_cycles.get(key[0])
        times[key] = LampTimes(one.controller, () if cycles is None else cycles.cycles, heard.at_ns or 0)
    ever = times[key].while_active(one.fault)
    return tuple(lamp for lamp in LAMP_WORDS if lamp in ever or lamp in (one.lamps or ()))


def _row(heard: Heard, one: Standing, with_it: tuple[Lamp, ...] | None, clock: Clock, senders: Senders) -> FaultRow:
    controller, fault, state, _ = one
    codes, more_codes = _codes(heard.crosswalk, one, with_it)
    spans = tuple(_span(span, heard.at_ns or 0, clock) for span in fault.spans[-_MOST_SPANS:])
    return FaultRow(
        controller.channel, controller.source_address, fault.spn, fault.fmi, state, SHAPES[state], WORDS[state],
        heard.names.describe(fault.spn), fmi_meaning(fault.fmi),
        senders.cell(controller.channel, controller.source_address), _lamps(one, with_it), _count(one),
        clock.moment(fault.first_seen_ns), clock.moment(fault.last_seen_ns),
        spans or ("never active in this job",), _more_spans(fault.spans, heard.at_ns or 0),
        ", ".join(f"DM{dm}" for dm in sorted(fault.reported_in)), codes, more_codes,
    )


def _lamps(one: Standing, with_it: tuple[Lamp, ...] | None) -> str:
    if not one.fault.spans:
        return ""
    last = "" if one.lamps is None else f"{_lamp_names(one.lamps)} in the last report that listed it"
    if with_it is None:
        return f"with {last}" if last else "lamps not known"
    if not with_it and one.lamps is None:
        return "lamps not known"
    said = f"with {_lamp_names(with_it)} while active"
    return said if one.lamps in (None, with_it) else f"{said}; {last}"


def _lamp_names(lamps: tuple[Lamp, ...]) -> str:
    return ", ".join(LAMP_WORDS[lamp].removesuffix(" lamp") for lamp in lamps) or "no lamp"


def _count(one: Standing) -> str:
    first, last = one.fault.first_occurrence_count, one.fault.occurrence_count
    if last is None:
        return "not counted"
    return str(last) if first == last else f"{first} → {last}"


def _span(span: Span, at_ns: int, clock: Clock) -> str:
    until_ns = at_ns if span.end_ns is None else span.end_ns
    end = "the end" if span.end_ns is None else clock.moment(span.end_ns)
    return f"{clock.moment(span.start_ns)} to {end} ({length(until_ns - span.start_ns)}{_ENDS[span.reason]})"


def _more_spans(spans: Sequence[Span], at_ns: int) -> str:
    if len(spans) <= 1:
        return ""
    total_ns = sum((at_ns if span.end_ns is None else span.end_ns) - span.start_ns for span in spans)
    earlier = f"; the last {_MOST_SPANS}:" if len(spans) > _MOST_SPANS else ":"
    return f"{count_of(len(spans), 'time')}, {length(total_ns)} in all{earlier}"


def _codes(
    crosswalk: Crosswalk | None, one: Standing, with_it: tuple[Lamp, ...] | None
) -> tuple[tuple[CodeCell, ...], str]:
    if crosswalk is None:
        return (), ""
    ranked = crosswalk.look_up(one.fault.spn, one.fault.fmi, one.lamps)
    more = f"and {len(ranked) - _MOST_CODES} more" if len(ranked) > _MOST_CODES else ""
    cells = tuple(
        CodeCell(each.row.code, each.row.title, _reason(each, one, with_it)) for each in ranked[:_MOST_CODES]
    )
    return cells, more


def _reason(each: RankedRow, one: Standing, with_it: tuple[Lamp, ...] | None) -> str:
    """Why a code stands where it does; of a fault that is active no more, as of then."""
    lamp = each.row.lamp
    if lamp is None or one.lamps is None:
        return each.reason
    words = f"for the {LAMP_WORDS[lamp]}"
    if lamp in (with_it or ()) and lamp not in one.lamps:
        return f"{words}, which was asked for earlier"
    asked = "asked for" if lamp in one.lamps else "not asked for"
    return f"{words}, which {'is' if one.fault.active else 'was'} {asked}"
