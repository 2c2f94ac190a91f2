"""The serial bus: ISO 11898-1 arbitration, and frames that last."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from faultlamp.rig.arbitration import Wanted, arbitrate, frame_bits

LAST_NS = 160 * 2000  # 8 data bytes with the most stuff bits, at 500 kbit/s


@pytest.mark.parametrize(
    ("length", "bits"),
    # ISO 11898-1 fields and the stuffing bound of the CAN schedulability literature: 67 + 8n + (54 + 8n - 1) // 4
    [(0, 80), (3, 110), (8, 160)],
)
def test_bits_of_a_frame(length: int, bits: int) -> None:
    """An extended data frame with its gap and worst-case stuffing has the published number of bits."""
    assert frame_bits(length) == bits


def test_lowest_identifier_wins_among_those_who_wait() -> None:
    """While a frame is on the bus others become ready; then the lowest identifier goes first, whenever it came."""
    wanted = [
        Wanted(0, 0x500, bytes(8)), Wanted(10, 0x400, bytes(8)), Wanted(20, 0x300, bytes(8)),
        Wanted(LAST_NS + 5, 0x100, bytes(8)),
    ]
    sent = [(frame.can_id, frame.time_ns) for frame in arbitrate(wanted, 500_000)]
    assert sent == [(0x500, LAST_NS), (0x300, 2 * LAST_NS), (0x100, 3 * LAST_NS), (0x400, 4 * LAST_NS)]


def test_a_free_bus_takes_a_frame_at_once() -> None:
    """Without others a frame ends its own length after it was ready."""
    sent = list(arbitrate([Wanted(0, 1, bytes(8)), Wanted(10**9, 1, b"abc")], 250_000))
    assert [frame.time_ns for frame in sent] == [640_000, 10**9 + 440_000]


@given(st.lists(st.tuples(st.integers(0, 3_000_000), st.integers(0, 5), st.binary(max_size=8))))
def test_nothing_is_lost_and_nothing_overlaps(given_frames: list[tuple[int, int, bytes]]) -> None:
    """Every frame comes out once, after it was ready, one after the other; equal identifiers keep their order."""
    wanted = [Wanted(*frame) for frame in sorted(given_frames, key=lambda frame: frame[0])]
    sent = list(arbitrate(wanted, 500_000))
    free_ns = 0
    for frame in sent:
        begin_ns = frame.time_ns - frame_bits(len(frame.data)) * 2000
        assert begin_ns >= free_ns
        free_ns = frame.time_ns
    for can_id in range(6):
        before = [frame for frame in wanted if frame.can_id == can_id]
        after = [frame for frame in sent if frame.can_id == can_id]
        assert [frame.data for frame in after] == [frame.data for frame in before]
        assert all(late.time_ns > early.time_ns for early, late in zip(before, after, strict=True))
