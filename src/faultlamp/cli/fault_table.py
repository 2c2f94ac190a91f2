"""The fault history as a page of text for people."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from rich.console import Console
from rich.text import Text

from faultlamp.cli.finding_table import paragraph, print_causes, print_checks
from faultlamp.cli.output import clock, console, day, duration
from faultlamp.findings.check import Check
from faultlamp.findings.finding import Describe
from faultlamp.findings.shared_causes import SharedCauses
from faultlamp.knowledge.addresses import address_name
from faultlamp.knowledge.names import describe_spn
from faultlamp.text import printable

_STATE_WORDS = {
    "active": "Active", "previously_active": "Previously active: gone, but the controller remembers it",
    "inactive": "No longer reported",
}
_STATE_STYLE = {"active": "bold red", "previously_active": "bold", "inactive": "bold"}
_LAMP_WORDS = {
    "malfunction_indicator": "malfunction indicator", "red_stop": "red stop", "amber_warning": "amber warning",
    "protect": "protect",
}
_LIT = {"on": "on", "slow_flash": "slow flash", "fast_flash": "fast flash"}
_RED_STOP = "A red stop lamp means: stop the engine as soon as that is safe. The maker's manual decides what follows."
_CONNECTOR = "Key off before a connector is pulled. Keep clear of hot and moving parts."


def print_table(
    document: dict[str, Any], causes: SharedCauses, checks: Sequence[Check] | None = None, *,
    describe: Describe = describe_spn,
) -> None:
    """Summary, where to look first, faults, lamps, key cycles and plausibility on standard output.

    checks: None leaves plausibility out. describe: what parameters are called.
    """
    out = console()
    capture = document["capture"]
    several = len(capture["channels"]) > 1
    paragraph(out, "", _headline(capture))
    out.print()
    out.print(Text(_sentence(document), style="bold"))
    if any(span["state"] in _LIT and span["end"] is None and lamp["lamp"] == "red_stop"
           for lamp in document["lamps"] for span in lamp["spans"]):
        out.print(Text(_RED_STOP, style="bold red"))
    if document["faults"]:
        out.print(Text(_CONNECTOR))
    print_causes(out, causes, several, said=_CONNECTOR, describe=describe)
    _print_faults(out, document, several)
    _print_lamps(out, document, several)
    _print_key_cycles(out, document, several)
    troubles = [f"{count} {name.replace('_', ' ')}" for name, count in document["transport"].items()
                if count and name != "completed"]
    if checks is not None:
        print_checks(out, checks, several)
    if troubles:
        out.print(Text(f"\nMulti-packet messages that did not arrive whole: {', '.join(troubles)}."))


def _headline(capture: dict[str, Any]) -> str:
    files = ", ".join(printable(name) for name in capture["files"])
    if not capture["frames"]:
        return f"{files}: no frames" + _bad(capture)
    channels = ", ".join(printable(name) for name in capture["channels"])
    steps = f", the clock stepped back {capture['clock_steps']} times" if capture["clock_steps"] else ""
    length = duration(max(0.0, capture["end"] - capture["start"]))
    return f"{files}: {capture['frames']} frames on {channels} in {length} from {day(capture['start'])}" + (
        steps + _bad(capture)
    )


def _bad(capture: dict[str, Any]) -> str:
    return f", {capture['bad_lines']} lines that are no frame" if capture["bad_lines"] else ""


def _sender(entry: dict[str, Any], several: bool) -> str:
    address = entry["source_address"]
    name = address_name(address)
    where = f" on {printable(entry['channel'])}" if several else ""
    return (f"{name} ({address})" if name else f"address {address}") + where


def _sentence(document: dict[str, Any]) -> str:
    if not document["faults"]:
        if document["lamps"]:
            return "No faults reported."
        return "No fault report (DM1) in this recording: was the key on, and is this the right bus?"
    count = [sum(fault["state"] == state for fault in document["faults"]) for state in _STATE_WORDS]
    return f"At the end: {count[0]} active, {count[1]} previously active, {count[2]} no longer reported."


def _print_faults(out: Console, document: dict[str, Any], several: bool) -> None:
    for state, words in _STATE_WORDS.items():
        faults = [fault for fault in document["faults"] if fault["state"] == state]
        if not faults:
            continue
        out.print(Text(f"\n{words}", style=_STATE_STYLE[state]))
        for fault in faults:
            code = f"  SPN {fault['spn']:<6} FMI {fault['fmi']:<2}  "
            what = fault["spn_name"] or describe_spn(fault["spn"])
            paragraph(out, code, f"{what}: {fault['fmi_meaning']}")
            count = fault["occurrence_count"]
            times = "count not given" if count is None else f"count {count}"
            paragraph(out, " " * len(code), f"{_sender(fault, several)}, {times}, {_when(fault)}")


def _when(fault: dict[str, Any]) -> str:
    spans = fault["active_spans"]
    if not spans:
        return f"not active in this recording, reported in {', '.join(fault['reported_in'])}"
    last = spans[-1]
    end = "to the end" if last["end"] is None else f"to {clock(last['end'])}"
    if last["end_reason"] == "silent":
        end += ", then silent"
    more = f", {len(spans)} times in all" if len(spans) > 1 else ""
    return f"active {clock(last['start'])} {end}{more}"


def _print_lamps(out: Console, document: dict[str, Any], several: bool) -> None:
    if not document["lamps"]:
        return
    out.print(Text("\nLamps asked for", style="bold"))
    any_lit = False
    for entry in document["lamps"]:
        lit = [span for span in entry["spans"] if span["state"] in _LIT]
        if not lit:
            continue
        any_lit = True
        who = _sender(entry, several)
        times = "; ".join(
            f"{_LIT[span['state']]} {clock(span['start'])} to "
            + ("the end" if span["end"] is None else clock(span["end"]))
            for span in lit[-4:]
        )
        earlier = f"{len(lit) - 4} earlier; " if len(lit) > 4 else ""
        paragraph(out, "  ", f"{_LAMP_WORDS[entry['lamp']]}, {who}: {earlier}{times}")
    if not any_lit:
        out.print(Text("  none"))


def _print_key_cycles(out: Console, document: dict[str, Any], several: bool) -> None:
    if not document["key_cycles"]:
        out.print(Text("\nNo key cycle: the engine's address sent nothing."))
        return
    out.print(Text("\nKey cycles", style="bold"))
    for number, cycle in enumerate(document["key_cycles"], 1):
        ran = "engine ran" if cycle["engine_ran"] else "engine did not run"
        top = cycle["max_engine_speed_rpm"]
        speed = "no engine speed seen" if top is None else f"up to {top:.0f} rpm"
        end = "the end" if cycle["end"] is None else clock(cycle["end"])
        where = f" on {printable(cycle['channel'])}" if several else ""
        out.print(Text(f"  {number}{where}: {clock(cycle['start'])} to {end}, {ran}, {speed}"))
