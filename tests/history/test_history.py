"""Fault, lamp and key-cycle spans as docs/faults-json.md defines them.

The 5 s, 2 s and 400 rpm limits are definitions of this project; DM1 layout and its 1 s period are SAE J1939-73
section 5.7.1, engine speed SAE J1939-71 (0.125 rpm a bit).
"""

from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from faultlamp.frames import ERROR, FD, REMOTE, Frame, FrameBlock
from faultlamp.history.changes import Change, What
from faultlamp.history.history import History
from faultlamp.history.sieve import sieve
from support.strategies import traffic
from support.wire import EPOCH_S, document, document_by_blocks, document_by_rows, frame, frames, ns

COOLANT = "00 FF 6E 00 03 02 FF FF"
COOLANT_AGAIN = "00 FF 6E 00 03 03 FF FF"
OIL = "00 FF 64 00 01 01 FF FF"
NOTHING = "00 FF 00 00 00 00 FF FF"
AMBER = "04 FF 6E 00 03 02 FF FF"


def dm1(time: float | str, payload: str = COOLANT, source: str = "00") -> str:
    """A line of a single-frame DM1."""
    return f"{time} 18FECA{source} {payload}"


def history_of(*lines: str, **options: Any) -> dict[str, Any]:
    """The document of the lines, fed both ways, which must agree."""
    given_frames = frames("\n".join(lines))
    by_rows = document_by_rows(given_frames, **options)
    assert document_by_blocks(given_frames, **options) == by_rows
    return by_rows


def spans(entry: dict[str, Any]) -> list[tuple[float, float | None, str]]:
    """Active spans relative to the tests' epoch, rounded to the microsecond for reading."""
    return [
        (round(span["start"] - EPOCH_S, 6), None if span["end"] is None else round(span["end"] - EPOCH_S, 6),
         span["end_reason"])
        for span in entry["active_spans"]
    ]


SPANS = [
    pytest.param([dm1(0), dm1(1)], [(0, None, "capture_end")], "active", id="still listed at the end"),
    pytest.param([dm1(0), dm1(1), dm1(2, NOTHING)], [(0, 2, "cleared")], "inactive", id="no longer listed"),
    pytest.param([dm1(0), dm1(1), dm1(2, OIL)], [(0, 2, "cleared")], "inactive", id="another code instead"),
    pytest.param([dm1(0), dm1(1), dm1(2, NOTHING), dm1(3)], [(0, 2, "cleared"), (3, None, "capture_end")], "active",
                 id="came back"),
    pytest.param([dm1(0), dm1("4.999999")], [(0, None, "capture_end")], "active", id="just under 5 s is not silence"),
    pytest.param([dm1(0), dm1(5)], [(0, 0, "silent"), (5, None, "capture_end")], "active", id="exactly 5 s is silence"),
    pytest.param([dm1(0), dm1(1), "6 0CF00400 FF FF FF FF FF FF FF FF"], [(0, 1, "silent")], "inactive",
                 id="the capture goes on for 5 s without one"),
    pytest.param([dm1(0), dm1(1), "5.999999 0CF00400 FF FF FF FF FF FF FF FF"], [(0, None, "capture_end")], "active",
                 id="the capture goes on for less"),
    pytest.param([dm1(0), dm1(3, NOTHING, "3D"), dm1(6, NOTHING, "3D")], [(0, 0, "silent")], "inactive",
                 id="another source's DM1 says nothing about this one"),
    pytest.param([dm1(0), "1 18FECB00 " + COOLANT, dm1(2, NOTHING)], [(0, 2, "cleared")], "previously_active",
                 id="the latest DM2 lists it"),
    pytest.param(["0 18FECB00 " + COOLANT], [], "previously_active", id="DM2 alone"),
    pytest.param(["0 18FECB00 " + COOLANT, dm1(1), dm1(2, NOTHING)], [(1, 2, "cleared")], "inactive",
                 id="a DM1 listed it after the latest DM2"),
    pytest.param(["0 18FECB00 " + COOLANT, "1 18FECB00 " + NOTHING], [], "inactive",
                 id="the latest DM2 does not list it"),
    pytest.param(["0 18FED400 " + COOLANT], [], "inactive", id="DM12 alone"),
    pytest.param([dm1(0), "1 18FECA00 04", dm1(2)], [(0, None, "capture_end")], "active",
                 id="a frame too short for the lamps says nothing"),
    pytest.param([dm1(0), "1 18FECA00 04 FF", dm1(2)], [(0, 1, "cleared"), (2, None, "capture_end")], "active",
                 id="lamps alone list no code"),
    pytest.param(
        ["0 18ECFF00 20 0E 00 02 FF CA FE 00", "0.1 18EBFF00 01 14 FF 6E 00 03 02 6E",
         "0.2 18EBFF00 02 00 10 02 08 F0 FF 7F"],
        [(0.2, None, "capture_end")], "active", id="a multi-packet DM1 counts from the frame that completes it",
    ),
    pytest.param(
        [dm1(0), "4 18ECFF00 20 0E 00 02 FF CA FE 00", "4.7 18EBFF00 01 14 FF 6E 00 03 02 6E",
         "5.4 18EBFF00 02 00 10 02 08 F0 FF 7F"],
        [(0, None, "capture_end")], "active", id="packets of a DM1 under way count as sending",
    ),
    pytest.param(
        [dm1(0), "4 18ECFF00 20 0E 00 02 FF CB FE 00", "4.7 18EBFF00 01 14 FF 6E 00 03 02 6E", dm1("5.4")],
        [(0, 0, "silent"), (5.4, None, "capture_end")], "active", id="packets of a DM2 do not",
    ),
    pytest.param(
        [dm1(0), "4 18ECFF00 20 0E 00 02 FF CA FE 00", "4.5 18EBFF00 01 14 FF 6E 00 03 02 6E",
         "9.5 0CF00400 FF FF FF FF FF FF FF FF"],
        [(0, 0, "silent")], "inactive", id="silent in the middle of a DM1: the last whole one counts",
    ),
]


