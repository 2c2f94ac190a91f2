"""The status line: in 80 columns nothing essential is cut, whatever goes wrong at once."""

import pytest

from faultlamp.frames.load import Bits
from faultlamp.j1939.transport import TransportCounts
from faultlamp.tui.feed import FeedStatus
from faultlamp.tui.meter import Meter, Traffic
from faultlamp.tui.names import few
from faultlamp.tui.status import Note, load_words, status_line

S = 1_000_000_000
# 1000 full 29-bit frames a second: 131 bits and a tenth for stuffing are 144100 bit/s (ISO 11898-1).
BUSY = Traffic(1000.0, Bits(2 * 131_000, 2 * 160_000), 2.0)
WORST = FeedStatus(
    live=True, source="a very long name of an adapter", mode="sends no frame; the adapter acknowledges others' frames",
    short_mode="only acknowledges", waiting="", trouble="gone",
    notes=("ADAPTER LOST, 120 gaps, 12345 frames lost, computer too slow, 77 garbled, 1234 error frames",
           "recording job.log 12345.6 MB"),
    short_notes=("LOST, 120 gaps, 12k lost, 77 garbled, 1k err", "rec 12345.6 MB"), bit_rate=250_000,
)
FINE = WORST._replace(
    source="can0 (socketcan)", trouble="", short_mode="sends nothing",
    notes=("adapter open, nothing lost", "recording job.log 1.2 MB"), short_notes=("open, nothing lost", "rec 1.2 MB"),
)


def test_the_load_is_per_cent_where_the_bit_rate_is_known() -> None:
    """Otherwise how much there is."""
    assert load_words(250_000, BUSY) == "load 58 %"
    assert load_words(None, BUSY) == "144 kbit/s"
    assert load_words(250_000, None) == ""


def test_what_is_fine_at_80_columns() -> None:
    """Source, that nothing is sent, rate, load, adapter, recording: all of it."""
    text = status_line(FINE, BUSY, TransportCounts(), 80).text
    assert len(text) == 80
    for fact in ("can0", "sends nothing", "1000/s, load 58 %", "open, nothing lost", "rec 1.2 MB"):
        assert fact in text


def test_all_that_can_go_wrong_at_80_columns() -> None:
    """Load, errors, gaps, adapter, recording and its size stand whole."""
    text = status_line(WORST, BUSY, TransportCounts(), 80, [Note("bell off", "no bell")]).text
    assert len(text) == 80
    for fact in ("load 58 %", "LOST, 120 gaps, 12k lost, 77 garbled, 1k err", "rec 12345.6 MB"):
        assert fact in text
    assert "…" not in text


@pytest.mark.parametrize("width", range(20, 220, 7))
def test_every_width_is_filled(width: int) -> None:
    """Exactly, for good and for bad."""
    for status in (FINE, WORST):
        assert len(status_line(status, BUSY, TransportCounts(), width).text) == width


def test_in_a_narrow_replay_the_place_stands_before_the_name() -> None:
    """Which file it is can be looked up; how far it is played cannot."""
    replay = FINE._replace(
        live=False, bit_rate=None, source="pump.log", mode="replay playing, 5x, 00:07 of 00:29 (24 %)",
        short_mode="plays 5x, 00:07 of 00:29", notes=(), short_notes=(),
    )
    for width, counts in ((36, TransportCounts()), (44, TransportCounts(timed_out=2))):
        text = status_line(replay, BUSY, counts, width).text
        assert len(text) == width
        assert "00:07 of 00:29" in text
        assert "pump.log" not in text


def test_a_replay_has_no_load() -> None:
    """Nobody knows the bit rate of a recording."""
    replay = FINE._replace(live=False, bit_rate=None)
    assert "bit/s" not in status_line(replay, BUSY, TransportCounts(), 200).text


@pytest.mark.parametrize(
    ("number", "words"), [(0, "0"), (999, "999"), (1000, "1k"), (123_456, "123k"), (7_999_999, "7M"), (10**13, "999G")]
)
def test_few_characters(number: int, words: str) -> None:
    """Four at most."""
    assert few(number) == words
    assert len(few(number)) <= 4


def test_the_meter_looks_at_two_seconds() -> None:
    """Nothing in the first second; after a busy time a quiet one is quiet; a clock that steps back starts it anew."""
    meter = Meter()
    assert meter.traffic(0) is None
    for at in range(1, 31):
        meter.add(100, Bits(13_100, 16_000))
        traffic = meter.traffic(at * S // 10)
    assert traffic is not None
    assert traffic.frames_per_s == pytest.approx(1000)
    assert traffic.load_percent(500_000) == pytest.approx(28.82)
    assert traffic.kbit_per_s == pytest.approx(144.1)
    for at in range(31, 60):
        traffic = meter.traffic(at * S // 10)
    assert traffic is not None
    assert traffic.frames_per_s == 0
    assert meter.traffic(S) is None
