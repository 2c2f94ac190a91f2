"""Values as rows of text: CSV, JSON or a table for people, many rows at once.

A row is three pieces of bytes: the time, which the values of a frame share; who and what, which all values of a sender
and parameter share; and the value with its state, which the decoder writes once for each distinct one. So rows are
gathered and joined, not formatted.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable, Sequence
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from faultlamp.text import csv_safe, printable
from faultlamp.values.columns import Parameter, ValueColumns
from faultlamp.values.digits import seconds_texts

COLUMNS = ("time", "channel", "source_address", "pgn", "spn", "name", "value", "unit", "state")

_SOURCES = 256
# Rows joined at a time: their pieces stay in the processor's cache.
_TOGETHER = 8192


class RowFormat(Protocol):
    """How one kind of text writes the pieces of a row."""

    def head(self) -> bytes:
        """What stands before the first row."""

    def foot(self) -> bytes:
        """What stands after the last row."""

    def time(self, time_ns: npt.NDArray[np.int64]) -> list[bytes]:
        """The times of a column."""

    def lead(self, channel: str, source_address: int, parameter: Parameter) -> bytes:
        """Who and what, up to the value."""

    def values(self, parameter: Parameter, digits: Sequence[bytes], state: str) -> list[bytes]:
        """The value, what follows it, and the end of the row. This is the decoder's `write`."""


    def batch(self, rows: bytes) -> bytes:
        """The rows of a batch, with what must differ from batch to batch."""


class RowWriter:
    """Turns columns of written values into text of one format, batch by batch."""

    def __init__(self, form: RowFormat, parameters: Sequence[Parameter]) -> None:
        self._form = form
        self._parameters = parameters
        self._leads: dict[int, bytes] = {}

    def rows(self, values: ValueColumns) -> bytes:
        """The text of all rows."""
        if not len(values):
            return b""
        starts = np.append(0, np.flatnonzero(values.time_ns[1:] != values.time_ns[:-1]) + 1)
        times = np.array(self._form.time(values.time_ns[starts]), np.object_)
        columns = (np.repeat(times, np.diff(starts, append=len(values))), self._lead_column(values), values.value)
        texts = []
        for first in range(0, len(values), _TOGETHER):
            part = [column[first : first + _TOGETHER] for column in columns]
            texts.append(b"".join(np.column_stack(part).ravel().tolist()))
        return self._form.batch(b"".join(texts))

    def _lead_column(self, values: ValueColumns) -> npt.NDArray[Any]:
        count = len(self._parameters)
        key = (values.channel * _SOURCES + values.source_address) * count + values.parameter
        present = np.flatnonzero(np.bincount(key))
        table = np.empty(int(present[-1]) + 1, np.object_)
        for one in present.tolist():
            if one not in self._leads:
                sender, parameter = divmod(one, count)
                channel, address = divmod(sender, _SOURCES)
                self._leads[one] = self._form.lead(values.channels[channel], address, self._parameters[parameter])
            table[one] = self._leads[one]
        column: npt.NDArray[Any] = table[key]
        return column


class CsvRows:
    """`time,channel,source_address,pgn,spn,name,value,unit,state`, a row a value."""

    def head(self) -> bytes:
        """The header line."""
        return ",".join(COLUMNS).encode() + b"\n"

    def foot(self) -> bytes:
        """Nothing."""
        return b""

    def batch(self, rows: bytes) -> bytes:
        """As they are."""
        return rows

    def time(self, time_ns: npt.NDArray[np.int64]) -> list[bytes]:
        """Seconds, with six decimals or, where nanoseconds are known, nine."""
        return seconds_texts(time_ns)

    def lead(self, channel: str, source_address: int, parameter: Parameter) -> bytes:
        """Five cells, with the commas around them."""
        spn = "" if parameter.spn is None else parameter.spn
        cells = (csv_safe(printable(channel)), source_address, parameter.pgn, spn, csv_safe(printable(parameter.name)))
        return f",{_cells(*cells)},".encode()

    def values(self, parameter: Parameter, digits: Sequence[bytes], state: str) -> list[bytes]:
        """The last three cells."""
        rest = f",{_cells(csv_safe(printable(parameter.unit)), state)}\n".encode()
        return [number + rest for number in digits]


class JsonRows:
    """One array of objects with the names of the CSV columns; `value` and `spn` may be null."""

    def __init__(self) -> None:
        self._first = True

    def head(self) -> bytes:
        """The bracket."""
        return b"["

    def batch(self, rows: bytes) -> bytes:
        """Every row begins with a comma, but for the very first."""
        first, self._first = self._first, False
        return rows[1:] if first else rows

    def foot(self) -> bytes:
        """The other bracket."""
        return b"\n]\n"

    def time(self, time_ns: npt.NDArray[np.int64]) -> list[bytes]:
        """The first member."""
        return [b',\n{"time": ' + text for text in seconds_texts(time_ns)]

    def lead(self, channel: str, source_address: int, parameter: Parameter) -> bytes:
        """Five members and the name of the next."""
        spn = json.dumps(parameter.spn)
        return (
            f', "channel": {json.dumps(channel)}, "source_address": {source_address}, "pgn": {parameter.pgn}, '
            f'"spn": {spn}, "name": {json.dumps(parameter.name)}, "value": '
        ).encode()

    def values(self, parameter: Parameter, digits: Sequence[bytes], state: str) -> list[bytes]:
        """The last three members."""
        rest = f', "unit": {json.dumps(parameter.unit)}, "state": "{state}"}}'.encode()
        return [(number or b"null") + rest for number in digits]


class TableRows:
    """Aligned columns for people. clock: writes one time in seconds; sender_name: who an address is."""

    _VALUE = 14
    _NAME = 48

    def __init__(self, clock: Callable[[float], str], sender_name: Callable[[int], str]) -> None:
        self._clock = clock
        self._sender_name = sender_name

    def head(self) -> bytes:
        """The names of the columns."""
        return f"{'time':<14}{'sender':<30}{'SPN':>7}  {'name':<{self._NAME}}{'value':>{self._VALUE}} unit\n".encode()

    def foot(self) -> bytes:
        """Nothing."""
        return b""

    def batch(self, rows: bytes) -> bytes:
        """As they are."""
        return rows

    def time(self, time_ns: npt.NDArray[np.int64]) -> list[bytes]:
        """Time of day, or seconds."""
        return [f"{self._clock(moment / 1e9):<14}".encode() for moment in time_ns.tolist()]

    def lead(self, channel: str, source_address: int, parameter: Parameter) -> bytes:
        """Channel and name of the address; SPN and name of the parameter."""
        sender = _fitted(f"{printable(channel)} {self._sender_name(source_address)}", 29)
        spn = "-" if parameter.spn is None else parameter.spn
        return f"{sender} {spn:>7}  {_fitted(printable(parameter.name), self._NAME)}".encode()

    def values(self, parameter: Parameter, digits: Sequence[bytes], state: str) -> list[bytes]:
        """The digits, to the right, and the unit, or why there is no value."""
        words = printable(parameter.unit) if state == "ok" else state.replace("_", " ")
        return [number.rjust(self._VALUE) + f" {words}\n".encode() for number in digits]


def _cells(*cells: Any) -> str:
    """Cells of a CSV line, quoted where they must be."""
    line = io.StringIO()
    csv.writer(line, lineterminator="").writerow(cells)
    return line.getvalue()


def _fitted(text: str, width: int) -> str:
    """Exactly `width` characters."""
    return f"{text if len(text) <= width else text[: width - 1] + '…':<{width}}"
