"""Two participants on a lossy bus: a message arrives whole or is reported, and nothing ever hangs."""

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from faultlamp.j1939.participant.events import Delivered, Message, NotDelivered, ReceiveFailed
from faultlamp.j1939.transport import CONNECTION_LIMIT_NS, TRANSPORT_PGNS, Reassembler
from j1939.participant.simulated_bus import CHANNEL, SECOND, Passed, SimulatedBus, node, of_kind

ENGINE, TOOL, GROUP = 0x00, 0xF9, 0xEF00

SIZES = st.one_of(
    st.integers(0, 1785),
    st.sampled_from([0, 1, 7, 8, 9, 14, 15, 112, 113, 1778, 1784, 1785]),
    st.integers(1786, 4000),
)


def pattern(size: int) -> bytes:
    """A payload in which misplaced packets show: 251 is a prime."""
    return bytes(number * 7 % 251 for number in range(size))


def joined(**options: object) -> SimulatedBus:
    """An engine controller and a tool on one bus."""
    return SimulatedBus(node(ENGINE), node(TOOL), **options)  # type: ignore[arg-type]


def overheard(passed: list[Passed]) -> list[bytes]:
    """The messages that a mere listener puts together from all frames of the bus."""
    reassembler = Reassembler(frozenset({GROUP}))
    payloads = []
    for time_ns, _, can_id, data in passed:
        if can_id >> 8 & 0x3FF00 in TRANSPORT_PGNS:
            transfer = reassembler.feed(time_ns, CHANNEL, can_id, int.from_bytes(data, "little"), len(data))
            if transfer is not None and transfer.payload is not None:
                payloads.append(transfer.payload)
    return payloads


@given(size=SIZES, echoes=st.booleans())
@settings(max_examples=60, deadline=None)
def test_on_a_good_bus_everything_arrives(size: int, echoes: bool) -> None:
    """Any size arrives whole, once, is reported as delivered, and a listener hears the same bytes."""
    bus = joined(echoes=echoes)
    number = bus.participants[0].send(0, GROUP, TOOL, pattern(size))
    bus.run()
    assert [(event.number) for event in of_kind(bus.events[0], Delivered)] == [number]
    assert [event.payload for event in of_kind(bus.events[1], Message)] == [pattern(size)]
    if size > 8:
        assert overheard(bus.passed) == [pattern(size)]


@given(size=SIZES, lost=st.sets(st.integers(0, 80), max_size=12))
@settings(max_examples=150, deadline=None)
def test_on_a_lossy_bus_a_message_is_whole_or_reported(size: int, lost: set[int]) -> None:
    """Whatever frames get lost: the bytes are right or absent, the sender knows, and all comes to rest."""
    bus = joined(loses=lambda place, _: place in lost)
    number = bus.participants[0].send(0, GROUP, TOOL, pattern(size))
    bus.run()
    check_outcome(bus, number, size)


@given(size=SIZES, seed=st.randoms(use_true_random=False), percent=st.integers(1, 40))
@settings(max_examples=100, deadline=None)
def test_on_a_bad_bus_a_message_is_whole_or_reported(size: int, seed: object, percent: int) -> None:
    """The same when frames get lost at random all the time, however many."""
    bus = joined(loses=lambda *_: seed.random() * 100 < percent)  # type: ignore[attr-defined]
    number = bus.participants[0].send(0, GROUP, TOOL, pattern(size))
    bus.run()
    check_outcome(bus, number, size)


def check_outcome(bus: SimulatedBus, number: int, size: int) -> None:
    """What has to hold when all is at rest."""
    sender, receiver = bus.events
    delivered, not_delivered = of_kind(sender, Delivered), of_kind(sender, NotDelivered)
    assert [event.number for event in (*delivered, *not_delivered)] == [number]
    received = [event.payload for event in of_kind(receiver, Message)]
    assert received in ([], [pattern(size)])
    if delivered and size > 8:
        assert received
    assert bus.now_ns < 3600 * SECOND
    assert [participant.next_ns() for participant in bus.participants] == [None, None]


@given(size=st.integers(9, 3000), lost=st.sets(st.integers(0, 60), max_size=8))
@settings(max_examples=100, deadline=None)
def test_a_listener_that_hears_all_gets_what_the_receiver_got(size: int, lost: set[int]) -> None:
    """Packets that the receiver missed and asked for again are no riddle to a listener, if no pause was too long."""
    bus = joined(loses=lambda place, _: place in lost)
    bus.participants[0].send(0, GROUP, TOOL, pattern(size))
    bus.run()
    times = [passed.time_ns for passed in bus.passed]
    unbroken = all(later - earlier <= CONNECTION_LIMIT_NS for earlier, later in pairwise(times))
    payloads = overheard(bus.passed)
    assert set(payloads) <= {pattern(size)}
    if unbroken and of_kind(bus.events[1], Message):
        assert payloads == [pattern(size)]


@given(sizes=st.lists(st.integers(0, 400), min_size=1, max_size=12), back=st.lists(st.integers(9, 400), max_size=6))
@settings(max_examples=40, deadline=None)
def test_many_messages_both_ways_all_arrive_in_order(sizes: list[int], back: list[int]) -> None:
    """Messages queued in both directions at once all arrive; those of more than one frame keep their order."""
    bus = joined()
    for size in sizes:
        bus.participants[0].send(0, GROUP, TOOL, pattern(size))
    for size in back:
        bus.participants[1].send(0, GROUP, ENGINE, pattern(size))
    bus.run()
    there = [event.payload for event in of_kind(bus.events[1], Message)]
    assert [payload for payload in there if len(payload) > 8] == [pattern(size) for size in sizes if size > 8]
    assert len(there) == len(sizes)
    assert [event.payload for event in of_kind(bus.events[0], Message)] == [pattern(size) for size in back]
    assert len(of_kind(bus.events[0], Delivered)) == len(sizes)


@pytest.mark.parametrize("size", [9, 86, 1785])
def test_a_broadcast_keeps_its_spacing(size: int) -> None:
    """Between the frames of a broadcast, and to the next one, lie 50 to 200 ms (SAE J1939-21, section 5.10.3)."""
    bus = joined()
    for _ in range(2):
        bus.participants[0].send(0, 0xFECA, 255, pattern(size))
    bus.run()
    assert [event.payload for event in of_kind(bus.events[1], Message)] == [pattern(size)] * 2
    times = [passed.time_ns for passed in bus.passed]
    gaps = [later - earlier for earlier, later in pairwise(times)]
    assert min(gaps) >= 50_000_000
    assert max(gaps) <= 200_000_000
    assert len(times) == 2 * (1 + -(-size // 7))


def test_a_broadcast_that_lost_a_packet_is_dropped() -> None:
    """Nobody can ask for a packet of a broadcast again, so its receiver has nothing."""
    bus = joined(loses=lambda place, _: place == 3)
    bus.participants[0].send(0, 0xFECA, 255, pattern(86))
    bus.run()
    assert of_kind(bus.events[1], Message) == []
    assert of_kind(bus.events[1], ReceiveFailed) == []
    assert len(of_kind(bus.events[0], Delivered)) == 1
