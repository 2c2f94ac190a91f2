"""One of the two recordings: when its engine ran, whichever of its frames are left out."""

from hypothesis import given, settings
from hypothesis import strategies as st

from faultlamp.compare.story import Heard, Story
from faultlamp.frames import Frame, FrameBlock
from faultlamp.history.sieve import sieve

# EEC1 (PGN 61444): engine speed in bytes 4 and 5, 0.125 rpm a bit (SAE J1939-71, section 5.3.7).
EEC1 = 0x0CF00400
MS = 1_000_000


@settings(deadline=None, max_examples=100)
@given(st.lists(st.tuples(st.integers(1, 1500), st.sampled_from([0, 399, 400, 401, 900])), min_size=1, max_size=60))
def test_reduced_frames_tell_the_same_moments(sent: list[tuple[int, int]]) -> None:
    """The moment at which the engine ran is that of the first frame of 400 rpm, of all frames and of the kept ones."""
    frames, now_ns = [], 0
    for gap_ms, rpm in sent:
        now_ns += gap_ms * MS
        frames.append(Frame(now_ns, "can0", EEC1, b"\xff\xff\xff" + (rpm * 8).to_bytes(2, "little") + b"\xff" * 3))
    block = FrameBlock.from_frames(frames)
    whole, reduced = Story(), Story()
    whole.feed_block(block)
    reduced.feed_block(sieve(block))
    whole.finish()
    reduced.finish()
    assert whole.cycles("can0") == reduced.cycles("can0")
    first = next((frame.time_ns for frame, (_, rpm) in zip(frames, sent, strict=True) if rpm >= 400), None)
    assert next((cycle.ran_ns for cycle in whole.cycles("can0") if cycle.ran_ns is not None), None) == first


def test_a_dm1_surely_within() -> None:
    """Of a time heard only its ends are known; between them, no 5 s pass without a DM1 (SAE J1939-73, 5.7.1)."""
    heard = Heard(0, 10_000 * MS, 60_000 * MS)
    assert heard.surely_within(0, 60_000 * MS, 90_000 * MS)
    assert heard.surely_within(0, 0, 10_000 * MS)
    assert heard.surely_within(0, 20_000 * MS, 25_000 * MS)
    assert not heard.surely_within(0, 20_000 * MS, 24_999 * MS)
    assert not heard.surely_within(0, 61_000 * MS, 90_000 * MS)
    assert not heard.surely_within(1, 0, 90_000 * MS)
