"""Every make and break is told once, with its time and number, of faults and of readings."""

from decimal import Decimal
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from faultlamp.findings.make_and_break import (
    MOST_EVENTS,
    Contact,
    ContactLog,
    ReadingContacts,
    fault_contacts,
)
from faultlamp.frames import Frame, FrameBlock
from faultlamp.history.history import History
from faultlamp.history.latest import Source
from faultlamp.j1939.identifier import build_identifier
from faultlamp.knowledge.layouts import load_layouts
from support.trouble import SECOND, START, Told, frames_of

WHOLE, BROKEN, UNKNOWN = Contact.WHOLE, Contact.BROKEN, Contact.UNKNOWN
ET1 = 65262
GROUP, SIGNAL = next(place for place in load_layouts([]).places(110) if place[0].pgn == ET1)
STEP_MS = 500


def seconds(log: ContactLog) -> list[tuple[float, Contact, int]]:
    """The log with seconds since the start."""
    return [((event.time_ns - START) / SECOND, event.state, event.number) for event in log.events]


def log_of(told: list[Told], *, from_s: float, until_s: float) -> ContactLog:
    """The log of SPN 110 FMI 3 of the engine."""
    history = History()
    for frame in frames_of(told):
        history.feed(frame)
    at_ns = START + round(until_s * SECOND)
    history.advance(at_ns)
    return fault_contacts(history.controllers.get(("can0", 0)), (110, 3), START + round(from_s * SECOND), at_ns)


def lists(*active: range, until: int = 30, silent: range = range(0)) -> list[Told]:
    """A DM1 each second with the fault at those seconds."""
    return [(second, 0, [(110, 3)] if any(second in span for span in active) else [])
            for second in range(until) if second not in silent]


def test_makes_and_breaks_of_a_fault() -> None:
    """A DM1 that lists it is a break, the first that does not is a make (SAE J1939-73, section 5.7.1)."""
    log = log_of(lists(range(5, 8), range(12, 13)), from_s=2, until_s=29)
    assert seconds(log) == [
        (2, WHOLE, 0), (5, BROKEN, 1), (8, WHOLE, 1), (12, BROKEN, 2), (13, WHOLE, 2),
    ]
    assert (log.state, log.since_ns, log.makes, log.breaks) == (WHOLE, START + 13 * SECOND, 2, 2)


def test_what_was_before_the_watching_is_only_the_state() -> None:
    """Breaks before the watching began are not counted; that it was broken then is known."""
    log = log_of(lists(range(1, 3), range(4, 9)), from_s=6.5, until_s=29)
    assert seconds(log) == [(6.5, BROKEN, 0), (9, WHOLE, 1)]
    assert (log.makes, log.breaks) == (1, 0)


def test_a_silent_controller_says_nothing() -> None:
    """While it is silent the contact is unknown: neither broken nor made."""
    log = log_of(lists(range(5, 8), range(20, 22), silent=range(8, 16)), from_s=2, until_s=29)
    assert seconds(log) == [
        (2, WHOLE, 0), (5, BROKEN, 1), (7, UNKNOWN, 0), (16, WHOLE, 0), (20, BROKEN, 2), (22, WHOLE, 1),
    ]


def test_a_controller_that_never_reported() -> None:
    """Nothing is known, and nothing is counted."""
    log = log_of([], from_s=2, until_s=29)
    assert (log.state, log.makes, log.breaks) == (UNKNOWN, 0, 0)


@settings(max_examples=100, deadline=None)
@given(st.lists(st.booleans(), min_size=4, max_size=40), st.integers(0, 40))
def test_a_log_only_grows(states: list[bool], cut: int) -> None:
    """Asked at an earlier moment, the log is the beginning of the later one."""
    told: list[Told] = [(second, 0, [(110, 3)] if state else []) for second, state in enumerate(states)]
    early = log_of(told, from_s=1, until_s=1 + min(cut, len(states) - 2))
    late = log_of(told, from_s=1, until_s=len(states) - 1)
    assert list(late.events)[: len(early.events)] == list(early.events)
    assert late.breaks == sum(not one and other for one, other in pairwise(states[1:]))


def coolant(at_ms: int, raw: int, *, source: int = 0, channel: str = "can0") -> Frame:
    """ET1 with a raw coolant temperature: byte 1, 1 degC a bit from -40 degC (SAE J1939-71)."""
    return Frame(START + at_ms * 1_000_000, channel, build_identifier(6, ET1, source), bytes([raw]) + b"\xff" * 7)


