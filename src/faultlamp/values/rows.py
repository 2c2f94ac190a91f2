"""Values as rows of text: CSV, JSON or a table for people, many rows at once.

A row is five pieces of bytes side by side: time, sender, parameter, value, state. Each is looked up or computed for a
whole column; filler bytes (NUL, which no text here contains) are then squeezed out in one pass.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable, Sequence
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from faultlamp.j1939.readings import OK, STATES
from faultlamp.text import csv_safe, printable
from faultlamp.values.columns import Parameter, ValueColumns

COLUMNS = ("time", "channel", "source_address", "pgn", "spn", "name", "value", "unit", "state")

Bytes = npt.NDArray[np.bytes_]


class RowFormat(Protocol):
    """How one kind of text writes the pieces of a row."""

    def head(self) -> bytes:
        """What stands before the first row."""

    def tail(self) -> bytes:
        """What stands after the last row."""

    def time(self, time_ns: npt.NDArray[np.int64]) -> Bytes:
        """The times of a column."""

    def sender(self, channel: str, source_address: int) -> bytes:
        """Who sent it."""

    def parameter(self, parameter: Parameter) -> bytes:
        """What it is, up to the value."""

    def value(self, value: Bytes, ok: npt.NDArray[np.bool_], parameter: npt.NDArray[np.int32]) -> Bytes:
        """The values of a column."""

    def state(self, parameter: Parameter, state: str) -> bytes:
        """What stands after the value."""


class RowWriter:
    """Turns columns into text of one format, batch by batch."""

    def __init__(self, form: RowFormat, parameters: Sequence[Parameter]) -> None:
        self._form = form
        self._parameter = np.array([form.parameter(one) for one in parameters])
        self._state = np.array([[form.state(one, state) for state in STATES] for one in parameters])
        self._senders: dict[int, bytes] = {}

    def rows(self, values: ValueColumns) -> bytes:
        """The text of all rows."""
        if not len(values):
            return b""
        sender, which = np.unique(values.channel.astype(np.int64) << 8 | values.source_address, return_inverse=True)
        pieces = (
            self._form.time(values.time_ns),
            np.array([self._sender(key, values.channels) for key in sender.tolist()])[which],
            self._parameter[values.parameter],
            self._form.value(values.value, values.state == OK, values.parameter),
            self._state[values.parameter, values.state],
        )
        row = np.zeros(len(values), np.dtype([(str(place), piece.dtype) for place, piece in enumerate(pieces)]))
        for place, piece in enumerate(pieces):
            row[str(place)] = piece
        return row.tobytes().translate(None, b"\0")

    def _sender(self, key: int, channels: tuple[str, ...]) -> bytes:
        if key not in self._senders:
            self._senders[key] = self._form.sender(channels[key >> 8], key & 0xFF)
        return self._senders[key]


class CsvRows:
    """`time,channel,source_address,pgn,spn,name,value,unit,state`, a row a value."""

    def head(self) -> bytes:
        """The header line."""
        return ",".join(COLUMNS).encode() + b"\n"

    def tail(self) -> bytes:
        """Nothing."""
        return b""

    def time(self, time_ns: npt.NDArray[np.int64]) -> Bytes:
        """Seconds, with six decimals or, where nanoseconds are known, nine."""
        return seconds_text(time_ns)

    def sender(self, channel: str, source_address: int) -> bytes:
        """Two cells, with the commas around them."""
        return f",{_cells(csv_safe(printable(channel)), source_address)},".encode()

    def parameter(self, parameter: Parameter) -> bytes:
        """Three cells and a comma."""
        spn = "" if parameter.spn is None else parameter.spn
        return f"{_cells(parameter.pgn, spn, csv_safe(printable(parameter.name)))},".encode()

    def value(self, value: Bytes, ok: npt.NDArray[np.bool_], parameter: npt.NDArray[np.int32]) -> Bytes:
        """The digits, or nothing."""
        return value

    def state(self, parameter: Parameter, state: str) -> bytes:
        """The last two cells."""
        return f",{_cells(csv_safe(printable(parameter.unit)), state)}\n".encode()


class JsonRows:
    """One array of objects with the names of the CSV columns; `value` and `spn` may be null."""

    def __init__(self) -> None:
        self._first = True

    def head(self) -> bytes:
        """The bracket."""
        return b"["

    def tail(self) -> bytes:
        """The other bracket."""
        return b"\n]\n"

    def time(self, time_ns: npt.NDArray[np.int64]) -> Bytes:
        """The beginning of the object; a comma before all but the very first."""
        text = np.strings.add(b',\n{"time": ', seconds_text(time_ns))
        if self._first:
            text[0] = text[0][1:]
            self._first = False
        return text

    def sender(self, channel: str, source_address: int) -> bytes:
        """Two members."""
        return f', "channel": {json.dumps(channel)}, "source_address": {source_address}'.encode()

    def parameter(self, parameter: Parameter) -> bytes:
        """Three members and the name of the next."""
        spn = json.dumps(parameter.spn)
        return f', "pgn": {parameter.pgn}, "spn": {spn}, "name": {json.dumps(parameter.name)}, "value": '.encode()

    def value(self, value: Bytes, ok: npt.NDArray[np.bool_], parameter: npt.NDArray[np.int32]) -> Bytes:
        """The number or null."""
        return np.where(ok, value, b"null")

    def state(self, parameter: Parameter, state: str) -> bytes:
        """The last two members."""
        return f', "unit": {json.dumps(parameter.unit)}, "state": "{state}"}}'.encode()


class TableRows:
    """Aligned columns for people. clock: writes one time."""

    _VALUE = 14
    _NAME = 48

    def __init__(self, clock: Callable[[float], str], sender_name: Callable[[int], str]) -> None:
        self._clock = clock
        self._sender_name = sender_name

    def head(self) -> bytes:
        """The names of the columns."""
        return f"{'time':<14}{'sender':<30}{'SPN':>7}  {'name':<{self._NAME}}{'value':>{self._VALUE}} unit\n".encode()

    def tail(self) -> bytes:
        """Nothing."""
        return b""

    def time(self, time_ns: npt.NDArray[np.int64]) -> Bytes:
        """Time of day, or seconds."""
        moments, which = np.unique(time_ns, return_inverse=True)
        return np.array([f"{self._clock(moment / 1e9):<14}".encode() for moment in moments.tolist()])[which]

    def sender(self, channel: str, source_address: int) -> bytes:
        """Channel and name of the address."""
        return _fitted(f"{printable(channel)} {self._sender_name(source_address)}", 29).encode() + b" "

    def parameter(self, parameter: Parameter) -> bytes:
        """SPN and name."""
        spn = "-" if parameter.spn is None else parameter.spn
        return f"{spn:>7}  {_fitted(printable(parameter.name), self._NAME)}".encode()

    def value(self, value: Bytes, ok: npt.NDArray[np.bool_], parameter: npt.NDArray[np.int32]) -> Bytes:
        """The digits, to the right; words instead of them stand at the end of the row."""
        return np.strings.rjust(value, self._VALUE)

    def state(self, parameter: Parameter, state: str) -> bytes:
        """The unit, or why there is no value."""
        words = printable(parameter.unit) if state == "ok" else state.replace("_", " ")
        return f" {words}\n".encode()


def seconds_text(time_ns: npt.NDArray[np.int64]) -> Bytes:
    """Nanoseconds as seconds: six decimals, nine where the last three are not all zero. S21 (n,), NUL-filled."""
    digits = np.zeros((len(time_ns), 21), np.uint8)
    rest = np.abs(time_ns)
    digits[time_ns < 0, 0] = ord("-")
    for place in range(20, 11, -1):
        rest, digit = np.divmod(rest, 10)
        digits[:, place] = digit
    fraction = digits[:, 12:]
    fraction += ord("0")
    fraction[np.all(fraction[:, 6:] == ord("0"), axis=1), 6:] = 0
    digits[:, 11] = ord(".")
    for place in range(10, 0, -1):
        # Leading zeros stay NUL, but for the last whole digit.
        written = rest > 0 if place < 10 else np.ones(len(rest), np.bool_)
        rest, digit = np.divmod(rest, 10)
        digits[:, place] = np.where(written, digit + ord("0"), 0)
    return digits.view("S21").ravel()


def _cells(*cells: Any) -> str:
    """Cells of a CSV line, quoted where they must be."""
    line = io.StringIO()
    csv.writer(line, lineterminator="").writerow(cells)
    return line.getvalue()


def _fitted(text: str, width: int) -> str:
    """Exactly `width` characters."""
    return f"{text if len(text) <= width else text[: width - 1] + '…':<{width}}"
