"""The summary of readings says what the decoded values say, one by one."""

import math
from collections import defaultdict
from decimal import Decimal
from fractions import Fraction
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from faultlamp.frames import Frame, FrameBlock
from faultlamp.j1939.identifier import is_j1939, split_identifier
from faultlamp.j1939.readings import STATES, GroupLayout, Layouts, SignalLayout, decode, standard_range
from faultlamp.j1939.segmentation import broadcast
from faultlamp.knowledge.layouts import load_layouts
from faultlamp.knowledge.names import spn_name
from faultlamp.survey import readings
from faultlamp.survey.readings import ReadingsSummary
from support.wire import frame, ns


def signal(start_bit: int, bit_length: int, **options: Any) -> SignalLayout:
    """A signal of a user's own layout."""
    given = {"scale": Decimal(1), "offset": Decimal(0), "unit": "", "name": f"s{start_bit}", "spn": None}
    limits = standard_range(bit_length)
    return SignalLayout(
        start_bit=start_bit, bit_length=bit_length, **{**given, "lowest_raw": limits[0], "highest_raw": limits[1]}
        | options
    )


# What the shipped groups do not have: steps downwards, floats, 64 bits, and more bytes than a frame.
OWN = {
    65280: GroupLayout(65280, "DOWN", 100, 8, (
        signal(0, 16, scale=Decimal("-0.5"), offset=Decimal(100)),
        signal(16, 8, signed=True, lowest_raw=-128, highest_raw=127),
        signal(32, 32, is_float=True, lowest_raw=-math.inf, highest_raw=math.inf),
    )),
    65281: GroupLayout(65281, "WIDE", 100, 8, (signal(0, 64),)),
    65282: GroupLayout(65282, "LONG", 100, 10, (signal(0, 8), signal(64, 16, scale=Decimal("0.25")))),
}


LAYOUTS = Layouts({**load_layouts().groups, **OWN})


Message = tuple[str, int, bytes]


def one_by_one(messages: list[Message]) -> dict[tuple[Any, ...], dict[str, Any]]:
    """The same summary from whole messages, each decoded by itself."""
    states: dict[tuple[Any, ...], list[int]] = defaultdict(lambda: [0] * len(STATES))
    numbers: dict[tuple[Any, ...], list[float]] = defaultdict(list)
    for channel, can_id, data in messages:
        pgn = split_identifier(can_id).pgn
        for reading in decode(LAYOUTS.groups[pgn], data) if is_j1939(can_id) else ():
            name = spn_name(reading.spn or -1) or reading.signal.name
            key = channel, can_id & 0xFF, pgn, reading.spn, name, reading.signal.unit
            states[key][STATES.index(reading.state)] += 1
            if reading.value is not None:
                numbers[key].append(reading.value)
    return {
        key: dict(zip(("n_ok", "n_not_available", "n_error"), counts, strict=True))
        | dict(zip(("min", "max", "first", "last"), ends_of(numbers[key]), strict=True))
        | {"mean": float(sum(map(Fraction, numbers[key])) / len(numbers[key])) if numbers[key] else None}
        for key, counts in states.items()
    }


def ends_of(values: list[float]) -> tuple[float | None, ...]:
    """Lowest, highest, first, last."""
    return (min(values), max(values), values[0], values[-1]) if values else (None,) * 4


def summary(frames: list[Frame], cuts: list[int]) -> dict[tuple[Any, ...], dict[str, Any]]:
    """The summary of the frames as blocks, by the same keys."""
    one = ReadingsSummary(LAYOUTS, name_of=spn_name)
    whole = FrameBlock.from_frames(frames)
    for first, end in pairwise(sorted({0, len(frames), *(cut for cut in cuts if cut < len(frames))})):
        one.feed(whole.take(slice(first, end)))
    keys = ("channel", "source_address", "pgn", "spn", "name", "unit")
    rows = one.rows()
    assert [tuple(row[key] for key in keys[:3]) for row in rows] == sorted(
        tuple(row[key] for key in keys[:3]) for row in rows
    )
    return {
        tuple(row[key] for key in keys): {key: value for key, value in row.items() if key not in keys} for row in rows
    }


