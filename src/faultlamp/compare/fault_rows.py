"""The comparison's faults as rows of a table, one row a fault, safe to open in a spreadsheet.

Rule: a cell that a spreadsheet would take for a formula is made inert.
"""

from __future__ import annotations

from typing import Any

from faultlamp.text import csv_safe, printable

COLUMNS = (
    "change", "how", "proven", "doubts", "channel_before", "channel_after", "source_address", "spn", "fmi", "spn_name",
    "fmi_meaning", "intermittent", "known_before", "state_before", "state_after", "occurrence_count_before",
    "occurrence_count_after", "active_spans_before", "active_spans_after", "heard_before_s", "heard_after_s",
    "absent_after_s", "key_cycles_after", "key_cycles_with_fault", "key_cycles_without_fault",
    "key_cycles_without_fault_engine_ran",
)
_SAME = ("change", "how", "source_address", "spn", "fmi", "fmi_meaning")


def fault_rows(document: dict[str, Any]) -> list[list[Any]]:
    """Cells in the order of `COLUMNS`; what is not known is an empty one."""
    rows = []
    for fault in document["faults"]:
        row: dict[str, Any] = {name: fault[name] for name in _SAME}
        row |= {name: str(fault[name]).lower() for name in ("proven", "intermittent", "known_before")}
        row["doubts"] = " ".join(fault["doubts"])
        row["spn_name"] = None if fault["spn_name"] is None else csv_safe(printable(fault["spn_name"]))
        for side in ("before", "after"):
            there = fault[side]
            channel = fault["channel"][side]
            row[f"channel_{side}"] = None if channel is None else csv_safe(printable(channel))
            row[f"state_{side}"] = None if there is None else there["state"]
            row[f"occurrence_count_{side}"] = None if there is None else there["occurrence_count"]
            row[f"active_spans_{side}"] = 0 if there is None else len(there["active_spans"])
            row[f"heard_{side}_s"] = fault[f"evidence_{side}"]["heard_s"]
        after = fault["evidence_after"]
        row["absent_after_s"] = after["absent_s"]
        row["key_cycles_after"] = after["key_cycles"]
        for name in ("with_fault", "without_fault", "without_fault_engine_ran"):
            row[f"key_cycles_{name}"] = after[name]
        rows.append(["" if row[column] is None else row[column] for column in COLUMNS])
    return rows
