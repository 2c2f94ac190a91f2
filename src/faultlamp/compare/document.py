"""The comparison as one JSON document (docs/compare.md). Times as in the document of faults."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from faultlamp.compare.channels import ChannelPair
from faultlamp.compare.comparison import Became, Comparison, FaultChange, LampChange, LampSide
from faultlamp.compare.evidence import Evidence
from faultlamp.compare.verdict import order, verdict
from faultlamp.history.document import NS_PER_S, fault_document

SCHEMA = 1

_IDENTITY = ("channel", "source_address", "spn", "fmi", "spn_name", "fmi_meaning")
_Key = tuple[str | None, int, int, int]


def compare_document(
    comparison: Comparison,
    *,
    files: tuple[str, str],
    frames: tuple[int, int],
    bad_lines: tuple[int, int],
    spn_name: Callable[[int], str | None],
    fmi_meaning: Callable[[int], str],
) -> dict[str, Any]:
    """Everything that is known. files, frames, bad_lines: of BEFORE and AFTER."""
    before, after = (
        fault_document(story.history, files=[files[place]], frames=frames[place], bad_lines=bad_lines[place],
                       spn_name=spn_name, fmi_meaning=fmi_meaning)
        for place, story in enumerate((comparison.before, comparison.after))
    )
    judged = verdict(comparison)
    sides = _by_fault(before["faults"]), _by_fault(after["faults"])
    return {
        "schema": SCHEMA,
        "before": before["capture"],
        "after": after["capture"],
        "order": str(order(comparison)),
        "channels": [
            dict(_channel(pair), matched_by=None if pair.matched_by is None else str(pair.matched_by))
            for pair in comparison.channels
        ],
        "verdict": str(judged.result),
        "sentence": judged.sentence,
        "counts": {str(became): comparison.count(became) for became in Became},
        "faults": [_fault(change, *sides, spn_name, fmi_meaning) for change in comparison.faults],
        "lamps": [_lamp(change) for change in comparison.lamps],
        "key_cycles": {"before": before["key_cycles"], "after": after["key_cycles"]},
    }


def _by_fault(faults: Sequence[dict[str, Any]]) -> dict[_Key, dict[str, Any]]:
    return {
        (fault["channel"], fault["source_address"], fault["spn"], fault["fmi"]):
            {name: value for name, value in fault.items() if name not in _IDENTITY}
        for fault in faults
    }


def _fault(
    change: FaultChange,
    before: dict[_Key, dict[str, Any]],
    after: dict[_Key, dict[str, Any]],
    spn_name: Callable[[int], str | None],
    fmi_meaning: Callable[[int], str],
) -> dict[str, Any]:
    pair, code = change.pair, (change.source_address, change.spn, change.fmi)
    return {
        "channel": _channel(pair),
        "source_address": change.source_address,
        "spn": change.spn,
        "fmi": change.fmi,
        "spn_name": spn_name(change.spn),
        "fmi_meaning": fmi_meaning(change.fmi),
        "change": str(change.became),
        "how": None if change.how is None else str(change.how),
        "proven": change.proven,
        "doubts": [str(doubt) for doubt in change.doubts],
        "intermittent": change.intermittent,
        "known_before": change.known_before,
        "before": before.get((pair.before, *code)),
        "after": after.get((pair.after, *code)),
        "evidence_before": _evidence(change.before.evidence),
        "evidence_after": _evidence(change.after.evidence),
    }


def _channel(pair: ChannelPair) -> dict[str, Any]:
    return {"before": pair.before, "after": pair.after}


def _evidence(evidence: Evidence) -> dict[str, Any]:
    return {
        "heard": evidence.heard,
        "heard_s": evidence.heard_ns / NS_PER_S,
        "absent_s": evidence.absent_ns / NS_PER_S,
        "key_cycles": evidence.key_cycles,
        "with_fault": evidence.with_fault,
        "with_fault_numbers": [list(run) for run in evidence.numbers],
        "without_fault": evidence.without_fault,
        "without_fault_engine_ran": evidence.without_fault_running,
    }


def _lamp(change: LampChange) -> dict[str, Any]:
    return {
        "channel": _channel(change.pair),
        "source_address": change.source_address,
        "lamp": str(change.lamp),
        "before": _lamp_side(change.before),
        "after": _lamp_side(change.after),
    }


def _lamp_side(side: LampSide | None) -> dict[str, Any] | None:
    if side is None:
        return None
    return {"last_state": str(side.last), "lit_s": side.lit_ns / NS_PER_S, "heard_s": side.heard_ns / NS_PER_S}
