"""Values as a Parquet file: the columns of the CSV with real types, in row groups of bounded size.

`time` is seconds as a double, `value` a double that is null unless the state is ok; texts are dictionary-encoded.
Needs pyarrow, which is an optional extra.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, BinaryIO

import numpy as np

from faultlamp.errors import FaultlampError
from faultlamp.j1939.readings import OK, STATES
from faultlamp.values.columns import Parameter, ValueColumns

ROWS_A_GROUP = 1 << 19


class ParquetSink:
    """Collects values and writes them a row group at a time. Raises FaultlampError when pyarrow is missing."""

    def __init__(self, out: BinaryIO, parameters: Sequence[Parameter]) -> None:
        try:
            import pyarrow
            import pyarrow.parquet
        except ImportError as missing:
            raise FaultlampError(
                'writing Parquet needs pyarrow, which is not installed: pip install "faultlamp[parquet]"'
            ) from missing
        self._arrow: Any = pyarrow
        self._parameters = parameters
        text = pyarrow.dictionary(pyarrow.int32(), pyarrow.string())
        self._schema = pyarrow.schema([
            ("time", pyarrow.float64()), ("channel", text), ("source_address", pyarrow.uint8()),
            ("pgn", pyarrow.int32()), ("spn", pyarrow.int32()), ("name", text), ("value", pyarrow.float64()),
            ("unit", text), ("state", text),
        ])
        # Looking for repeats among measured numbers costs much and finds little.
        repeating = ["channel", "name", "unit", "state"]
        self._writer = pyarrow.parquet.ParquetWriter(out, self._schema, use_dictionary=repeating)
        self._waiting: list[ValueColumns] = []
        self._rows = 0

    def write(self, values: ValueColumns) -> None:
        """Take values in order."""
        self._waiting.append(values)
        self._rows += len(values)
        if self._rows >= ROWS_A_GROUP:
            self._flush()

    def close(self) -> None:
        """Write what is left, and the file's end."""
        self._flush()
        self._writer.close()

    def _flush(self) -> None:
        if self._rows:
            self._writer.write_table(self._table(ValueColumns.joined(self._waiting)), row_group_size=ROWS_A_GROUP)
        self._waiting, self._rows = [], 0

    def _table(self, values: ValueColumns) -> Any:
        arrow, of = self._arrow, values.parameter

        def texts(index: Any, words: Sequence[str]) -> Any:
            return arrow.DictionaryArray.from_arrays(index.astype(np.int32), arrow.array(words, arrow.string()))

        pgns = np.array([one.pgn for one in self._parameters], np.int32)[of]
        spns = np.array([-1 if one.spn is None else one.spn for one in self._parameters], np.int32)[of]
        columns = [
            arrow.array(values.time_ns / 1e9), texts(values.channel, values.channels),
            arrow.array(values.source_address), arrow.array(pgns),
            arrow.array(spns, mask=spns < 0), texts(of, [one.name for one in self._parameters]),
            arrow.array(values.value, mask=values.state != OK), texts(of, [one.unit for one in self._parameters]),
            texts(values.state, [str(state) for state in STATES]),
        ]
        return arrow.Table.from_arrays(columns, schema=self._schema)
