"""The comparison of two recordings as a page of text for people: the verdict first, then what speaks for it."""

from __future__ import annotations

from collections import Counter
from typing import Any

from rich.console import Console
from rich.text import Text

from faultlamp.cli.finding_table import paragraph
from faultlamp.cli.output import clock, console, day, duration
from faultlamp.knowledge.addresses import address_name
from faultlamp.knowledge.names import describe_spn
from faultlamp.text import printable

_MOST_STORED = 12
_MOST_RUNS = 6
_MOST_CYCLES = 12
# Headings, by change and whether it is proven; None: either.
_GROUPS = (
    ("stayed", None, "Stayed", "bold red"),
    ("came", None, "Came: not active in BEFORE", "bold red"),
    ("cleared", False, "Active again, then cleared: no proof of a repair", "bold"),
    ("cleared", True, "Still active at first, then cleared, and stayed away", "bold"),
    ("not_heard", None, "Not heard: the sender gave no fault report (DM1) in AFTER", "bold"),
    ("went", False, "Went, but no proof of a repair", "bold"),
    ("went", True, "Went", "bold"),
)
_VERDICT_STYLE = {"held": "bold green", "not_held": "bold red"}
_DOUBTS = {
    "heard_too_briefly": "its sender was heard for too short a time: record longer",
    "no_key_cycle": "no key cycle in which it could be heard, so whether the engine ran is not known: record with the "
    "engine's controller on the bus; is its address right (--engine-address)?",
    "no_clean_key_cycle": "no key cycle without it yet: key off, on, and run again",
    "no_engine_speed": "no engine speed was sent, so whether the engine ran is not known: record with the engine's "
    "controller on the bus",
    "engine_did_not_run": "the engine did not run meanwhile, and the fault may need that (common practice, no source): "
    "run it and record again",
    "sender_fell_silent": "its sender fell silent while the key was on: check its supply and wiring",
    "came_again": "AFTER was without it, and then it came: it is not repaired",
    "still_reported": "AFTER still lists it as pending or emission-related and active: run until it is confirmed or "
    "dropped",
    "other_fmi": "AFTER has the same SPN active with another failure mode (FMI): this part or its wiring is not in "
    "order yet",
}
_LIT = ("on", "slow_flash", "fast_flash")
_RED_STOP = "A red stop lamp means: stop the engine as soon as that is safe. The maker's manual decides what follows."
_NOT_HEARD = (
    "Was the key on, and is its controller on the bus? Some send DM1 only while a fault is active (common practice, no "
    "source): then only asking tells (faultlamp ask, which transmits)."
)
_CONNECTOR = "Key off before a connector is pulled. Keep clear of hot and moving parts."


def print_table(document: dict[str, Any]) -> None:
    """Verdict, recordings, faults by what became of them, lamps and key cycles on standard output."""
    out = console()
    several = len(document["channels"]) > 1
    out.print(Text(document["sentence"], style=_VERDICT_STYLE.get(document["verdict"], "bold")))
    if any(lamp["lamp"] == "red_stop" and _lit_now(lamp["after"]) for lamp in document["lamps"]):
        out.print(Text(_RED_STOP, style="bold red"))
    out.print()
    for name in ("before", "after"):
        paragraph(out, f"{name.upper():<7} ", _recording(document[name]))
    paragraph(out, "        ", _channels(document["channels"]))
    if document["faults"]:
        out.print(Text(_CONNECTOR))
    for change, proven, heading, style in _GROUPS:
        faults = [fault for fault in document["faults"]
                  if fault["change"] == change and proven in (None, fault["proven"])]
        if faults:
            out.print(Text(f"\n{heading} ({len(faults)})", style=style))
        if change == "not_heard" and faults:
            paragraph(out, "  ", _NOT_HEARD)
        for fault in faults:
            _print_fault(out, fault, several)
    _print_stored(out, document)
    _print_lamps(out, document["lamps"], several)
    _print_key_cycles(out, document, several)


def _recording(capture: dict[str, Any]) -> str:
    file = ", ".join("standard input" if name == "-" else printable(name) for name in capture["files"])
    lines = capture["bad_lines"]
    bad = f", {lines} {'line that is' if lines == 1 else 'lines that are'} no frame" if lines else ""
    if not capture["frames"]:
        return f"{file}: no frames{bad}"
    back = capture["clock_steps"]
    steps = f", the clock stepped back {'once' if back == 1 else f'{back} times'}" if back else ""
    # Where the clock stepped back, the last time stamp minus the first is no length.
    length = "" if back else f" in {duration(max(0.0, capture['end'] - capture['start']))}"
    frames = "1 frame" if capture["frames"] == 1 else f"{capture['frames']} frames"
    return f"{file}: {frames}{length} from {day(capture['start'])}{steps}{bad}"


