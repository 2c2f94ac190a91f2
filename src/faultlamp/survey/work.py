"""One recording read from front to back, and the Parquet files that come of it.

This is what runs in another process or on another machine: a file and the settings in, bytes out. It never raises: a
recording that cannot be read is a row that says why.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from faultlamp.errors import FaultlampError
from faultlamp.history.document import fault_document
from faultlamp.history.history import History
from faultlamp.j1939.readings import Layouts
from faultlamp.knowledge.names import fmi_meaning, spn_name
from faultlamp.survey.captures import SurveyedFile
from faultlamp.survey.readings import ReadingsSummary
from faultlamp.survey.tables import SCHEMA, SCHEMAS, Rows, encode, history_rows, identity_rows
from faultlamp.text import printable

OK, FAILED = "ok", "failed"


@dataclass(frozen=True, slots=True)
class Settings:
    """How recordings are read. layouts: None leaves the readings out. digest: tells these settings from others."""

    engine_address: int
    spn_conversion: Mapping[int, int]
    layouts: Layouts | None
    digest: str

    @classmethod
    def of(cls, engine_address: int, spn_conversion: Mapping[int, int], layouts: Layouts | None) -> Settings:
        """The settings with their digest."""
        groups = None if layouts is None else sorted(layouts.groups.items())
        text = repr((SCHEMA, engine_address, sorted(spn_conversion.items()), groups))
        return cls(engine_address, spn_conversion, layouts, hashlib.blake2b(text.encode(), digest_size=8).hexdigest())

    def fingerprint(self, file: SurveyedFile) -> str:
        """The same when neither the file nor the settings have changed since."""
        return f"{self.digest}:{file.size}:{file.stamp}"


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one recording: a Parquet file a table; error: why it could not be read, or None."""

    file: SurveyedFile
    error: str | None
    tables: dict[str, bytes]


def survey(file: SurveyedFile, settings: Settings) -> Outcome:
    """Read a recording."""
    try:
        return _outcome(file, settings, OK, None, _rows(file, settings))
    except (FaultlampError, OSError) as error:
        # The reader's lines begin with the name, which stands beside them here.
        return failed(file, settings, str(error).removeprefix(f"{printable(file.name)}: "))
    except Exception as error:  # one recording of thousands must not end the survey, whatever is wrong with it
        return failed(file, settings, f"{type(error).__name__}: {error}")


def failed(file: SurveyedFile, settings: Settings, error: str) -> Outcome:
    """A recording that could not be read."""
    return _outcome(file, settings, FAILED, printable(" ".join(error.split()), longest=300), {})


def _outcome(
    file: SurveyedFile, settings: Settings, status: str, error: str | None, rows: Mapping[str, Rows]
) -> Outcome:
    (capture,) = rows.get("captures", [{}])
    about = {
        "path": os.fsencode(file.name).decode("utf-8", "backslashreplace"), "size": file.size, "stamp": file.stamp,
        "status": status, "error": error, "fingerprint": settings.fingerprint(file),
    }
    every = {table: rows.get(table, ()) for table in SCHEMAS} | {"captures": [{**capture, **about}]}
    return Outcome(file, error, {table: encode(table, file.capture_id, some) for table, some in every.items()})


def _rows(file: SurveyedFile, settings: Settings) -> dict[str, Rows]:
    history = History(engine_address=settings.engine_address, spn_conversion=settings.spn_conversion)
    readings = None if settings.layouts is None else ReadingsSummary(settings.layouts, name_of=spn_name)
    with file.blocks() as (stats, blocks):
        for block in blocks:
            history.feed_block(block)
            if readings is not None:
                readings.feed(block)
    document = fault_document(
        history, files=[], bad_lines=stats.bad_lines, spn_name=spn_name, fmi_meaning=fmi_meaning
    )
    document["capture"] |= {
        "left_out": history.room.refused + (readings.refused if readings else 0), "warnings": stats.warnings,
    }
    rows: dict[str, Any] = {
        "readings": readings.rows() if readings else (), "identities": identity_rows(history.identities),
    }
    return history_rows(document) | rows