@pytest.mark.parametrize(("lines", "expected", "state"), SPANS)
def test_active_spans(lines: list[str], expected: list[tuple[float, float | None, str]], state: str) -> None:
    """When SPN 110 FMI 3 of the engine was active, and what it is now."""
    faults = history_of(*lines)["faults"]
    fault = next(entry for entry in faults if (entry["spn"], entry["fmi"]) == (110, 3))
    assert spans(fault) == expected
    assert fault["state"] == state


def test_what_a_fault_carries() -> None:
    """Count, first and last mention, and which messages named it."""
    document = history_of(
        dm1(0), dm1(1, COOLANT_AGAIN), "2 18FED400 00 FF 6E 00 03 7F FF FF", "3 18FECB00 00 FF 6E 00 03 84 FF FF",
        dm1(3.5, NOTHING),
    )
    (fault,) = document["faults"]
    assert fault["occurrence_count"] == 4
    assert fault["conversion_method"] == 1
    assert (fault["first_seen"], fault["last_seen"]) == (EPOCH_S, EPOCH_S + 3)
    assert fault["reported_in"] == ["DM1", "DM2", "DM12"]


def test_a_count_never_reported_is_null() -> None:
    """127 is 'not available' (SAE J1939-73, section 5.7.1)."""
    assert history_of(dm1(0, "00 FF 6E 00 03 7F FF FF"))["faults"][0]["occurrence_count"] is None


def test_the_user_decides_how_old_codes_are_read() -> None:
    """SPN 1208 FMI 3 in the first of the four layouts (SAE J1939-73, section 5.7.1, from memory), for one address."""
    line, other = dm1(0, "00 FF 00 97 03 8A FF FF"), dm1(0.1, "00 FF 00 97 03 8A FF FF", "3D")
    faults = history_of(line, other, spn_conversion={0: 1})["faults"]
    assert [(fault["source_address"], fault["spn"]) for fault in faults] == [(0, 1208), (61, 0x9700)]


def test_lamp_spans_change_and_fall_silent() -> None:
    """A lamp's span ends when its state changes, and at the last DM1 of a source that falls silent."""
    lamps = history_of(dm1(0, NOTHING), dm1(1, AMBER), dm1(2, AMBER), dm1(8, AMBER))["lamps"]
    amber = next(entry for entry in lamps if entry["lamp"] == "amber_warning")
    assert [
        (span["start"] - EPOCH_S, span["end"] and span["end"] - EPOCH_S, span["state"]) for span in amber["spans"]
    ] == [(0, 1, "off"), (1, 2, "on"), (8, None, "on")]
    assert [entry["lamp"] for entry in lamps] == ["malfunction_indicator", "red_stop", "amber_warning", "protect"]


