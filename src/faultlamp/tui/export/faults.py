"""The fault list for a file or the clipboard, as it stands at the moment that is shown."""

from __future__ import annotations

import csv
import io
import json
from typing import Any

from faultlamp.history.document import fault_document
from faultlamp.history.fault_rows import COLUMNS, fault_rows
from faultlamp.knowledge.names import fmi_meaning
from faultlamp.text import printable
from faultlamp.tui.export.stock import Stock
from faultlamp.tui.job import Job
from faultlamp.tui.lanes.lane import Lane
from faultlamp.tui.marks.notes import day_and_time
from faultlamp.tui.names import title, who

_LONGEST = 500


def faults_as_json(job: Job, stock: Stock) -> bytes:
    """The document of `faultlamp faults --format json` (docs/faults-json.md)."""
    return (json.dumps(_document(job, stock), indent=2) + "\n").encode()


def faults_as_csv(job: Job, stock: Stock) -> bytes:
    """The rows of `faultlamp faults --format csv`."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(COLUMNS)
    writer.writerows(fault_rows(_document(job, stock)))
    return text.getvalue().encode()


def fault_line(job: Job, lane: Lane, now_ns: int) -> str:
    """One fault in one line of plain text, to be put into a message to somebody."""
    controller, fault = lane
    start_ns = job.history.start_ns or 0
    count = "not counted" if fault.occurrence_count is None else f"OC {fault.occurrence_count}"
    said = f"{lane.state} at {day_and_time(now_ns, start_ns)}"
    if fault.spans:
        said += f", last came {day_and_time(fault.spans[-1].start_ns, start_ns)}"
    what = f"{job.names.describe(fault.spn)}: {fmi_meaning(fault.fmi)}"
    return printable(
        f"SPN {fault.spn} FMI {fault.fmi} {what}; {count}; {said}; from {title(who(controller.source_address))}, "
        f"source address {controller.source_address}, {controller.channel}",
        longest=_LONGEST,
    )


def _document(job: Job, stock: Stock) -> dict[str, Any]:
    return fault_document(
        job.history, files=stock.files, bad_lines=stock.bad_lines, spn_name=job.names.name, fmi_meaning=fmi_meaning
    )
