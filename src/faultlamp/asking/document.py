"""What was asked and answered, as the JSON document that docs/asking.md describes.

Rule: every answer is there as bytes and, where it is understood, taken apart. Text that came off the bus is harmless
here already; its bytes are in `raw`. A number that a controller does not give is null.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import singledispatch
from typing import Any

from faultlamp.asking.clearing import Clearing
from faultlamp.asking.intake import Intake
from faultlamp.asking.results import Result
from faultlamp.asking.verdicts import Judgement
from faultlamp.frames import Frame
from faultlamp.j1939.address import Name
from faultlamp.j1939.diagnostics import DiagnosticReport, Dtc, Lamp
from faultlamp.j1939.readings import BitField, Layouts, Reading, ReadingState, SignalLayout
from faultlamp.j1939.reports.clear_code import ClearAnswer
from faultlamp.j1939.reports.freeze_frames import (
    ExpandedFreezeFrame,
    ExpandedFreezeFrames,
    FreezeFrames,
    SupportedSpns,
    split_data,
)
from faultlamp.j1939.reports.identity import Calibrations, Texts
from faultlamp.j1939.reports.readiness import (
    CodeCounts,
    DriveReadiness,
    Monitor,
    Performance,
    Readiness,
    SinceClear,
)
from faultlamp.j1939.reports.scaled_tests import TestResults
from faultlamp.knowledge.addresses import address_name
from faultlamp.knowledge.names import fmi_meaning, spn_name
from faultlamp.text import printable

SCHEMA = 1


def intake_document(intake: Intake, layouts: Layouts | None = None) -> list[dict[str, Any]]:
    """The controllers that were asked, in the order of their addresses."""
    return [_controller(intake, address, layouts) for address in sorted(intake.targets)]


def heard_only(intake: Intake) -> list[dict[str, Any]]:
    """Who was heard and not asked."""
    return [_who(address) for address in sorted(intake.hearing.heard - set(intake.targets))]


def transmitted_document(sent: Sequence[Frame]) -> list[dict[str, Any]]:
    """Every frame that was sent."""
    return [
        {"time": frame.time_ns / 1e9, "id": f"{frame.can_id:08X}", "data": frame.data.hex().upper()} for frame in sent
    ]


def judgement_document(judgement: Judgement) -> dict[str, Any]:
    """What clearing did in one controller."""
    return {
        **_who(judgement.address), "verdict": judgement.verdict.value,
        "left": [_pair(spn, fmi) for spn, fmi in judgement.left], "words": judgement.words,
    }


def clearing_document(clearing: Clearing, layouts: Layouts | None = None) -> dict[str, Any]:
    """Before, the command, what came of it."""
    code = clearing.command.code
    return {
        "command": {"what": clearing.command.kind.value, "code": None if code is None else _pair(*code)},
        "before": intake_document(clearing.before, layouts),
        "commanded": [] if clearing.commands is None else intake_document(clearing.commands),
        "after": [] if clearing.after is None else intake_document(clearing.after, layouts),
        "result": [judgement_document(judgement) for judgement in clearing.judgements],
    }


def _who(address: int) -> dict[str, Any]:
    return {"address": address, "usual_name": address_name(address)}


def _controller(intake: Intake, address: int, layouts: Layouts | None) -> dict[str, Any]:
    results = [result for result in intake.results.values() if result.address == address]
    active, name = intake.hearing.active.get(address), intake.hearing.names.get(address)
    supported = next((r.report for r in results if isinstance(r.report, SupportedSpns)), None)
    return {
        **_who(address),
        "heard": address in intake.hearing.heard,
        "claimed_by_several": address in intake.hearing.contested,
        "NAME": None if name is None else _message(name),
        "DM1": None if active is None else _message(active),
        "answers": [_result(result, supported, layouts) for result in results],
    }


def _result(result: Result, supported: SupportedSpns | None, layouts: Layouts | None) -> dict[str, Any]:
    question, report = result.question, result.report
    if isinstance(report, ExpandedFreezeFrames):
        message: Any = _expanded(report, supported, layouts)
    else:
        message = None if report is None else _message(report)
    return {
        "key": question.key, "title": question.title, "pgn": question.pgn, "spn": question.spn, "fmi": question.fmi,
        "outcome": result.outcome.value, "words": result.words, "tries": result.tries, "time": result.time_ns / 1e9,
        "raw": None if result.payload is None else result.payload.hex().upper(), "message": message,
    }


@singledispatch
def _message(report: object) -> Any:
    """A decoded answer. Raises TypeError for what is none."""
    raise TypeError(f"{type(report).__name__} is no answer")


@_message.register
def _(report: DiagnosticReport) -> Any:
    lamps = {lamp.value: state.value for lamp, state in zip(Lamp, report.lamps, strict=True)}
    return {"lamps": lamps, "codes": [_code(dtc) for dtc in report.dtcs]}


@_message.register
def _(report: FreezeFrames) -> Any:
    return {
        "frames": [
            {"code": _code(frame.dtc), "readings": [_reading(reading) for reading in frame.readings],
             "maker_specific": frame.maker_specific.hex().upper()}
            for frame in report.frames
        ],
        "left_over_bytes": report.left_over,
    }


@_message.register
def _(report: SupportedSpns) -> Any:
    return {
        "spns": [
            {"spn": line.spn, "name": spn_name(line.spn), "in_expanded_freeze_frame": line.in_expanded_freeze_frame,
             "in_data_stream": line.in_data_stream, "in_test_results": line.in_test_results, "length": line.length}
            for line in report.spns
        ]
    }


@_message.register
def _(report: Readiness) -> Any:
    return {
        "active_codes": report.active_codes, "previously_active_codes": report.previously_active_codes,
        "obd_compliance": report.obd_compliance, "obd_compliance_meaning": report.compliance_words,
        "monitors": [_monitor(monitor) for monitor in report.monitors],
    }


@_message.register
def _(report: DriveReadiness) -> Any:
    return {
        "readings": [_reading(reading) for reading in report.readings],
        "monitors": [_monitor(monitor) for monitor in report.monitors],
    }


@_message.register
def _(report: SinceClear) -> Any:
    return {"readings": [_reading(reading) for reading in report.readings]}


@_message.register
def _(report: Performance) -> Any:
    return {
        "readings": [_reading(reading) for reading in report.readings],
        "ratios": [
            {"spn": ratio.spn, "name": spn_name(ratio.spn), "numerator": ratio.numerator,
             "denominator": ratio.denominator}
            for ratio in report.ratios
        ],
    }


@_message.register
def _(report: CodeCounts) -> Any:
    return {
        "pending": report.pending, "all_pending": report.all_pending, "mil_on": report.mil_on,
        "previously_mil_on": report.previously_mil_on, "permanent": report.permanent,
    }


@_message.register
def _(report: Texts) -> Any:
    return {"texts": {key: printable(text) for key, text in report.fields}}


@_message.register
def _(report: Calibrations) -> Any:
    return {
        "calibrations": [
            {"identification": printable(one.identification), "verification_number": f"{one.verification_number:08X}"}
            for one in report.calibrations
        ]
    }


@_message.register
def _(report: TestResults) -> Any:
    return {
        "results": [
            {"test_identifier": one.test_identifier, "spn": one.spn, "fmi": one.fmi, "name": spn_name(one.spn),
             "scaling": one.scaling, "value": one.value, "highest": one.highest, "lowest": one.lowest,
             "complete": one.complete, "passed": one.passed}
            for one in report.results
        ]
    }


@_message.register
def _(name: Name) -> Any:
    return {
        "identity_number": name.identity_number, "manufacturer_code": name.manufacturer_code,
        "ecu_instance": name.ecu_instance, "function_instance": name.function_instance, "function": name.function,
        "vehicle_system": name.vehicle_system, "vehicle_system_instance": name.vehicle_system_instance,
        "industry_group": name.industry_group, "arbitrary_address_capable": name.arbitrary_address_capable,
    }


@_message.register
def _(answer: ClearAnswer) -> Any:
    return {**_pair(answer.spn, answer.fmi), "active": answer.active, "done": answer.done, "reason": answer.reason}


@_message.register
def _(readings: tuple) -> Any:  # type: ignore[type-arg]  # singledispatch takes plain classes only
    return {"readings": [_reading(reading) for reading in readings]}


def _expanded(report: ExpandedFreezeFrames, supported: SupportedSpns | None, layouts: Layouts | None) -> Any:
    return {
        "frames": [_expanded_frame(frame, supported, layouts) for frame in report.frames],
        "left_over_bytes": report.left_over,
    }


def _expanded_frame(
    frame: ExpandedFreezeFrame, supported: SupportedSpns | None, layouts: Layouts | None
) -> dict[str, Any]:
    parts = None if supported is None else split_data(frame.data, supported)
    return {
        "code": _code(frame.dtc), "data": frame.data.hex().upper(),
        "readings": None if parts is None else [_part(spn, data, layouts) for spn, data in parts],
    }


def _part(spn: int, data: bytes, layouts: Layouts | None) -> dict[str, Any]:
    """One parameter of an expanded freeze frame, read as in its own group where it has the same length there."""
    places = () if layouts is None else layouts.places(spn)
    signal = next((signal for _, signal in places if _fills(signal, len(data))), None)
    if signal is None:
        return {"spn": spn, "name": spn_name(spn), "raw": data.hex().upper()}
    raw = signal.raw(int.from_bytes(data, "little"))
    state = signal.state(raw)
    value = signal.value(raw) if state is ReadingState.OK else None
    return {**_reading(Reading(signal, state, value, raw)), "raw": data.hex().upper()}


def _fills(bits: BitField, length: int) -> bool:
    return bits.bit_length == 8 * length and not bits.big_endian


def _code(dtc: Dtc) -> dict[str, Any]:
    return {
        **_pair(dtc.spn, dtc.fmi), "occurrence_count": dtc.occurrence_count, "conversion_method": dtc.conversion_method
    }


def _pair(spn: int, fmi: int) -> dict[str, Any]:
    return {"spn": spn, "fmi": fmi, "spn_name": spn_name(spn), "fmi_meaning": fmi_meaning(fmi)}


def _monitor(monitor: Monitor) -> dict[str, Any]:
    return {"name": monitor.name, "continuous": monitor.continuous, "complete": monitor.complete}


def _reading(reading: Reading) -> dict[str, Any]:
    signal: SignalLayout = reading.signal
    name = signal.name if signal.spn is None else spn_name(signal.spn) or signal.name
    return {
        "spn": signal.spn, "name": name, "value": reading.value, "unit": signal.unit, "state": reading.state.value,
        **({"meaning": signal.states[reading.raw]} if reading.raw in signal.states else {}),
    }