def _channels(pairs: list[dict[str, Any]]) -> str:
    words = []
    for pair in pairs:
        before, after = (None if pair[side] is None else printable(pair[side]) for side in ("before", "after"))
        if before is None or after is None:
            words.append(f"{before or after} only in {'AFTER' if before is None else 'BEFORE'}")
        elif before == after:
            words.append(f"{before} in both")
        else:
            why = "the only ones" if pair["matched_by"] == "only_one" else "as given"
            words.append(f"{before} before is {after} after ({why})")
    return f"channels: {'; '.join(words) or 'none'}"


def _sender(entry: dict[str, Any], several: bool) -> str:
    address = entry["source_address"]
    name = address_name(address)
    channel = entry["channel"]["after"] if entry["channel"]["before"] is None else entry["channel"]["before"]
    where = f" on {printable(channel)}" if several else ""
    return (f"{name} ({address})" if name else f"address {address}") + where


def _print_fault(out: Console, fault: dict[str, Any], several: bool) -> None:
    code = f"  SPN {fault['spn']:<6} FMI {fault['fmi']:<2}  "
    indent = " " * len(code)
    paragraph(out, code, f"{fault['spn_name'] or describe_spn(fault['spn'])}: {fault['fmi_meaning']}")
    paragraph(out, indent, f"{_sender(fault, several)}, {_count(fault)}")
    paragraph(out, indent, f"before: {_before(fault)}")
    paragraph(out, indent, f"after: {_after(fault)}")
    # One that came again is not repaired; nothing else matters then.
    for doubt in fault["doubts"][: 1 if "came_again" in fault["doubts"] else None]:
        paragraph(out, f"{indent}? ", _DOUBTS[doubt])


def _count(fault: dict[str, Any]) -> str:
    counts = [None if fault[side] is None else fault[side]["occurrence_count"] for side in ("before", "after")]
    if counts[0] is None and counts[1] is None:
        return "count not given"
    if counts[0] == counts[1]:
        return f"count {counts[0]} as before"
    if counts[1] is None:
        return f"count {counts[0]} before"
    return f"count {counts[1]}" if counts[0] is None else f"count {counts[0]} before, {counts[1]} after"


def _before(fault: dict[str, Any]) -> str:
    there, evidence = fault["before"], fault["evidence_before"]
    if there is not None and there["active_spans"]:
        return _spans(there)
    if there is not None:
        return f"known, but not active: {_listed(there)}"
    if not evidence["heard"]:
        return "not listed; " + _absence(evidence) + ", so it may be an old one"
    return f"not listed, {_absence(evidence)}"


def _after(fault: dict[str, Any]) -> str:
    there, evidence = fault["after"], fault["evidence_after"]
    if fault["change"] == "not_heard":
        return "not known" if there is None else f"not known; {_listed(there)}"
    if fault["change"] == "went":
        stored = {
            "not_listed": "not listed", "previously_active": "not active; remembered as previously active (DM2)",
            "otherwise_reported": "" if there is None else f"not active; {_listed(there)}",
        }[fault["how"]]
        return f"{stored}, {_absence(evidence)}"
    text = _spans(there)
    runs = [str(first) if first == last else f"{first} to {last}" for first, last in evidence["with_fault_numbers"]]
    if runs:
        more = f" and {len(runs) - _MOST_RUNS} runs more" if len(runs) > _MOST_RUNS else ""
        one = len(runs) == 1 and runs[0].isdigit()
        text += f", in key cycle{'' if one else 's'} {', '.join(runs[:_MOST_RUNS])}{more}"
    if fault["how"] == "cleared":
        text += f"; since then {_absence(evidence)}"
    elif fault["intermittent"]:
        text += "; comes and goes: look for a loose contact first"
    return text


def _listed(there: dict[str, Any]) -> str:
    return f"reported in {', '.join(there['reported_in'])}"


def _spans(there: dict[str, Any]) -> str:
    spans = there["active_spans"]
    last = spans[-1]
    end = "to the end" if last["end"] is None else f"to {clock(last['end'])}"
    if last["end_reason"] == "silent":
        end += ", then silent"
    if len(spans) > 1:
        return f"active {len(spans)} times, the last {clock(last['start'])} {end}"
    return f"active {clock(last['start'])} {end}"