def test_a_lamp_never_available_is_left_out() -> None:
    """FF in both lamp bytes, as ISO 11783 networks send it, is no lamp at all."""
    assert history_of(dm1(0, "FF FF 6E 00 03 02 FF FF"))["lamps"] == []


EEC1 = "0CF00400 F0 7D 7D {} F0 FF F0"

KEY_CYCLES = [
    pytest.param(["0 " + EEC1.format("E0 15"), "1.999999 " + EEC1.format("00 00"), "3 18FECA03 00 FF 00 00 00 00"],
                 [(0, None, True, 700.0)], id="goes on"),
    pytest.param(["0 " + EEC1.format("E0 15"), "2 " + EEC1.format("00 00")],
                 [(0, 0, True, 700.0), (2, None, False, 0.0)], id="a gap of exactly 2 s"),
    pytest.param(["0 " + EEC1.format("7F 0C"), "2 18FECA03 00 FF 00 00 00 00"], [(0, 0, False, 399.875)],
                 id="just under 400 rpm; over when the capture goes on for 2 s"),
    pytest.param(["0 " + EEC1.format("80 0C")], [(0, None, True, 400.0)], id="exactly 400 rpm"),
    pytest.param(["0 " + EEC1.format("FF FF"), "1 " + EEC1.format("00 FE"), "1.5 " + EEC1.format("00 FB")],
                 [(0, None, False, None)], id="not available, error and reserved are no speed"),
    pytest.param(["0 18FECA00 00 FF 00 00 00 00 FF FF"], [(0, None, False, None)], id="any frame of the engine"),
    pytest.param(["0 0CF00403 F0 7D 7D E0 15 F0 FF F0"], [], id="another source"),
    pytest.param(["0 0CF00400 F0 7D 7D E0"], [(0, None, False, None)], id="a frame too short for the speed"),
]


@pytest.mark.parametrize(("lines", "expected"), KEY_CYCLES)
def test_key_cycles(lines: list[str], expected: list[tuple[float, float | None, bool, float | None]]) -> None:
    """Stretches in which the engine's address sends."""
    cycles = history_of(*lines)["key_cycles"]
    assert [
        (cycle["start"] - EPOCH_S, None if cycle["end"] is None else cycle["end"] - EPOCH_S, cycle["engine_ran"],
         cycle["max_engine_speed_rpm"])
        for cycle in cycles
    ] == expected


def test_another_engine_address() -> None:
    """The address that makes key cycles can be chosen."""
    cycles = history_of("0 0CF00401 F0 7D 7D E0 15 F0 FF F0", engine_address=1)["key_cycles"]
    assert [cycle["engine_ran"] for cycle in cycles] == [True]


@pytest.mark.parametrize("flags", [0, REMOTE | 1, ERROR, FD | 1], ids=["11-bit", "remote", "error", "FD"])
def test_only_classic_29_bit_data_frames_are_read(flags: int) -> None:
    """Frames of other kinds count as frames and nothing else."""
    odd = frame(0, "18FECA00", COOLANT, flags=flags)
    for result in (document_by_rows([odd]), document_by_blocks([odd])):
        assert result["capture"]["frames"] == 1
        assert result["faults"] == result["lamps"] == result["key_cycles"] == []


def test_nothing_heard() -> None:
    """No frames: an empty history, not an error."""
    result = document_by_rows([])
    assert (result["capture"]["start"], result["capture"]["end"], result["faults"]) == (None, None, [])


def test_a_clock_that_steps_back_ends_everything_open() -> None:
    """Spans and key cycles end at the last time before the step; open transfers become incomplete."""
    before = frames("\n".join([dm1(100), "100.5 1CECFF01 20 14 00 03 FF B0 FE 00", "101 " + EEC1.format("E0 15")]))
    after = frames(dm1(10))
    history = History()
    history.feed_block(FrameBlock.from_frames(before))
    history.feed_block(FrameBlock.from_frames(after, starts_stretch=True))
    result = document(history)
    (fault,) = result["faults"]
    assert spans(fault) == [(100, 101, "silent"), (10, None, "capture_end")]
    assert [(cycle["start"] - EPOCH_S, cycle["end"] and cycle["end"] - EPOCH_S) for cycle in result["key_cycles"]] == [
        (100, 101), (10, None),
    ]
    assert result["transport"]["incomplete"] == 1
    assert result["capture"]["clock_steps"] == 1


