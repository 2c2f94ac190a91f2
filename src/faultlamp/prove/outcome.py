"""A whole run as plain data: the JSON document, the rows of the CSV, the JUnit XML (docs/prove.md).

Times are seconds as the recording has them, and seconds after its first frame. XML 1.0, section 2.2, does not allow
most control characters, whatever the escape: they are taken out.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any
from xml.etree import ElementTree

from faultlamp.prove.expectations import Expectations
from faultlamp.prove.heard import Heard
from faultlamp.prove.verdict import Result, Verdict
from faultlamp.text import csv_safe

SCHEMA = 1
COLUMNS = ("result", "kind", "name", "expected", "evidence", "time", "since_start_s", "counts_as_held")

_NS_PER_S = 1_000_000_000
_NOT_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
_LAST_YEAR_S = 253_402_300_799


@dataclass(frozen=True, slots=True)
class Outcome:
    """What was expected, what was heard, and the verdicts. subject: what was judged, in words."""

    subject: str
    expectations: Expectations
    heard: Heard
    verdicts: Sequence[Verdict]

    @property
    def all_held(self) -> bool:
        """Whether every expectation held, or need not be shown."""
        return all(verdict.accepted for verdict in self.verdicts)

    def count(self, result: Result) -> int:
        """How many expectations ended so."""
        return sum(verdict.result is result for verdict in self.verdicts)

    @property
    def length_s(self) -> float:
        """From the first frame to the end."""
        return (self.heard.end_ns - self.heard.start_ns) / _NS_PER_S


def outcome_document(outcome: Outcome) -> dict[str, Any]:
    """The JSON document."""
    heard = outcome.heard
    nothing = not heard.frames
    return {
        "schema": SCHEMA,
        "title": outcome.expectations.title,
        "subject": outcome.subject,
        "heard": {
            "frames": heard.frames, "bad_lines": heard.bad_lines, "clock_steps": heard.history.clock_steps,
            "start": None if nothing else heard.stamp(heard.start_ns) / _NS_PER_S,
            "end": None if nothing else heard.stamp(heard.end_ns) / _NS_PER_S,
            "length_s": outcome.length_s, "channels": sorted(heard.history.channels),
        },
        "all_held": outcome.all_held,
        "held": outcome.count(Result.HELD),
        "failed": outcome.count(Result.FAILED),
        "not_shown": outcome.count(Result.NOT_SHOWN),
        "results": [_row(heard, verdict) for verdict in outcome.verdicts],
    }


def outcome_rows(outcome: Outcome) -> list[list[object]]:
    """The rows of the CSV, below COLUMNS; texts are harmless in a spreadsheet."""
    rows = (_row(outcome.heard, verdict) for verdict in outcome.verdicts)
    return [[csv_safe(value) if isinstance(value, str) else value for value in row.values()] for row in rows]


def _row(heard: Heard, verdict: Verdict) -> dict[str, Any]:
    time_ns = verdict.finding.time_ns
    return {
        "result": str(verdict.result), "kind": verdict.expectation.kind, "name": verdict.expectation.name,
        "expected": verdict.expected, "evidence": verdict.finding.words,
        "time": None if time_ns is None else heard.stamp(time_ns) / _NS_PER_S,
        "since_start_s": None if time_ns is None else (time_ns - heard.start_ns) / _NS_PER_S,
        "counts_as_held": verdict.accepted,
    }


def outcome_xml(outcome: Outcome) -> bytes:
    """JUnit XML: one suite, one case an expectation.

    What is not shown is a failure of the type `not_shown`, or skipped where the file says that it need not be shown.
    """
    refused = [verdict for verdict in outcome.verdicts if not verdict.accepted]
    skipped = [verdict for verdict in outcome.verdicts if verdict.accepted and verdict.result is Result.NOT_SHOWN]
    counts = {
        "tests": str(len(outcome.verdicts)), "failures": str(len(refused)), "errors": "0",
        "skipped": str(len(skipped)),
    }
    length = f"{outcome.length_s:.3f}"
    suites = ElementTree.Element("testsuites")
    suite = ElementTree.SubElement(suites, "testsuite", {
        "name": _clean(outcome.expectations.title), "id": "0", "package": "faultlamp.prove", "hostname": "localhost",
        "timestamp": _timestamp(outcome.heard), "time": length, **counts,
    })
    properties = ElementTree.SubElement(suite, "properties")
    for name, value in (("subject", outcome.subject), ("frames", str(outcome.heard.frames))):
        ElementTree.SubElement(properties, "property", {"name": name, "value": _clean(value)})
    for verdict in outcome.verdicts:
        case = ElementTree.SubElement(suite, "testcase", {
            "classname": f"faultlamp.{verdict.expectation.kind}", "name": _clean(verdict.expectation.name), "time": "0",
        })
        evidence = _clean(verdict.finding.words)
        text = f"expected: {_clean(verdict.expected)}\n{verdict.result.words}: {evidence}"
        if not verdict.accepted:
            ElementTree.SubElement(
                case, "failure", {"type": str(verdict.result), "message": f"{verdict.result.words}: {evidence}"}
            ).text = text
        elif verdict.result is Result.NOT_SHOWN:
            ElementTree.SubElement(case, "skipped", {"message": f"not shown: {evidence}"})
        else:
            ElementTree.SubElement(case, "system-out").text = text
    ElementTree.SubElement(suite, "system-out")
    ElementTree.SubElement(suite, "system-err")
    ElementTree.indent(suites)
    document: bytes = ElementTree.tostring(suites, encoding="utf-8", xml_declaration=True)
    return document + b"\n"


def _clean(text: str) -> str:
    return _NOT_XML.sub("", text)


def _timestamp(heard: Heard) -> str:
    """When the first frame was heard, UTC, as the schema wants it: ISO 8601 without a zone."""
    second = heard.stamp(heard.start_ns) // _NS_PER_S if heard.frames else 0
    return datetime.fromtimestamp(min(max(second, 0), _LAST_YEAR_S), UTC).strftime("%Y-%m-%dT%H:%M:%S")
