"""One broadcast at a time: the scenario's own and those that answer."""

from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from faultlamp.j1939.segmentation import broadcast
from faultlamp.rig.lane import MOST_WAITING, Lane

MS = 1_000_000


def message(pgn: int, packets: int) -> list[tuple[int, bytes]]:
    """A broadcast of that many data packets from address 0."""
    return broadcast(pgn, 0, bytes(7 * packets))


def run(lane: Lane, script: list[tuple[int, tuple[int, bytes]]], until_ms: int) -> list[tuple[int, int, int]]:
    """Every ms: scripted frames, then the lane's. Returns time in ms, PF byte, first data byte."""
    sent = []
    for now in range(until_ms):
        frames = [frame for at, frame in script if at == now and lane.scripted(now * MS, frame)]
        frames += lane.outgoing(now * MS)
        sent += [(now, can_id >> 16 & 0xFF, data[0]) for can_id, data in frames]
    return sent


def scripted(at_ms: int, packets: int, pgn: int = 65226) -> list[tuple[int, tuple[int, bytes]]]:
    """A broadcast of the scenario with 60 ms between its frames."""
    return [(at_ms + 60 * place, frame) for place, frame in enumerate(message(pgn, packets))]


def test_alone_the_scenarios_broadcast_passes_at_its_times() -> None:
    """Nothing is held back or moved."""
    sent = run(Lane(), scripted(5, 3), 400)
    assert sent == [(5, 0xEC, 0x20), (65, 0xEB, 1), (125, 0xEB, 2), (185, 0xEB, 3)]


def test_an_answer_waits_for_it() -> None:
    """An answer that comes up meanwhile begins after its end."""
    lane = Lane()
    assert lane.scripted(0, message(65226, 2)[0])
    assert lane.say(message(65260, 2))
    sent = run(lane, scripted(0, 2)[1:], 500)
    assert sent == [(60, 0xEB, 1), (120, 0xEB, 2), (180, 0xEC, 0x20), (240, 0xEB, 1), (300, 0xEB, 2)]


def test_it_waits_for_an_answer() -> None:
    """The scenario's broadcast comes after the answer under way, and before one that waits."""
    lane = Lane()
    lane.say(message(65260, 4))
    lane.say(message(65259, 4))
    sent = run(lane, scripted(10, 2), 1000)
    assert [first for _, _, first in sent] == [0x20, 1, 2, 3, 4, 0x20, 1, 2, 0x20, 1, 2, 3, 4]
    assert all(later - earlier == 60 for (earlier, *_), (later, *_) in pairwise(sent))


def test_only_one_of_the_scenarios_waits() -> None:
    """Behind a long answer the second list of codes is dropped: the next one says it anyway."""
    lane = Lane()
    lane.say(message(65260, 40))
    sent = run(lane, [*scripted(10, 2), *scripted(1010, 3)], 4000)
    assert [first for _, pf, first in sent if pf == 0xEC] == [0x20, 0x20]
    assert len(sent) == 41 + 3


def test_other_frames_pass() -> None:
    """Readings, claims and connections are none of its business."""
    lane = Lane()
    lane.say(message(65260, 4))
    lane.outgoing(0)
    assert all(lane.scripted(MS, (can_id, bytes(8))) for can_id in (0x0CF00400, 0x18EEFF00, 0x1CECF900, 0x1CEBF900))


def test_a_bounded_number_waits() -> None:
    """What finds no room is told, so that it can be counted."""
    lane = Lane()
    assert [lane.say(message(65260, 2)) for _ in range(MOST_WAITING + 3)] == [True] * MOST_WAITING + [False] * 3


def test_a_broadcast_that_stops_coming_does_not_block_for_ever() -> None:
    """After 2 s without its next packet the scenario's broadcast is over."""
    lane = Lane()
    lane.scripted(0, message(65226, 2)[0])
    lane.say(message(65260, 2))
    at_ns = lane.next_ns()
    assert at_ns is not None
    assert run(lane, [], 1999) == []
    assert lane.next_ns() == 2000 * MS
    assert lane.outgoing(2000 * MS)


@given(
    st.lists(st.tuples(st.integers(0, 3000), st.integers(2, 6)), max_size=6),
    st.lists(st.tuples(st.integers(0, 3000), st.integers(2, 6)), max_size=6),
)
def test_never_two_at_once(script: list[tuple[int, int]], answers: list[tuple[int, int]]) -> None:
    """Whatever comes when: each announcement is followed by exactly its packets, at least 50 ms apart (J1939-21)."""
    planned, busy_until = [], 0
    for at, packets in sorted(script):
        if at >= busy_until:
            planned += scripted(at, packets)
            busy_until = at + 60 * packets + 60
    lane, sent = Lane(), []
    for now in range(9000):
        for at, packets in answers:
            if at == now:
                lane.say(message(65260, packets))
        frames = [frame for at, frame in planned if at == now and lane.scripted(now * MS, frame)]
        sent += [(now, can_id, data) for can_id, data in [*frames, *lane.outgoing(now * MS)]]
    assert all(later - earlier >= 50 for (earlier, *_), (later, *_) in pairwise(sent))
    left = 0
    for _, can_id, data in sent:
        if can_id >> 16 & 0xFF == 0xEC:
            assert left == 0
            left, following = data[3], 1
        else:
            assert data[0] == following
            left, following = left - 1, following + 1
    assert left == 0
    assert sum(can_id >> 16 & 0xFF == 0xEC for _, can_id, _ in sent) >= len(answers)
