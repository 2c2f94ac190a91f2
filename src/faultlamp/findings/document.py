"""The findings as plain data, for scripts: the key `findings` of the JSON document (docs/findings.md).

Times are seconds since the epoch, as everywhere in that document.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from faultlamp.findings.check import Check
from faultlamp.findings.finding import Finding
from faultlamp.findings.onsets import FaultId
from faultlamp.findings.shared_causes import SharedCauses
from faultlamp.history.document import seconds


def findings_document(causes: SharedCauses, checks: Sequence[Check]) -> dict[str, Any]:
    """Shared causes and plausibility checks."""
    return {
        "at": seconds(causes.at_ns),
        "shared_causes": [finding_document(finding) for finding in causes.findings],
        "alone": [_fault(fault) for fault in causes.alone],
        "plausibility": [check_document(check) for check in checks],
    }


def finding_document(finding: Finding) -> dict[str, Any]:
    """One finding. `seen_to_begin` says whether `began` and `times` are beginnings or only first reports."""
    evidence = finding.evidence
    return {
        "kind": str(finding.kind),
        "sentence": finding.sentence,
        "suspect": finding.suspect,
        "leading": None if finding.leading is None else _fault(finding.leading),
        "points_to": finding.points_to or None,
        "faults": [
            _fault(fault) | {"began": seconds(time_ns)}
            for fault, time_ns in zip(finding.faults, evidence.begins_ns, strict=True)
        ],
        "evidence": {
            "seen_to_begin": evidence.seen,
            "times": [seconds(time_ns) for time_ns in evidence.times_ns],
            "active": evidence.active,
            "missing_nodes": [
                {"channel": channel, "source_address": address} for channel, address in evidence.missing
            ],
            "lamps": [str(lamp) for lamp in evidence.lamps],
            "in_words": list(evidence.lines),
        },
        "cautions": list(finding.cautions),
        "tests": list(finding.tests),
    }


def check_document(check: Check) -> dict[str, Any]:
    """One plausibility check."""
    return {
        "name": check.name,
        "channel": check.channel,
        "spn": check.spn,
        "verdict": check.verdict.name.lower(),
        "compared": check.compared or None,
        "threshold": check.threshold or None,
        "why": check.why,
        "assumed": check.assumed or None,
        "advice": check.advice or None,
        "at": seconds(check.at_ns),
    }


def _fault(fault: FaultId) -> dict[str, Any]:
    return dict(fault._asdict())
