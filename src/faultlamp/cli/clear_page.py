"""What clearing will erase, and what came of it, in words."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from faultlamp.asking.clearing import Clearing
from faultlamp.asking.verdicts import Code, Kind, Verdict
from faultlamp.cli.asking_line import called
from faultlamp.j1939.diagnostics import DiagnosticReport
from faultlamp.j1939.reports.freeze_frames import ExpandedFreezeFrames, FreezeFrames
from faultlamp.j1939.reports.readiness import DriveReadiness, Readiness
from faultlamp.knowledge.names import describe_spn, fmi_meaning

_PERMANENT_DM = 28
_WORDS = {
    Verdict.CLEARED: "cleared",
    Verdict.CAME_BACK: "acknowledged, but these came back: their cause is still there",
    Verdict.STILL_LISTED: "acknowledged, but still listed",
    Verdict.NOT_CONFIRMED: "acknowledged, but nobody can tell whether it is cleared",
    Verdict.REFUSED: "refused; many controllers clear only with the engine off and the key on",
    Verdict.ACCESS_DENIED: "refused: access denied; the maker's tool or a password is needed",
    Verdict.BUSY: "busy, also when told again; try later",
    Verdict.NO_ANSWER: "did not answer",
    Verdict.NOT_TOLD: "was not told to clear, as something came between",
}


def loss_lines(work: Clearing) -> Iterator[str]:
    """What each controller will lose, and what stays."""
    for address in work.targets:
        codes = sorted(work.listed_before(address).of_kind(work.command))
        yield f"{called(address)} will be told to clear {_what(work)}:"
        if address in work.before.hearing.contested:
            yield "  caution: several controllers claim this address and all of them would clear; unplug one first"
        for code in codes:
            yield f"  lost: {_code(code)}"
        if not codes:
            yield "  lost: it lists no such code"
        if work.command.kind is not Kind.CODE:
            yield from _beside_codes(work, address)
        else:
            yield "  lost: the freeze frame of that code"
        yield from _staying(work, address)


def verdict_line(result: dict[str, Any]) -> str:
    """One controller's verdict, from the document."""
    line = f"{called(result['address'])}: {_WORDS[Verdict(result['verdict'])]}"
    if result["words"]:
        line += f" ({result['words']})"
    if result["left"]:
        line += "; listed now: " + ", ".join(f"SPN {one['spn']} FMI {one['fmi']}" for one in result["left"])
    return line


def _what(work: Clearing) -> str:
    return {
        Kind.STORED: "its previously active codes (DM3)", Kind.ALL: "all its codes, active ones too (DM11)",
        Kind.CODE: "one code (DM22)",
    }[work.command.kind]


def _beside_codes(work: Clearing, address: int) -> Iterator[str]:
    frames, complete, known = 0, 0, False
    for result in work.before.results.values():
        if result.address != address:
            continue
        report = result.report
        if isinstance(report, (FreezeFrames, ExpandedFreezeFrames)):
            frames += len(report.frames)
        elif isinstance(report, Readiness):
            known = True
            complete = sum(monitor.complete for monitor in report.monitors)
        elif isinstance(report, DriveReadiness) and not known:
            complete = sum(monitor.complete for monitor in report.monitors)
    yield f"  lost: {frames} freeze frame{'' if frames == 1 else 's'}" if frames else "  lost: freeze frames, if any"
    if known:
        yield f"  lost: readiness; {complete} self-tests that are complete start again from nothing"
    else:
        yield "  lost: readiness, if it has any: self-tests start again from nothing"


def _staying(work: Clearing, address: int) -> Iterator[str]:
    permanent = [
        (dtc.spn, dtc.fmi) for result in work.before.results.values()
        if result.address == address and isinstance(result.report, DiagnosticReport)
        and result.report.dm == _PERMANENT_DM for dtc in result.report.dtcs
    ]
    for code in permanent:
        yield f"  stays: permanent code {_code(code)}; only the controller itself clears it"
    if not permanent:
        yield "  stays: permanent codes (DM28), if it has any"
    if work.command.kind is Kind.STORED:
        for code in sorted(work.listed_before(address).active or ()):
            yield f"  stays: active {_code(code)}"


def _code(code: Code) -> str:
    spn, fmi = code
    return f"SPN {spn} FMI {fmi} {describe_spn(spn)}: {fmi_meaning(fmi)}"