def watch(frames: list[Frame], *, until_ms: int | None = None, jump: float | None = 5, blocks: int = 0) -> ContactLog:
    """The log of the engine's coolant temperature."""
    contacts = ReadingContacts(Source("can0", 0, ET1), GROUP, SIGNAL, jump)
    for first in range(0, len(frames), blocks) if blocks else ():
        contacts.feed_block(FrameBlock.from_frames(frames[first : first + blocks]))
    for frame in () if blocks else frames:
        contacts.feed(frame)
    if until_ms is not None:
        contacts.advance(START + until_ms * 1_000_000)
    return contacts.log


def test_makes_and_breaks_of_a_reading() -> None:
    """FE is 'error', FF 'not available' (SAE J1939-71, section 5.1.4, from memory); both are breaks."""
    raws = [120, 121, 0xFE, 0xFE, 121, 0xFF, 122]
    log = watch([coolant(STEP_MS * place, raw) for place, raw in enumerate(raws)])
    assert seconds(log) == [(0, WHOLE, 0), (1, BROKEN, 1), (2, WHOLE, 1), (2.5, BROKEN, 2), (3, WHOLE, 2)]
    assert [event.text for event in log.events] == ["a number", "error", "a number", "not available", "a number"]


def test_a_break_shorter_than_a_second_is_seen() -> None:
    """Every frame counts, not one a second: that is what moving a wire needs."""
    raws = [120] * 5 + [0xFE] + [120] * 5
    assert watch([coolant(50 * place, raw) for place, raw in enumerate(raws)]).breaks == 1


@pytest.mark.parametrize(("after", "jumps"), [(125, 0), (126, 1), (114, 1), (115, 0)])
def test_a_jump_beyond_the_threshold(after: int, jumps: int) -> None:
    """More than 5 degC between two frames is a jump: a break and a make at once."""
    log = watch([coolant(0, 120), coolant(1000, after), coolant(2000, after)])
    assert (log.jumps, log.breaks, log.makes, log.state) == (jumps, jumps, jumps, WHOLE)
    assert all("degC" in event.text for event in log.events if event.state is BROKEN)


def test_stale_is_a_break() -> None:
    """ET1 comes each second, so after five without it the reading is stale; the next frame makes it again."""
    log = watch([coolant(0, 120)], until_ms=5000)
    assert log.state is WHOLE
    log = watch([coolant(0, 120)], until_ms=5001)
    assert (log.state, log.since_ns) == (BROKEN, START + 5 * SECOND)
    assert "stale" in log.text
    assert watch([coolant(0, 120), coolant(9000, 90)]).events == watch(
        [coolant(0, 120), coolant(9000, 90)], blocks=1
    ).events
    log = watch([coolant(0, 120), coolant(9000, 90)])
    assert (log.breaks, log.makes, log.jumps) == (1, 1, 0)


def test_others_are_not_heard() -> None:
    """Another sender, channel or group changes nothing."""
    others = [coolant(100, 0xFE, source=3), coolant(200, 0xFE, channel="can1"),
              Frame(START + 300_000_000, "can0", build_identifier(6, 65270, 0), b"\xfe" * 8)]
    for blocks in (0, 2):
        log = watch([coolant(0, 120), *others, coolant(400, 120)], blocks=blocks)
        assert seconds(log) == [(0, WHOLE, 0)]


@settings(max_examples=100, deadline=None)
@given(st.lists(st.tuples(st.sampled_from([1, 200, 4999, 5001]), st.sampled_from([0, 120, 124, 250, 251, 254, 255]))),
       st.integers(1, 7))
def test_rows_and_blocks_give_the_same_log(steps: list[tuple[int, int]], size: int) -> None:
    """Live and replay see the same makes and breaks."""
    at_ms, frames = 0, []
    for gap_ms, raw in steps:
        at_ms += gap_ms
        frames.append(coolant(at_ms, raw))
    rows, blocks = watch(frames), watch(frames, blocks=size)
    assert (list(rows.events), rows.state, rows.since_ns) == (list(blocks.events), blocks.state, blocks.since_ns)
    assert 0 <= rows.breaks - rows.makes <= 1 or rows.events[0].state is BROKEN


def test_a_log_is_bounded() -> None:
    """The newest events stay, the others are counted."""
    log = ContactLog()
    for place in range(MOST_EVENTS + 500):
        log.change(place, BROKEN if place % 2 else WHOLE, "")
    assert len(log.events) == MOST_EVENTS
    assert log.forgotten == 500
    assert log.breaks == (MOST_EVENTS + 500) // 2


def test_the_layout_is_the_standards() -> None:
    """The tests above reckon in raw values: 1 degC a bit from -40 degC (SAE J1939-71)."""
    assert (SIGNAL.start_bit, SIGNAL.scale, SIGNAL.offset, GROUP.cycle_time_ms) == (0, Decimal(1), Decimal(-40), 1000)
