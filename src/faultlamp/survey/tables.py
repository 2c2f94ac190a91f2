"""The tables of a survey: their columns and types, and the rows that one recording gives them (docs/fleet.md).

Types are written down here and never inferred: a survey of recordings without a single fault has the same columns as
any other. `capture_id` joins all tables. Names, meanings and times are those of the JSON document.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from itertools import islice
from typing import Any

import pyarrow
import pyarrow.parquet

from faultlamp.text import printable

SCHEMA = 1
"""Grows with every change of a column, or of what is written into one: older rows are then made again."""

Rows = Iterable[Mapping[str, Any]]

_TEXT, _TIME, _COUNT = pyarrow.string(), pyarrow.float64(), pyarrow.int64()
_ADDRESS, _SPN, _SMALL = pyarrow.uint8(), pyarrow.int32(), pyarrow.uint8()
_ID = ("capture_id", _TEXT)
_SENDER = (_ID, ("channel", _TEXT), ("source_address", _ADDRESS))
_TRANSPORT = ("completed", "aborted", "timed_out", "incomplete", "out_of_order", "malformed")

SCHEMAS: Mapping[str, pyarrow.Schema] = {
    name: pyarrow.schema(columns)
    for name, columns in {
        "captures": (
            _ID, ("path", _TEXT), ("size", _COUNT), ("stamp", _TEXT), ("status", _TEXT), ("error", _TEXT),
            ("frames", _COUNT), ("bad_lines", _COUNT), ("clock_steps", _COUNT), ("start", _TIME), ("end", _TIME),
            ("channels", pyarrow.list_(_TEXT)), *((f"transport_{ending}", _COUNT) for ending in _TRANSPORT),
            ("left_out", _COUNT), ("warnings", pyarrow.list_(_TEXT)), ("fingerprint", _TEXT),
        ),
        "faults": (
            *_SENDER, ("spn", _SPN), ("fmi", _SMALL), ("occurrence_count", _SMALL), ("conversion_method", _SMALL),
            ("spn_name", _TEXT), ("fmi_meaning", _TEXT), ("state", _TEXT), ("first_seen", _TIME), ("last_seen", _TIME),
            ("active_spans", _COUNT), ("reported_in", pyarrow.list_(_TEXT)),
        ),
        "fault_spans": (
            *_SENDER, ("spn", _SPN), ("fmi", _SMALL), ("start", _TIME), ("end", _TIME), ("end_reason", _TEXT),
        ),
        "lamps": (*_SENDER, ("lamp", _TEXT), ("start", _TIME), ("end", _TIME), ("state", _TEXT)),
        "key_cycles": (
            _ID, ("channel", _TEXT), ("start", _TIME), ("end", _TIME), ("engine_ran", pyarrow.bool_()),
            ("max_engine_speed_rpm", pyarrow.float64()),
        ),
        "readings": (
            *_SENDER, ("pgn", pyarrow.int32()), ("spn", _SPN), ("name", _TEXT), ("unit", _TEXT), ("n_ok", _COUNT),
            ("n_not_available", _COUNT), ("n_error", _COUNT),
            *((value, pyarrow.float64()) for value in ("min", "mean", "max", "first", "last")),
        ),
        "identities": (*_SENDER, ("kind", _TEXT), ("text", _TEXT), ("fields", pyarrow.list_(_TEXT))),
    }.items()
}

_IDENTITIES = {65260: "vin", 65259: "component", 65242: "software", 64965: "ecu"}
_LONGEST_IDENTITY = 1785
_PADDING = b"\x00\xff "
_FIRST_LETTER = 0x20

_ROWS_A_GROUP = 1 << 16


def history_rows(document: Mapping[str, Any]) -> dict[str, Rows]:
    """Rows of the fault document for all tables that hold parts of it, `captures` but for the file itself."""
    transport = {f"transport_{ending}": count for ending, count in document["transport"].items()}
    faults, lamps = document["faults"], document["lamps"]
    return {
        "captures": [document["capture"] | transport],
        "faults": (fault | {"active_spans": len(fault["active_spans"])} for fault in faults),
        "fault_spans": (fault | span for fault in faults for span in fault["active_spans"]),
        "lamps": (lamp | span for lamp in lamps for span in lamp["spans"]),
        "key_cycles": document["key_cycles"],
    }


def identity_rows(identities: Mapping[tuple[str, int, int], bytes]) -> Rows:
    """Identification texts by channel, source address and group; `fields` are what the stars divide.

    Software identification begins with its number of fields; some senders leave that out.
    """
    for (channel, source, pgn), raw in sorted(identities.items()):
        kind = _IDENTITIES[pgn]
        if kind == "software" and raw and raw[0] < _FIRST_LETTER:
            raw = raw[1:]
        text = printable(raw.rstrip(_PADDING).removesuffix(b"*"), longest=_LONGEST_IDENTITY)
        yield {"channel": channel, "source_address": source, "kind": kind, "text": text, "fields": text.split("*")}


def encode(table: str, capture_id: str, rows: Rows) -> bytes:
    """The rows as a Parquet file; what a row has beyond the table's columns is left out, what it lacks is null."""
    schema = SCHEMAS[table]
    left = iter(rows)
    out = pyarrow.BufferOutputStream()
    with pyarrow.parquet.ParquetWriter(out, schema, compression="zstd") as writer:
        while some := list(islice(left, _ROWS_A_GROUP)):
            columns = [
                pyarrow.array([capture_id if name == "capture_id" else row.get(name) for row in some], kind)
                for name, kind in zip(schema.names, schema.types, strict=True)
            ]
            writer.write_table(pyarrow.Table.from_arrays(columns, schema=schema))
    content: bytes = out.getvalue().to_pybytes()
    return content