def test_changes_are_told_in_order() -> None:
    """Whoever watches hears of key, engine, lamps and faults as they happen."""
    heard: list[Change] = []
    history = History(on_change=heard.append)
    for one in frames("\n".join(["0 " + EEC1.format("E0 15"), dm1(1, AMBER), dm1(2, NOTHING)])):
        history.feed(one)
    history.advance(ns(20))
    lit = [change for change in heard if change.what is not What.LAMP or change.detail == "amber_warning on"]
    assert [change.what for change in lit] == [
        What.KEY_ON, What.ENGINE_RAN, What.LAMP, What.FAULT_ACTIVE, What.FAULT_CLEARED, What.KEY_OFF,
    ]


@settings(max_examples=300, deadline=None)
@given(traffic(), st.data())
def test_one_frame_at_a_time_equals_columns(wire: list[Frame], data: st.DataObject) -> None:
    """For any traffic, cut anywhere, the block road gives the history of the row road."""
    cuts = data.draw(st.lists(st.integers(0, len(wire)), max_size=4))
    assert document_by_blocks(wire, cuts) == document_by_rows(wire)


@settings(max_examples=200, deadline=None)
@given(traffic(), st.data())
def test_what_the_sieve_leaves_tells_the_same_story(wire: list[Frame], data: st.DataObject) -> None:
    """Blocks reduced to the frames that matter give the same history, but for the number of frames."""
    history = History()
    cuts = sorted(data.draw(st.lists(st.integers(0, len(wire)), max_size=4)))
    for first, end in pairwise([0, *cuts, len(wire)]):
        history.feed_block(sieve(FrameBlock.from_frames(wire[first:end])))
    reduced, expected = document(history), document_by_rows(wire)
    del reduced["capture"]["frames"], expected["capture"]["frames"]
    assert reduced == expected


def test_the_sieve_leaves_little() -> None:
    """A busy second of engine frames becomes at most first, last and fastest; once, also where it began to run."""
    busy = [frame(f"{number * 0.001:.3f}", "0CF00400", f"F07D7D00{number % 64:02X}FFF0FF") for number in range(3000)]
    assert len(sieve(FrameBlock.from_frames(busy))) <= 9 + 1


@settings(max_examples=100, deadline=None)
@given(traffic(), st.data())
def test_asking_in_between_changes_nothing(wire: list[Frame], data: st.DataObject) -> None:
    """Time told along the way (`advance` with the latest frame's time) leads to the same history."""
    expected = document_by_rows(sorted(wire, key=lambda one: one.time_ns))
    history = History()
    for one in sorted(wire, key=lambda one: one.time_ns):
        history.feed(one)
        if data.draw(st.booleans()):
            document(history)
    assert document(history) == expected


def test_a_hostile_bus_cannot_fill_the_memory() -> None:
    """Faults beyond the room are counted as refused, the others stay."""
    history = History()
    history.room.faults, history.room.spans = 3, 100
    for spn in range(1, 6):
        history.feed(frame(spn, "18FECA00", f"00FF{spn:02X}00030100FF"))
    result = document(history)
    assert [fault["spn"] for fault in result["faults"]] == [1, 2, 3]
    assert history.room.refused == 2


@pytest.mark.parametrize(
    ("lines", "left"),
    [
        pytest.param([dm1(0), dm1(1)], False, id="still active"),
        pytest.param([dm1(0), dm1(1, NOTHING), "9 0CF00400 FF FF FF FF FF FF FF FF"], False, id="cleared before"),
        pytest.param([dm1(0), dm1(1), "9 0CF00400 FF FF FF FF FF FF FF FF"], True, id="active in the last report"),
        pytest.param([dm1(0), dm1(9, NOTHING)], False, id="the controller came back without it"),
        pytest.param(["0 18FECB00 00 FF 6E 00 03 02 FF FF", "9 0CF00400 FF FF FF FF FF FF FF FF"], False,
                     id="only in a DM2"),
    ],
)
def test_what_a_silence_left_open(lines: list[str], left: bool) -> None:
    """DM1 comes each second (SAE J1939-73, section 5.7.1): a fault of the last one before a silence is not known."""
    history = History()
    history.feed_block(FrameBlock.from_frames(frames("\n".join(lines))))
    assert history.end_ns is not None
    history.advance(history.end_ns)
    controller = history.controllers["can0", 0]
    assert [controller.left_by_silence(fault) for fault in controller.faults.values()] == [left]