payloads = st.one_of(
    st.binary(max_size=8),
    st.sampled_from([bytes(8), b"\xff" * 8, b"\xfe" * 8, b"\xf0\x7d\x7d\xe0\x15\xff\xf0\xff", b"\0\0\x80\x3f" * 2]),
)
identifiers = st.sampled_from(
    [0x0CF00400, 0x0CF00403, 0x18FEEE00, 0x0C000003, 0x18FF0000, 0x18FF0100, 0x18FF0200, 0x1BF00400]
)
singles = st.tuples(st.sampled_from(["can0", "can1"]), identifiers, payloads)
# Longer than a frame, so they arrive in packets; the identifier is that of a single frame of the group.
multi = st.tuples(st.just("can0"), st.sampled_from([0x1CFF0200, 0x1CF00400]), st.binary(min_size=9, max_size=12))


def packets(message: Message) -> list[Message]:
    """The frames that bring a message."""
    channel, can_id, data = message
    if len(data) <= 8:
        return [message]
    return [(channel, *piece) for piece in broadcast(split_identifier(can_id).pgn, can_id & 0xFF, data)]


@pytest.mark.parametrize("enough", [3, 1 << 18], ids=["worked off often", "worked off at the end"])
@given(messages=st.lists(singles | multi, max_size=30), cuts=st.lists(st.integers(0, 60), max_size=4))
def test_the_summary_equals_the_values_one_by_one(enough: int, messages: list[Message], cuts: list[int]) -> None:
    """However the frames are cut into blocks: same counts, extremes, first and last; the mean to its last digits."""
    wire = [frame for message in messages for frame in packets(message)]
    frames = [Frame(number * 1_000_000, *one) for number, one in enumerate(wire)]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(readings, "_ENOUGH", enough)
        found = summary(frames, cuts)
    expected = one_by_one(messages)
    assert found.keys() == expected.keys()
    for key, row in expected.items():
        mean = row.pop("mean")
        # Floats of a user's layout are summed as floats: large ones may swallow small ones.
        error = max(abs(row["min"]), abs(row["max"])) * 1e-12 if mean is not None else None
        assert found[key].pop("mean") == pytest.approx(mean, abs=error)
        assert found[key] == row


def test_a_worked_example() -> None:
    """EEC1 with 700 and 1040 rpm and once 'not available' (SAE J1939-71, section 5.3.7): counts and the mean 870."""
    frames = [
        frame(0, "0CF00400", "F0 7D 7D E0 15 FF F0 FF"), frame(1, "0CF00400", "F0 7D 7D 80 20 FF F0 FF"),
        frame(2, "0CF00400", "F0 7D 7D FF FF FF F0 FF"),
    ]
    row = summary(frames, [])["can0", 0, 61444, 190, "Engine Speed", "rpm"]
    assert row == {
        "n_ok": 2, "n_not_available": 1, "n_error": 0, "min": 700.0, "mean": 870.0, "max": 1040.0, "first": 700.0,
        "last": 1040.0,
    }


def test_a_step_back_of_the_clock_ends_a_transfer() -> None:
    """The packets before the step and those behind it are no message together."""
    pieces = [Frame(ns(number * 0.1), "can0", *piece) for number, piece in enumerate(broadcast(65282, 0, bytes(10)))]
    one = ReadingsSummary(LAYOUTS, name_of=spn_name)
    one.feed(FrameBlock.from_frames(pieces[:2]))
    one.feed(FrameBlock.from_frames(pieces[2:], starts_stretch=True))
    assert one.rows() == []


def test_a_hostile_bus_finds_an_end_of_the_room(monkeypatch: pytest.MonkeyPatch) -> None:
    """Senders beyond the bound are counted, not kept."""
    monkeypatch.setattr(readings, "MOST_SENDERS", 5)
    one = ReadingsSummary(LAYOUTS, name_of=spn_name)
    one.feed(FrameBlock.from_frames([frame(0, f"0CF004{source:02X}", "00" * 8) for source in range(12)]))
    assert len({row["source_address"] for row in one.rows()}) == 5
    assert one.refused == 7


def test_sums_of_large_numbers_stay_exact() -> None:
    """Two hundred times the highest distance that VDHR carries (SAE J1939-71, 32 bits, 5 m a bit): the mean is it."""
    frames = [frame(number, "18FEC100", "FF FF FF FA FF FF FF FA") for number in range(200)]
    rows = [row for key, row in summary(frames, [77]).items() if key[2] == 65217]
    assert rows
    assert all(row["mean"] == row["max"] == row["min"] for row in rows)
    assert rows[0]["max"] == 0xFAFFFFFF * 5
