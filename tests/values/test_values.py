"""Decoded values: right, in order, and written without noise.

Sources: the worked examples are public ones of the Rust crate Laixer/J1939 (LX) and of famez/J1939-Framework (FZ), as
named in each row; cantools decodes the same DBC independently.
"""

import csv
import io
import json
from collections.abc import Iterator, Sequence
from decimal import Decimal
from itertools import pairwise
from typing import Any

import cantools
import numpy as np
import pytest
from cantools.database.can import Database
from hypothesis import given
from hypothesis import strategies as st

from faultlamp.frames import Frame, FrameBlock
from faultlamp.j1939.identifier import build_identifier, split_identifier
from faultlamp.j1939.readings import STATES, GroupLayout, Layouts, SignalLayout, decode
from faultlamp.j1939.segmentation import broadcast
from faultlamp.knowledge.layouts import load_layouts
from faultlamp.knowledge.names import spn_name
from faultlamp.resources import shipped
from faultlamp.values.columns import Decoder, Parameter, ValueColumns
from faultlamp.values.digits import format_texts, seconds_texts
from faultlamp.values.rows import COLUMNS, CsvRows, JsonRows, RowWriter
from faultlamp.values.thinning import Thinner
from support.wire import frame, ns


def digits(_: Parameter, texts: Sequence[bytes], __: str) -> list[bytes]:
    """Values written as their digits alone."""
    return list(texts)


def decoder(**options: Any) -> Decoder:
    """Over the shipped layouts."""
    return Decoder(load_layouts(), name_of=spn_name, **options)


def csv_rows(frames: list[Frame], **options: Any) -> list[dict[str, str]]:
    """The CSV of frames, read back by the standard library."""
    rows = CsvRows()
    one = decoder(write=rows.values, **options)
    writer = RowWriter(rows, one.parameters)
    text = rows.head() + writer.rows(one.decode(FrameBlock.from_frames(frames))) + rows.foot()
    return list(csv.DictReader(io.StringIO(text.decode())))


EXAMPLES = [
    pytest.param("0CF00400", "F391 91AA 1800 F3FF",
                 {190: "789.250", 512: "20", 513: "20", 899: "3", 1675: "3", 2432: None},
                 id="LX electronic_engine_controller_1_message_2"),
    pytest.param("18FEEE00", "423B FFFF FFFF FFFF", {110: "26", 174: "19", 175: None, 176: None, 52: None, 1134: None},
                 id="LX engine_temperature_1_message_1"),
    pytest.param("18FEEF00", "1AFF FF01 FFFF 0000", {94: "104", 100: "4", 109: "0", 111: "0.0", 98: None, 101: None},
                 id="LX engine_fluid_level_pressure_1_message_1"),
    pytest.param("18FEF700", "FFFF FFFF E301 E701", {168: "24.15", 158: "24.35", 167: None, 114: None},
                 id="LX vehicle_electrical_power_message_1"),
    pytest.param("18FEF500", "C0FF FFFF FF35 FFFF", {108: "96.0", 172: "13", 171: None},
                 id="LX ambient_conditions_message_1"),
    pytest.param("18FEE900", "FAD8 0200 FAD8 0200", {182: "93309.0", 250: "93309.0"},
                 id="LX fuel_consumption_message_1"),
    pytest.param("18FEF120", "FF00 509F FFFF 1FFF", {84: "80.00000000", 597: "1", 976: None},
                 id="FZ genericframe_test decode"),
]


@pytest.mark.parametrize(("can_id", "data", "expected"), EXAMPLES)
def test_published_examples_reach_the_csv(can_id: str, data: str, expected: dict[int, str | None]) -> None:
    """Published bytes give the published numbers, or no number where the publication says 'not available'."""
    rows = {int(row["spn"]): row for row in csv_rows([frame(0, can_id, data)])}
    for spn, value in expected.items():
        assert rows[spn]["value"] == (value or "")
        assert rows[spn]["state"] == ("ok" if value else "not_available")


def test_a_row_has_the_promised_cells() -> None:
    """Header, time to the microsecond, names and unit as docs/commands.md says."""
    (row,) = csv_rows([frame("0.250001", "0CF00403", "F0 7D 7D E0 15 FF F0 FF")], spns={190})
    assert tuple(row) == COLUMNS
    assert row == {
        "time": "1700000000.250001", "channel": "can0", "source_address": "3", "pgn": "61444", "spn": "190",
        "name": "Engine Speed", "value": "700.000", "unit": "rpm", "state": "ok",
    }


