"""The store of values: a hostile bus cannot fill the memory, and an honest one never meets the bounds."""

from collections.abc import Iterator

import pytest

from faultlamp.frames import Frame, FrameBlock
from faultlamp.history import latest
from faultlamp.history.latest import LatestValues, Source
from faultlamp.knowledge.layouts import load_layouts

WANTED = frozenset(load_layouts().groups)
SECOND_NS = 1_000_000_000
CONTROLLERS = 20
GROUPS_EACH = 22
# Single-frame groups to everybody, 1 s apart each or more often (SAE J1939-71; the shipped layouts).
SENT = sorted(pgn for pgn in WANTED if pgn & 0xFF00 >= 0xF000)[:GROUPS_EACH]


def round_of(second: int, senders: range, groups: list[int], channel: str = "can0") -> Iterator[Frame]:
    """One frame of each group of each sender in one second; the second is in the payload."""
    for sender in senders:
        for pgn in groups:
            yield Frame(second * SECOND_NS, channel, 0x18000000 | pgn << 8 | sender, second.to_bytes(8, "little"))


def fill(values: LatestValues, seconds: range, senders: range, groups: list[int]) -> None:
    """Feed that many seconds, and hold the count against the tracks after each."""
    for second in seconds:
        values.feed_block(FrameBlock.from_frames(round_of(second, senders, groups)))
        assert values.samples == sum(map(len, values.tracks.values())) <= latest.MOST_SAMPLES_IN_ALL
        assert len(values.tracks) <= latest.MOST_GROUPS


@pytest.fixture
def small(monkeypatch: pytest.MonkeyPatch) -> None:
    """The bounds at a hundredth: six minutes instead of ten hours."""
    monkeypatch.setattr(latest, "MOST_SAMPLES", latest.MOST_SAMPLES // 100)
    monkeypatch.setattr(latest, "MOST_SAMPLES_IN_ALL", latest.MOST_SAMPLES_IN_ALL // 100)


def test_the_bounds_leave_room_for_a_busy_bus() -> None:
    """Twenty controllers with 22 groups each fit for as long as one track reaches back, in 256 MB."""
    assert len(SENT) == GROUPS_EACH
    assert CONTROLLERS * GROUPS_EACH * (latest.MOST_SAMPLES + 1) <= latest.MOST_SAMPLES_IN_ALL
    assert CONTROLLERS * GROUPS_EACH <= latest.MOST_GROUPS
    assert latest.MOST_SAMPLES >= 10 * 3600
    assert latest.MOST_SAMPLES_IN_ALL * 16 <= 256_000_000


@pytest.mark.usefixtures("small")
def test_a_busy_bus_of_twenty_controllers_is_never_affected() -> None:
    """For longer than one track reaches back: each of the 440 tracks holds just what it holds alone on the bus."""
    together, alone = LatestValues(WANTED), LatestValues(WANTED)
    seconds = range(1000, 1000 + 2 * latest.MOST_SAMPLES + 10)
    fill(together, seconds, range(CONTROLLERS), SENT)
    fill(alone, seconds, range(1), SENT[:1])
    assert (together.dropped, together.refused) == (0, 0)
    assert len(together.tracks) == CONTROLLERS * GROUPS_EACH
    reference = alone.tracks[Source("can0", 0, SENT[0])].since(0)
    assert len(reference) > latest.MOST_SAMPLES // 2
    assert all(track.since(0) == reference for track in together.tracks.values())


@pytest.mark.usefixtures("small")
def test_senders_without_number_shorten_the_past_and_no_more() -> None:
    """4,096 tracks at once: bounded, counted, the latest of each right and the last minute whole."""
    values = LatestValues(range(1 << 18))
    groups = [0xFF00 + number for number in range(32)]
    last = 1000 + 150
    fill(values, range(1000, last + 1), range(128), groups)
    assert len(values.tracks) == 4096 == latest.MOST_GROUPS
    assert values.dropped > 0
    assert values.samples + values.dropped == 151 * 4096
    assert values.samples > latest.MOST_SAMPLES_IN_ALL * 0.7
    for track in values.tracks.values():
        samples = track.since(0)
        assert track.latest == samples[-1] == (last * SECOND_NS, last)
        # No hole: what is left is the newest part.
        assert [sample.word for sample in samples] == list(range(last + 1 - len(samples), last + 1))


@pytest.mark.usefixtures("small")
def test_a_flood_of_new_senders_is_refused_and_counted() -> None:
    """Those that were there first go on; what is beyond the last track is counted, sample by sample."""
    values = LatestValues(range(1 << 18))
    fill(values, range(1000, 1002), range(1), SENT)
    flood = [0xFF00 + number for number in range(256)]
    fill(values, range(1002, 1004), range(100, 120), flood)
    room = latest.MOST_GROUPS - GROUPS_EACH
    assert values.refused == 2 * (20 * 256 - room)
    fill(values, range(1004, 1005), range(1), SENT)
    assert all(values.tracks[Source("can0", 0, pgn)].latest.word == 1004 for pgn in SENT)


def test_one_group_in_one_second_is_one_sample_by_both_roads() -> None:
    """Frames as fast as a bus can carry them cost no memory."""
    frames = [Frame(SECOND_NS + at * 1000, "can0", 0x0CF00400, at.to_bytes(8, "little")) for at in range(5000)]
    by_block, by_row = LatestValues(WANTED), LatestValues(WANTED)
    by_block.feed_block(FrameBlock.from_frames(frames))
    for frame in frames:
        by_row.feed(frame)
    for values in (by_block, by_row):
        assert values.samples == 1
        assert values.tracks[Source("can0", 0, 0xF004)].latest == (SECOND_NS + 4999 * 1000, 4999)


def test_a_track_keeps_its_latest_however_often_it_gives_up_samples() -> None:
    """Three samples have no quarter to give up; of four the oldest goes."""
    track = latest.Track()
    for second in range(5):
        assert track.add(second * SECOND_NS, second)
    gone = [track.drop_oldest_quarter() for _ in range(5)]
    assert gone == [1, 1, 0, 0, 0]
    assert [sample.word for sample in track.since(0)] == [2, 3, 4]
