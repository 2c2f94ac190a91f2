"""The directory that a survey fills: a folder a table, in each a Parquet file a recording.

    DIR/captures/6b4c....parquet   DIR/faults/6b4c....parquet   ...

A file appears whole or not at all, and that of `captures` last: what has no row there was not finished. A recording
that has changed takes its old rows' place.
"""

from __future__ import annotations

import os
from pathlib import Path

import pyarrow
import pyarrow.parquet

from faultlamp.errors import FaultlampError
from faultlamp.survey.tables import SCHEMAS
from faultlamp.survey.work import OK, Outcome


class Store:
    """Where the rows are kept. Raises FaultlampError when `folder` is not a place for them."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        for table, schema in SCHEMAS.items():
            try:
                (folder / table).mkdir(parents=True, exist_ok=True)
            except OSError as error:
                raise FaultlampError(f"{folder}: cannot be a survey's directory: {error.strerror}") from error
            for file in (folder / table).glob("*.parquet"):
                if not _has_columns(file, schema):
                    raise FaultlampError(f"{folder}: its {table} have other columns than now: name a new directory")
                break

    def has(self, capture_id: str, fingerprint: str) -> bool:
        """Whether the recording is here, readable then and unchanged since."""
        try:
            with pyarrow.parquet.ParquetFile(self._place("captures", capture_id)) as file:
                (row,) = file.read(["status", "fingerprint"]).to_pylist()
        except (OSError, ValueError, pyarrow.ArrowException):
            return False
        return bool(row == {"status": OK, "fingerprint": fingerprint})

    def keep(self, outcome: Outcome) -> None:
        """Put the rows of a recording in place of those it had. Raises OSError."""
        capture_id = outcome.file.capture_id
        self._place("captures", capture_id).unlink(missing_ok=True)
        for table in sorted(outcome.tables, key="captures".__eq__):  # that one last
            part = self.folder / f".{capture_id}.{os.getpid()}.part"
            try:
                part.write_bytes(outcome.tables[table])
                part.replace(self._place(table, capture_id))
            except BaseException:
                part.unlink(missing_ok=True)
                raise

    def _place(self, table: str, capture_id: str) -> Path:
        return self.folder / table / f"{capture_id}.parquet"


def _has_columns(file: Path, schema: pyarrow.Schema) -> bool:
    """Whether a file has a table's columns; one that cannot be read will be made again."""
    try:
        return bool(pyarrow.parquet.read_schema(file).equals(schema))
    except (OSError, pyarrow.ArrowException):
        return True
