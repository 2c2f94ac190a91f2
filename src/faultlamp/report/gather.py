"""From what was heard to the paper.

Rule: a pure function: it reads no file and no clock. Command and dashboard both come through here, so that a recording
gives the same paper whether it is read at once or played.
"""

from __future__ import annotations

from collections.abc import Sequence

from faultlamp import __version__
from faultlamp.findings.finding import Finding, fault_words
from faultlamp.findings.shared_causes import SharedCauses, shared_causes
from faultlamp.knowledge.shared_causes import load_shared_causes
from faultlamp.report.checks import check_rows
from faultlamp.report.faults import advice_on, fault_rows
from faultlamp.report.lamp_check import lamp_check
from faultlamp.report.lamps import lamp_rows
from faultlamp.report.machine import cycle_rows, machine_facts, node_rows
from faultlamp.report.paper import About, Cause, Fact, Heard, Paper
from faultlamp.report.readings import reading_rows
from faultlamp.report.standing import standings
from faultlamp.report.timeline import timeline
from faultlamp.report.verdict import verdict
from faultlamp.report.words import Clock, Senders, count_of, length, title

MOST_NOTES = 200
MOST_FILES = 200
_MOST_CAUSES = 10
_MOST_FAULTS_OF_ONE = 12


def gather(heard: Heard, about: About) -> Paper:
    """All of the paper."""
    history = heard.history
    at_ns = history.end_ns or 0 if heard.at_ns is None else heard.at_ns
    clock = Clock(at_ns if history.start_ns is None else history.start_ns, at_ns)
    senders = Senders(len(history.channels) > 1)
    found = standings(history)
    readings, readings_note = ((), "") if not history.frames else reading_rows(heard, at_ns, senders, about.system)
    rules = load_shared_causes()
    causes = shared_causes(
        history, at_ns, rules, nodes=heard.nodes, all_of_it=True, describe=heard.names.describe
    )
    lamps, lamp_note = lamp_rows(history, at_ns, clock, senders)
    faults, faults_left_out = fault_rows(heard, found, clock, senders)
    advice, advice_left_out = advice_on(heard, found, senders)
    checks, checks_notes = check_rows(heard, at_ns, senders)
    cycles, cycles_note = cycle_rows(history, at_ns, clock, senders)
    nodes, nodes_note = node_rows(history, heard.nodes, clock, senders)
    return Paper(
        title=about.title or _usual_title(heard),
        job=_job(heard, about, at_ns, clock),
        machine=machine_facts(history, heard.nodes, readings, senders),
        notes=_notes(about.notes),
        moments=_moments(about, clock),
        verdict=verdict(heard, found, clock, senders),
        lamps=lamps, lamp_note=lamp_note, lamp_check=lamp_check(history),
        timeline=timeline(history, found, at_ns, clock, senders),
        faults=faults, faults_left_out=faults_left_out, with_codes=heard.crosswalk is not None,
        causes_hint=rules.caution,
        causes=tuple(_cause(one, heard, rules.caution, clock, senders) for one in causes.findings[:_MOST_CAUSES]),
        causes_note=_causes_note(causes),
        checks=checks, checks_notes=checks_notes,
        advice=advice, advice_left_out=advice_left_out,
        readings=readings, readings_note=readings_note,
        cycles=cycles, cycles_note=cycles_note, nodes=nodes, nodes_note=nodes_note,
        provenance=_provenance(heard), files=tuple(heard.files[:MOST_FILES]),
        files_left_out=f"and {len(heard.files) - MOST_FILES:,} more files" if len(heard.files) > MOST_FILES else "",
    )


def _usual_title(heard: Heard) -> str:
    if not heard.files:
        return "Fault report"
    more = f" and {len(heard.files) - 1} more" if len(heard.files) > 1 else ""
    # The folders are of interest to nobody who gets the paper; the files stand with them at its end.
    name = heard.files[0].name.replace("\\", "/").rpartition("/")[2]
    return f"Fault report: {name}{more}"


def _job(heard: Heard, about: About, at_ns: int, clock: Clock) -> tuple[Fact, ...]:
    facts = []
    if heard.history.frames:
        facts.append(Fact("Recorded", clock.day(clock.start_ns)))
        if heard.history.clock_steps:
            facts.append(Fact("Length", "not known: the clock stepped back"))
        else:
            facts.append(Fact("Length", f"{length(at_ns - clock.start_ns)}, to {clock.moment(at_ns)}"))
    facts += [Fact(name, text) for name, text in (("Customer", about.customer), ("Done by", about.technician)) if text]
    return tuple(facts)


def _notes(notes: Sequence[str]) -> tuple[str, ...]:
    more = (f"and {len(notes) - MOST_NOTES:,} more lines of notes",) if len(notes) > MOST_NOTES else ()
    return (*notes[:MOST_NOTES], *more)


def _moments(about: About, clock: Clock) -> tuple[Fact, ...]:
    moments = sorted(about.moments, key=lambda one: one.time_ns)
    facts = [Fact(clock.moment(one.time_ns), one.note or "marked") for one in moments[:MOST_NOTES]]
    more = [Fact("", f"and {len(moments) - MOST_NOTES:,} more marks")] if len(moments) > MOST_NOTES else []
    return (*facts, *more)


def _cause(finding: Finding, heard: Heard, said: str, clock: Clock, senders: Senders) -> Cause:
    began = list(zip(finding.faults, finding.evidence.begins_ns, strict=True))
    verb = "began" if finding.evidence.seen else "there since"
    faults = [
        f"{fault_words(fault, heard.names.describe)}, {senders.cell(fault.channel, fault.source_address)}, {verb} "
        f"{clock.moment(time_ns)}"
        for fault, time_ns in began[:_MOST_FAULTS_OF_ONE]
    ]
    if len(began) > _MOST_FAULTS_OF_ONE:
        faults.append(f"and {len(began) - _MOST_FAULTS_OF_ONE} more")
    return Cause(
        title(finding.sentence), tuple(faults), finding.points_to, "; ".join(finding.evidence.lines),
        tuple(caution for caution in finding.cautions if caution != said), finding.tests,
    )


def _causes_note(causes: SharedCauses) -> str:
    if causes.crowded:
        return f"{count_of(len(causes.alone), 'fault')} at once: too many to look for common causes."
    more = len(causes.findings) - _MOST_CAUSES
    return f"{count_of(more, 'further group')} not shown: faultlamp faults --with-findings." if more > 0 else ""


def _provenance(heard: Heard) -> tuple[Fact, ...]:
    history = heard.history
    counts = history.transport_counts().as_dict()
    facts = [
        Fact("Frames", f"{history.frames:,}"),
        Fact("Channels", ", ".join(sorted(history.channels)[:50]) or "none"),
        Fact("Lines that are no frame", f"{heard.bad_lines:,}"),
        Fact("Steps back of the clock", f"{history.clock_steps:,}"),
        Fact(
            "Multi-packet messages",
            ", ".join(f"{count:,} {name.replace('_', ' ')}" for name, count in counts.items()),
        ),
        Fact("Key cycles of", f"source address {history.engine_address}"),
        *(Fact("Warning", text) for text in heard.warnings[:20]),
    ]
    if heard.crosswalk is not None:
        facts.append(Fact("Maker's codes from", heard.crosswalk.file))
    return (*facts, Fact("Made with", f"faultlamp {__version__}"))