def _absence(evidence: dict[str, Any]) -> str:
    cycles, ran = evidence["without_fault"], evidence["without_fault_engine_ran"]
    if not evidence["heard"]:
        return "its sender was not heard"
    heard = f"heard for {duration(evidence['absent_s'])}"
    if not cycles:
        return f"{heard} without it, in no whole key cycle"
    if cycles == 1:
        return f"{heard} without it, over 1 key cycle{', engine running' if ran else ', engine not seen running'}"
    return f"{heard} without it, over {cycles} key cycles, {ran or 'none'} with the engine running"


def _print_stored(out: Console, document: dict[str, Any]) -> None:
    stored = [fault for fault in document["faults"] if fault["change"] == "stored_only"]
    if not stored:
        return
    out.print(Text(f"\nActive in neither, only stored or pending ({len(stored)})", style="bold"))
    for fault in stored[:_MOST_STORED]:
        sides = [f"{side} in {', '.join(fault[side]['reported_in'])}" for side in ("before", "after") if fault[side]]
        name = fault["spn_name"] or describe_spn(fault["spn"])
        paragraph(out, f"  SPN {fault['spn']:<6} FMI {fault['fmi']:<2}  ", f"{name}: {', '.join(sides)}")
    if len(stored) > _MOST_STORED:
        out.print(Text(f"  and {len(stored) - _MOST_STORED} more (--format json)"))


def _print_lamps(out: Console, lamps: list[dict[str, Any]], several: bool) -> None:
    if not lamps:
        return
    out.print(Text("\nLamps asked for, at the end", style="bold"))
    lit = [lamp for lamp in lamps if any(_was_lit(lamp[side]) for side in ("before", "after"))]
    for lamp in lit:
        name = lamp["lamp"].replace("_", " ")
        paragraph(out, f"  {name:<22} ", f"{_sender(lamp, several)}: before {_lamp(lamp['before'])}, "
                                         f"after {_lamp(lamp['after'])}")
    if len(lit) < len(lamps):
        out.print(Text("  all others were never asked for" if lit else "  none was ever asked for"))


def _was_lit(side: dict[str, Any] | None) -> bool:
    return side is not None and (bool(side["lit_s"]) or _lit_now(side))


def _lit_now(side: dict[str, Any] | None) -> bool:
    return side is not None and side["last_state"] in _LIT


def _lamp(side: dict[str, Any] | None) -> str:
    if side is None:
        return "not heard"
    lit = f" (lit {duration(side['lit_s'])})" if _was_lit(side) else ""
    state = str(side["last_state"]).replace("_", " ")
    return (state.upper() if _lit_now(side) else state) + lit


def _print_key_cycles(out: Console, document: dict[str, Any], several: bool) -> None:
    for side, cycles in document["key_cycles"].items():
        ran = sum(cycle["engine_ran"] for cycle in cycles)
        if not cycles:
            out.print(Text(f"\nNo key cycle {side}: the engine's address sent nothing."))
            continue
        out.print(Text(f"\nKey cycles {side}: {len(cycles)}, {ran or 'none'} with the engine running", style="bold"))
        numbers = _numbers(cycles)
        for number, cycle in list(zip(numbers, cycles, strict=True))[-_MOST_CYCLES:]:
            end = "the end" if cycle["end"] is None else clock(cycle["end"])
            where = f" on {printable(cycle['channel'])}" if several else ""
            paragraph(out, "  ", f"{number}{where}: {clock(cycle['start'])} to {end}, {_engine(cycle)}")
        if len(cycles) > _MOST_CYCLES:
            out.print(Text(f"  and {len(cycles) - _MOST_CYCLES} earlier ones (--format json)"))


def _numbers(cycles: list[dict[str, Any]]) -> list[int]:
    """Key cycles are counted on each channel, from 1."""
    counted: Counter[str] = Counter()
    numbers = []
    for cycle in cycles:
        counted[cycle["channel"]] += 1
        numbers.append(counted[cycle["channel"]])
    return numbers


def _engine(cycle: dict[str, Any]) -> str:
    top = cycle["max_engine_speed_rpm"]
    if top is None:
        return "no engine speed seen"
    return f"{'engine ran' if cycle['engine_ran'] else 'engine did not run'}, up to {top:.0f} rpm"
