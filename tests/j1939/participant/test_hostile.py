"""Whatever comes off the bus: no exception, bounded memory, bounded answers, and a working node afterwards."""

import time
import tracemalloc

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from faultlamp.frames.frame import ERROR, EXTENDED, FD, REMOTE, Frame
from faultlamp.j1939.participant import ClaimState, Participant
from faultlamp.j1939.participant.echoes import Echoes
from faultlamp.j1939.participant.events import Message
from j1939.participant.simulated_bus import CHANNEL, MS, SECOND, SimulatedBus, node, of_kind
from support.names import name

TOOL = 0xF9

IDENTIFIERS = st.one_of(
    st.integers(0, (1 << 29) - 1),
    st.builds(
        lambda group, destination, source: 0x18000000 | group << 16 | destination << 8 | source,
        st.sampled_from([0xEC, 0xEB, 0xC8, 0xC7, 0xEA, 0xEE, 0xE8]),
        st.sampled_from([TOOL, TOOL, TOOL, 0xFF, 0x21]),
        st.sampled_from([0x00, 0x00, 0x03, TOOL, 0xFE, 0xFF]),
    ),
)
CONTROLS = st.builds(
    lambda head, rest, group: bytes((head,)) + rest + group,
    st.sampled_from([16, 17, 19, 20, 21, 22, 23, 32, 255]),
    st.one_of(
        st.binary(min_size=4, max_size=4),
        st.sampled_from([b"\x64\x00\x0f\xff", b"\xd0\x07\0\0", b"\xff\x01\0\0"]),
    ),
    st.sampled_from([b"\x00\xef\x00", b"\x00\xef\x00", b"\xca\xfe\x00", b"\xff\xff\xff"]),
)
DATA = st.one_of(st.binary(max_size=8), CONTROLS, st.builds(lambda n: bytes((n,)) + bytes(7), st.integers(0, 20)))
STEPS = st.lists(
    st.tuples(IDENTIFIERS, DATA, st.sampled_from([0, MS, 100 * MS, 800 * MS, 1300 * MS])), max_size=60
)


@given(steps=STEPS, claimed=st.booleans(), size=st.sampled_from([0, 20, 2000]))
@settings(max_examples=200, deadline=None)
def test_any_frames(steps: list[tuple[int, bytes, int]], claimed: bool, size: int) -> None:
    """Any frames in any order raise nothing, and an hour later all is at rest."""
    participant = Participant(name(5), TOOL, claimed=claimed)
    participant.claim(0)
    if size:
        participant.send(0, 0xEF00, 0, bytes(size))
    now_ns = 0
    for can_id, data, span_ns in steps:
        now_ns += span_ns
        participant.feed(Frame(now_ns, CHANNEL, can_id, data))
        participant.advance(now_ns)
        for sent_id, sent in participant.outgoing(now_ns):
            assert sent_id & 0xFF in ({0xFE} if sent_id >> 16 & 0xFF == 0xEE else set()) | {participant._claim.address}
            assert len(sent) <= 8
    bus = SimulatedBus(participant)
    bus.now_ns = now_ns
    bus.run(now_ns + 3600 * SECOND)
    assert participant.next_ns() is None
    assert participant.state in (ClaimState.CLAIMED, ClaimState.CANNOT_CLAIM)


@given(steps=STEPS)
@settings(max_examples=50, deadline=None)
def test_it_works_after_any_frames(steps: list[tuple[int, bytes, int]]) -> None:
    """When the others have come to their senses, a message from a third node arrives as if nothing had been."""
    receiver, sender = node(TOOL, spare=()), node(0x55)
    for can_id, data, _ in steps:
        if can_id >> 16 & 0xFF != 0xEE and can_id & 0xFF != 0x55:
            receiver.feed(Frame(0, CHANNEL, can_id, data))
    receiver.outgoing(0)
    bus = SimulatedBus(receiver, sender)
    sender.send(0, 0xEF00, TOOL, bytes(range(200)))
    bus.run()
    assert [event.payload for event in of_kind(bus.events[0], Message) if event.source == 0x55] == [bytes(range(200))]


@pytest.mark.parametrize("flags", [0, EXTENDED | REMOTE, EXTENDED | FD, EXTENDED | ERROR])
def test_other_kinds_of_frames_are_none_of_ours(flags: int) -> None:
    """11-bit, remote, FD and error frames carry no J1939 message."""
    participant = node(TOOL)
    assert participant.feed(Frame(0, CHANNEL, 0x18ECF900, bytes.fromhex("106400 0F FF 00EF00"), flags)) == []
    assert participant.outgoing(0) == []


def test_another_channel_is_none_of_ours() -> None:
    """The same address on another bus is another node."""
    participant = node(TOOL)
    assert participant.feed(Frame(0, "can1", 0x18EAF900, b"\xcb\xfe\x00")) == []
    assert participant.outgoing(0) == []


def test_requests_to_send_from_everybody_are_bounded() -> None:
    """A storm of announcements of all sizes from all nodes, never drained, takes a few megabytes."""
    tracemalloc.start()
    participant = node(TOOL)
    for round_ in range(40):
        for source in range(254):
            participant.feed(Frame(round_, CHANNEL, 0x18ECF900 | source, bytes.fromhex("10F906FFFF00EF00")))
            participant.feed(Frame(round_, CHANNEL, 0x18C8F900 | source, bytes.fromhex("140000100000EF00")))
            participant.feed(Frame(round_, CHANNEL, 0x18EAF900 | source, bytes((round_, 0xFE, 0))))
    held, _ = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert held < 8 << 20
    assert len(participant.outgoing(0)) <= 4096
    participant.advance(10 * SECOND)
    participant.advance(20 * SECOND)
    participant.advance(30 * SECOND)
    assert participant.outgoing(30 * SECOND) != []
    assert participant.next_ns() is None


def test_what_is_remembered_of_our_own_frames_is_bounded() -> None:
    """50,000 different frames sent at once: a few megabytes, and the latest are still known when they come back."""
    tracemalloc.start()
    echoes = Echoes()
    for number in range(50_000):
        echoes.sent(0, [(0x18EF00F9, number.to_bytes(8, "little"))])
    held, _ = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert held < 4 << 20
    assert all(echoes.take(0, 0x18EF00F9, number.to_bytes(8, "little")) for number in range(46_000, 50_000))
    assert not echoes.take(0, 0x18EF00F9, bytes(8))


def test_a_loaded_bus_costs_little() -> None:
    """20,000 frames of others, as a full 1 Mbit/s bus brings in 3 s, take less than 0.8 s of processor time."""
    participant = node(TOOL)
    frames = [Frame(number, CHANNEL, 0x0CF00400 | number % 200, bytes(8)) for number in range(20_000)]
    begun = time.process_time()
    for each in frames:
        participant.feed(each)
    assert time.process_time() - begun < 0.8


def test_storms_of_clear_to_send_cost_nothing_that_grows() -> None:
    """20,000 clear-to-sends for an extended message of 1 MiB: the connection ends after three, the rest is ignored."""
    participant = node(TOOL)
    participant.send(0, 0xEF00, 0, bytes(1 << 20))
    begun = time.process_time()
    for number in range(20_000):
        participant.feed(Frame(number * MS, CHANNEL, 0x1CC8F900, bytes.fromhex("150101000000EF00")))
        participant.outgoing(number * MS)
    assert time.process_time() - begun < 2
    assert participant.next_ns() is None or participant.advance(20 * SECOND)
    assert participant.next_ns() is None