def test_error_is_a_state_and_no_number() -> None:
    """FE in the high byte is 'error' (SAE J1939-71, section 5.1.4, from memory)."""
    (row,) = csv_rows([frame(0, "0CF00400", "F0 7D 7D 00 FE FF F0 FF")], spns={190})
    assert (row["value"], row["state"]) == ("", "error")


@pytest.fixture(scope="module")
def database() -> Database:
    """The shipped DBC, as cantools reads it."""
    database = cantools.database.load_file(shipped("dbc") / "faultlamp-j1939.dbc")
    assert isinstance(database, Database)
    return database


def test_every_group_agrees_with_cantools(database: Database) -> None:
    """Random frames of every shipped group: each number in the CSV is the one that cantools decodes."""
    random = np.random.default_rng(7)
    names = {
        (split_identifier(message.frame_id).pgn, signal.dbc.attributes["SPN"].value): (message, signal.name)
        for message in database.messages for signal in message.signals if signal.dbc is not None
    }
    frames = [
        Frame(ns(number), "can0", build_identifier(6, split_identifier(message.frame_id).pgn, 0),
              random.integers(0, 251, 8, np.uint8).tobytes())
        for number, message in enumerate([*database.messages] * 20)
    ]
    compared = 0
    for row in csv_rows(frames):
        if row["state"] != "ok":
            continue
        sent = frames[int(Decimal(row["time"])) - 1_700_000_000]
        message, name = names[int(row["pgn"]), int(row["spn"])]
        physical = message.decode(sent.data, decode_choices=False, scaling=True)[name]
        assert float(row["value"]) == pytest.approx(float(physical), rel=1e-12, abs=1e-9)
        compared += 1
    assert compared > 1000


@given(st.lists(
    st.tuples(st.sampled_from([0x0CF00400, 0x18FEEE00, 0x18FEF73D, 0x0C000003, 0x18FECA00, 0x1BF00400]),
              st.binary(max_size=8)),
    max_size=30,
))
def test_columns_equal_one_message_at_a_time(wire: list[tuple[int, bytes]]) -> None:
    """The column road gives, in order, what decoding each message by itself gives."""
    layouts = load_layouts()
    expected = [
        (number, reading.spn, str(reading.state), reading.text)
        for number, (can_id, data) in enumerate(wire)
        if can_id >> 24 & 3 != 3 and (group := layouts.groups.get(split_identifier(can_id).pgn))
        for reading in decode(group, data)
    ]
    frames = [Frame(number, "can0", can_id, data) for number, (can_id, data) in enumerate(wire)]
    one = decoder(write=digits)
    values = one.decode(FrameBlock.from_frames(frames))
    heard = [
        (time_ns, one.parameters[parameter].spn, str(STATES[state]), text.decode())
        for time_ns, parameter, state, text in zip(
            *(column.tolist() for column in (values.time_ns, values.parameter, values.state, values.value)), strict=True
        )
    ]
    assert heard == expected
    numbers = decoder().decode(FrameBlock.from_frames(frames)).value
    assert [None if np.isnan(number) else number for number in numbers] == [
        float(text) if text else None for *_, text in expected
    ]


def test_a_group_longer_than_a_frame_is_decoded_when_it_is_whole() -> None:
    """A ten-byte group of a user's own DBC arrives by BAM."""
    late = SignalLayout(start_bit=64, bit_length=16, spn=None, name="Late", scale=Decimal("0.5"), offset=Decimal(0),
                        unit="kPa", lowest_raw=0, highest_raw=64255)
    layouts = Layouts({65280: GroupLayout(65280, "OWN", 1000, 10, (late,))})
    frames = [
        Frame(ns(number), "can0", *piece)
        for number, piece in enumerate(broadcast(65280, 5, bytes(8) + (101).to_bytes(2, "little")))
    ]
    frames = [Frame(ns(number * 0.1), "can0", one.can_id, one.data) for number, one in enumerate(frames)]
    values = Decoder(layouts, name_of=spn_name, write=digits).decode(FrameBlock.from_frames(frames))
    assert (values.time_ns.tolist(), values.value.tolist()) == ([ns(0.2)], [b"50.5"])
    assert values.source_address.tolist() == [5]


