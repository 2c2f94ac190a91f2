"""Lengths of frames and the load that they are, against figures worked by hand from ISO 11898-1."""

import pytest

from faultlamp.frames import ERROR, EXTENDED, FD, Frame, FrameBlock
from faultlamp.frames.load import Bits, block_bits, bus_load, frame_bits


@pytest.mark.parametrize(
    ("data_bytes", "extended", "least", "most"),
    [
        # ISO 11898-1, fields of the classic frame: 54 + 8n (29-bit) or 34 + 8n (11-bit) bits that can be stuffed, then
        # CRC delimiter, acknowledge 2, end of frame 7, gap 3. Most: Davis, Burns, Bril, Lukkien, "Controller Area
        # Network (CAN) schedulability analysis: Refuted, revisited and revised", 2007: 80 + 10n and 55 + 10n bits.
        pytest.param(0, True, 67, 80, id="29-bit-0"),
        pytest.param(1, True, 75, 90, id="29-bit-1"),
        pytest.param(3, True, 91, 110, id="29-bit-3"),
        pytest.param(8, True, 131, 160, id="29-bit-8"),
        pytest.param(0, False, 47, 55, id="11-bit-0"),
        pytest.param(5, False, 87, 105, id="11-bit-5"),
        pytest.param(8, False, 111, 135, id="11-bit-8"),
    ],
)
def test_the_length_of_a_frame(data_bytes: int, extended: bool, least: int, most: int) -> None:
    """Bits without stuffing and with the most stuffing that the rule allows."""
    assert frame_bits(data_bytes, extended=extended) == Bits(least, most)


@pytest.mark.parametrize("data_bytes", [-1, 9, 64])
def test_only_classic_lengths(data_bytes: int) -> None:
    """What is no classic frame has no length here."""
    with pytest.raises(ValueError, match="0 to 8"):
        frame_bits(data_bytes)


@pytest.mark.parametrize(
    ("bit_rate", "frames_per_s"),
    [
        # Bit rate / 131, rounded down.
        pytest.param(250_000, 1908, id="250k"),
        pytest.param(500_000, 3816, id="500k"),
        pytest.param(1_000_000, 7633, id="1M"),
    ],
)
def test_a_full_bus_is_a_hundred_per_cent(bit_rate: int, frames_per_s: int) -> None:
    """As many full 29-bit frames as fit without stuffing are the whole bus; one more would not fit."""
    full = bus_load(Bits(131 * frames_per_s, 160 * frames_per_s), 1.0, bit_rate)
    assert 99.9 < full.least_percent <= 100
    assert bus_load(Bits(131 * (frames_per_s + 1), 0), 1.0, bit_rate).least_percent > 100


def test_one_periodic_message() -> None:
    """Engine controller 1, each 10 ms at 250 kbit/s, 5 s long: 131 to 160 bits are 5.24 to 6.4 per cent; a tenth for
    stuffing makes 5.764."""
    load = bus_load(Bits(500 * 131, 500 * 160), 5.0, 250_000)
    assert load.bit_rate == 250_000
    assert load.least_percent == pytest.approx(5.24)
    assert load.percent == pytest.approx(5.764)
    assert load.most_percent == pytest.approx(6.4)


@pytest.mark.parametrize(("seconds", "bit_rate"), [(0.0, 250_000), (-1.0, 250_000), (1.0, 0)])
def test_no_time_no_load(seconds: float, bit_rate: int) -> None:
    """Nothing is divided by nothing."""
    with pytest.raises(ValueError, match="no load"):
        bus_load(Bits(131, 160), seconds, bit_rate)


def test_the_length_of_a_block_is_that_of_its_classic_frames() -> None:
    """29-bit of 8 and 3 bytes, 11-bit of none; error and CAN FD frames are left out."""
    frames = [
        Frame(0, "can0", 0x18FECA00, bytes(8), EXTENDED), Frame(0, "can0", 0x18EAFF00, bytes(3), EXTENDED),
        Frame(0, "can0", 0x123, b"", 0), Frame(0, "can0", 0x4, bytes(8), ERROR),
        Frame(0, "can0", 0x18FECA00, bytes(8), EXTENDED | FD),
    ]
    assert block_bits(FrameBlock.from_frames(frames)) == Bits(131 + 91 + 47, 160 + 110 + 55)
