"""The faults of the JSON document as rows of a table, one row a fault, safe to open in a spreadsheet.

Rule: a cell that a spreadsheet would take for a formula is made inert.
"""

from __future__ import annotations

from typing import Any

from faultlamp.text import csv_safe, printable

COLUMNS = (
    "channel", "source_address", "spn", "fmi", "occurrence_count", "conversion_method", "spn_name", "fmi_meaning",
    "state", "first_seen", "last_seen", "active_spans", "reported_in",
)


def fault_rows(document: dict[str, Any]) -> list[list[Any]]:
    """Cells in the order of `COLUMNS`; what is not known is an empty one."""
    rows = []
    for fault in document["faults"]:
        row = dict(
            fault,
            channel=csv_safe(printable(fault["channel"])),
            spn_name=None if fault["spn_name"] is None else csv_safe(printable(fault["spn_name"])),
            active_spans=len(fault["active_spans"]),
            reported_in=" ".join(fault["reported_in"]),
        )
        rows.append(["" if row[column] is None else row[column] for column in COLUMNS])
    return rows