@given(st.lists(st.integers(-(10**18), 9 * 10**18), min_size=1, max_size=20))
def test_times_are_written_exactly(times: list[int]) -> None:
    """Whole microseconds with six decimals, others with nine; nothing is rounded."""
    texts = [text.decode() for text in seconds_texts(np.array(times, np.int64))]
    assert [int(Decimal(text) * 10**9) for text in texts] == times
    assert [len(text.partition(".")[2]) for text in texts] == [9 if time % 1000 else 6 for time in times]


@given(st.data())
def test_columns_of_digits_equal_one_number_at_a_time(data: st.DataObject) -> None:
    """Every signal's column text is that of the exact decimal."""
    signals = [signal for group in load_layouts().groups.values() for signal in group.signals]
    signal = data.draw(st.sampled_from(signals))
    raws = data.draw(st.lists(st.integers(0, signal.mask), max_size=20))
    texts = [text.decode() for text in format_texts(signal, np.array(raws, np.int64))]
    assert texts == [signal.format_value(raw) for raw in raws]
    assert [Decimal(text) for text in texts] == [raw * signal.scale + signal.offset for raw in raws]


def batches(values: ValueColumns, cuts: list[int]) -> Iterator[ValueColumns]:
    """The values in pieces."""
    edges = sorted({0, len(values), *(cut for cut in cuts if cut < len(values))})
    for first, end in pairwise(edges):
        yield values.take(np.arange(first, end))


@given(
    steps=st.lists(st.tuples(st.integers(0, 900), st.integers(0, 1), st.integers(0, 3)), max_size=40),
    cuts=st.lists(st.integers(0, 40), max_size=4), every_ms=st.sampled_from([100, 1000, 2500]),
)
def test_thinning_keeps_the_last_of_each_interval(
    steps: list[tuple[int, int, int]], cuts: list[int], every_ms: int
) -> None:
    """However the values come in pieces: one a parameter, sender and interval, the last one, in order."""
    times = np.cumsum([step for step, _, _ in steps], dtype=np.int64) * 1_000_000
    count = len(times)
    values = ValueColumns(
        times, np.zeros(count, np.int32), np.array([source for _, source, _ in steps], np.uint8),
        np.array([parameter for *_, parameter in steps], np.int32), np.zeros(count, np.uint8),
        np.arange(count).astype(np.float64), ("can0",),
    )
    expected: dict[tuple[int, int, int], int] = {}
    for number, (_, source, parameter) in enumerate(steps):
        expected[int(times[number]) // (every_ms * 1_000_000), source, parameter] = number
    thinner = Thinner(every_ms * 1_000_000, 0)
    kept = [part for batch in batches(values, cuts) if (part := thinner.feed(batch)) is not None]
    if (rest := thinner.finish()) is not None:
        kept.append(rest)
    assert [int(number) for part in kept for number in part.value] == sorted(expected.values())


def test_json_is_one_valid_document() -> None:
    """Numbers are numbers, missing values null, the names those of the CSV."""
    rows = JsonRows()
    one = decoder(spns={190, 110}, write=rows.values)
    writer = RowWriter(rows, one.parameters)
    blocks = [FrameBlock.from_frames([frame(0, "0CF00400", "F0 7D 7D E0 15 FF F0 FF")]),
              FrameBlock.from_frames([frame(1, "18FEEE00", "FF")])]
    text = rows.head() + b"".join(writer.rows(one.decode(block)) for block in blocks) + rows.foot()
    document = json.loads(text)
    assert [tuple(row) for row in document] == [COLUMNS, COLUMNS]
    assert [(row["time"], row["spn"], row["value"], row["state"]) for row in document] == [
        (1_700_000_000.0, 190, 700.0, "ok"), (1_700_000_001.0, 110, None, "not_available"),
    ]
    empty = JsonRows()
    assert json.loads(empty.head() + empty.foot()) == []


def test_text_from_outside_stays_inert_in_a_cell() -> None:
    """A channel name that a spreadsheet would run, or that moves a cursor, becomes plain text."""
    bad = Frame(0, "=1+1\x1b[2J,x", 0x0CF00400, bytes.fromhex("F07D7DE015FFF0FF"))
    (row,) = csv_rows([bad], spns={190})
    assert row["channel"] == "'=1+1·[2J,x"
