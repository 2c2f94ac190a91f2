"""A reading is one of five things, and they look different in plain text. A value is never invented."""

import dataclasses

import pytest

from faultlamp.frames import Frame
from faultlamp.history import latest
from faultlamp.tui.board import Board
from faultlamp.tui.paint import Line
from faultlamp.tui.readings.digits import large_rows
from faultlamp.tui.readings.tiles import Layout, Shown, band, large_tile, layout, small_tile
from faultlamp.tui.readings.value import Pick, Readings, Seen, Value
from support.wire import frame, ns
from tui.scene import AMBER, LAYOUTS, StillFeed, coolant, dm1, eec1, job_of, pump_job, rpm

READINGS = Readings(LAYOUTS)
SPEED = Pick(190)
COOLANT = Pick(110)


def value(frames: list[Frame], pick: Pick, now_s: float, *, past: bool = False) -> Value:
    """The reading at a moment."""
    return READINGS.value(job_of(frames), pick, ns(now_s), past=past)


def text(rows: list[Line]) -> str:
    """The rows as plain text."""
    return "\n".join(row.text.rstrip() for row in rows)


# Raw codes: SAE J1939-71, section 5.1.4 (from memory); one byte FA is the last value, FE error, FF not available.
FIVE = {
    Seen.NUMBER: value([coolant(1, 0x7D)], COOLANT, 1.5),
    Seen.NOT_AVAILABLE: value([coolant(1, 0xFF)], COOLANT, 1.5),
    Seen.ERROR: value([coolant(1, 0xFE)], COOLANT, 1.5),
    Seen.STALE: value([coolant(1, 0x7D)], COOLANT, 8.0),
    Seen.NEVER: value([rpm(1, 1500)], COOLANT, 1.5),
}
WORDS = {
    Seen.NUMBER: "85 degC",
    Seen.NOT_AVAILABLE: "not available",
    Seen.ERROR: "sensor error",
    Seen.STALE: "stale for 7 s, last 85 degC",
    Seen.NEVER: "never seen",
}


@pytest.mark.parametrize("seen", list(Seen))
def test_five_states_five_words(seen: Seen) -> None:
    """Each state is recognised and has its own words."""
    assert FIVE[seen].seen is seen
    assert FIVE[seen].words == WORDS[seen]


@pytest.mark.parametrize("large", [True, False])
def test_five_states_look_different_without_colour(large: bool) -> None:
    """Large or small, no two states share their text, and only a number shows as one."""
    tile = large_tile if large else small_tile
    pictures = {seen: text(tile(Shown(item), ns(1.5), 24, False)) for seen, item in FIVE.items()}
    assert len(set(pictures.values())) == 5
    assert "-- NOT AVAILABLE" in pictures[Seen.NOT_AVAILABLE]
    assert "✕ SENSOR ERROR" in pictures[Seen.ERROR]
    assert "~ STALE" in pictures[Seen.STALE]
    assert "last 85 degC" in pictures[Seen.STALE].replace("Last", "last")
    assert "· NEVER SEEN" in pictures[Seen.NEVER]
    assert "85" not in "".join(pictures[seen] for seen in (Seen.NOT_AVAILABLE, Seen.ERROR, Seen.NEVER))


# Stale: older than five standard intervals, at least 1 s. EEC1 comes at 100 ms at the slowest, ET1 each second
# (SAE J1939-71, from memory).
@pytest.mark.parametrize(
    ("frames", "pick", "last_fresh_s"),
    [pytest.param([rpm(1, 1500)], SPEED, 2.0, id="at least a second"),
     pytest.param([coolant(1, 0x7D)], COOLANT, 6.0, id="five intervals")],
)
def test_it_turns_stale_after_five_intervals(frames: list[Frame], pick: Pick, last_fresh_s: float) -> None:
    """Exactly at the limit it is still fresh, a nanosecond later it is not."""
    job = job_of(frames)
    assert READINGS.value(job, pick, ns(last_fresh_s)).seen is Seen.NUMBER
    assert READINGS.value(job, pick, ns(last_fresh_s) + 1).seen is Seen.STALE


def test_a_stale_state_code_is_no_number() -> None:
    """What said 'not available' before it fell silent has no last number."""
    assert value([coolant(1, 0xFF)], COOLANT, 9).words == "stale for 8 s, last no number"


def test_the_age_is_that_of_its_frame() -> None:
    """Age counts from the frame's own time stamp."""
    assert value([rpm(1, 800), rpm(1.25, 812.5)], SPEED, 2.0).age_ns == 750_000_000


def test_the_engine_is_preferred_but_a_number_beats_none() -> None:
    """Of several senders the engine counts, unless it has nothing to say and another has."""
    both = [rpm(1, 1500), rpm(1, 700, source="01")]
    assert value(both, SPEED, 1.5).number == 1500
    assert value([eec1(1, 0xFFFF), rpm(1, 700, source="01")], SPEED, 1.5).number == 700
    assert value(both, Pick(190, "can0", 1), 1.5).number == 700


def test_a_moment_gone_by_shows_what_was_known_then() -> None:
    """With the cursor on the axis the reading is the one of that moment, and what came later is not known yet."""
    frames = [coolant(at, 100 + at) for at in range(1, 9)]
    assert value(frames, COOLANT, 4.5, past=True).number == 64
    assert value(frames, COOLANT, 0.5, past=True).seen is Seen.NEVER
    assert value(frames[:2], COOLANT, 9.5, past=True).seen is Seen.STALE


def test_a_state_parameter_shows_its_word() -> None:
    """Wait-to-start lamp, SPN 1081, SHUTDN byte 4 bits 1-2: 01 is on (SAE J1939-71; also Laixer J1939)."""
    item = value([frame(1, "18FEE400", "FFFFFF01FFFFFFFF")], Pick(1081), 1.5)
    assert item.seen is Seen.NUMBER
    assert item.number == 1
    assert not item.text.isdigit()


def test_what_the_bus_carries_can_be_listed() -> None:
    """Every signal of a group that was heard, one for each sender."""
    job = job_of([rpm(1, 1500), rpm(1, 700, source="01"), coolant(1, 125)])
    carried = READINGS.carried(job, ns(1.5))
    assert [(item.source.source_address, item.number) for item in carried if item.spn == 190 and item.source] == [
        (0, 1500), (1, 700)
    ]
    assert 110 in {item.spn for item in carried}
    assert 168 not in {item.spn for item in carried}


def test_large_figures() -> None:
    """Five dots high in three rows, the unit beside the last."""
    rows = large_tile(Shown(value([coolant(1, 0x7D)], COOLANT, 1.5)), ns(1.5), 24, False)
    assert text(rows) == (
        "Coolant temperature\n"
        "█▀█ █▀▀\n"
        "█▀█ ▀▀█\n"
        "▀▀▀ ▀▀▀ degC\n"
        "<1 s ago"
    )


def test_small_tile() -> None:
    """Name and age over number and trend."""
    item = value([frame(1, "18FEF700", "FFFFFFFF2802FFFF")], Pick(168), 3.5)
    rows = small_tile(Shown(item, [(ns(-30), 27.6), (ns(3), 27.7)]), ns(3.5), 24, False)
    assert [row.text for row in rows] == ["Battery          2 s ago", "27.6 V         ▄       ▅"]


def test_a_moment_gone_by_is_said_so() -> None:
    """Held readings say how old they were then."""
    rows = large_tile(Shown(value([coolant(1, 0x7D)], COOLANT, 1.5)), ns(1.5), 24, True)
    assert rows[-1].text.startswith("<1 s old then")


@pytest.mark.parametrize(
    ("count", "width", "height", "stands"),
    [
        pytest.param(6, 80, 24, Layout(3, (5, 2)), id="80x24"),
        pytest.param(12, 80, 24, Layout(3, (2, 2, 2, 2)), id="many"),
        pytest.param(1, 20, 10, Layout(1, (2,)), id="tiny"),
        pytest.param(6, 50, 16, Layout(1, (2, 2)), id="no room for all"),
        pytest.param(6, 100, 30, Layout(3, (5, 5)), id="100x30"),
        pytest.param(1, 80, 24, Layout(1, (8,), scale=2, trend_rows=2), id="one alone"),
        pytest.param(6, 80, 48, Layout(2, (7, 7, 7), scale=2), id="tall"),
        pytest.param(6, 160, 48, Layout(3, (11, 11), scale=3, trend_rows=2), id="160x48"),
        pytest.param(12, 160, 48, Layout(4, (7, 7, 7), scale=2), id="160x48, as many as can be chosen"),
        pytest.param(6, 200, 60, Layout(3, (13, 13), scale=3, trend_rows=4), id="200x60"),
        pytest.param(0, 80, 24, Layout(1, (8,), scale=2, trend_rows=2), id="none"),
    ],
)
def test_readings_are_as_large_as_their_share_of_the_screen_allows(
    count: int, width: int, height: int, stands: Layout
) -> None:
    """In a large window all in large figures over high trends; in a small one large ones on top of small ones."""
    assert layout(count, width, height) == stands


def test_many_lanes_get_more_room() -> None:
    """On a tall screen the readings take half where few faults are known, else two fifths; at 80x24 two rows each."""
    assert layout(6, 160, 48, roomy=False) == Layout(3, (9, 9), scale=2, trend_rows=3)
    assert layout(6, 80, 24, roomy=False) == layout(6, 80, 24)
    frames = [*pump_job(3), *dm1(3, AMBER, *(f"{spn:02X}000401" for spn in range(1, 10)))]
    board = Board(StillFeed(frames, 4), LAYOUTS, {})
    board.tick()
    assert len(board.lanes) == 9
    assert len(board.readings_band(160, 48)) == 1 + 18
    assert len(board.readings_band(80, 24)) == 1 + 4


@pytest.mark.parametrize("count", [1, 5, 6, 12])
@pytest.mark.parametrize("size", [(20, 6), (50, 20), (80, 24), (100, 30), (160, 48), (200, 60), (300, 90)])
def test_the_lanes_keep_half_of_the_screen(count: int, size: tuple[int, int]) -> None:
    """However large the readings are, the band has the rows that its layout says, and no more than its share."""
    width, height = size
    stands = layout(count, width - 1, height)
    rows = band(Line(), [Shown(FIVE[Seen.NUMBER])] * count, ns(1.5), width - 1, height)
    assert len(rows) == 1 + sum(stands.heights) <= max(height // 2, 3)
    assert {len(row.text) for row in rows} == {width - 1}


def test_figures_twice_as_large_over_a_high_trend() -> None:
    """A dot is a block of two cells; the lowest number of the trend still has a column."""
    item = value([coolant(1, 0x7D)], COOLANT, 1.5)
    rows = large_tile(Shown(item, [(ns(-58), 0.0), (ns(-28), 42.5), (ns(1.4), 85.0)]), ns(1.5), 34, False, 2, 2)
    assert [row.text.rstrip() for row in rows] == [
        "Coolant temperature",
        "██████  ██████",
        "██  ██  ██",
        "██████  ██████",
        "██  ██      ██",
        "██████  ██████ degC",
        "                                 █",
        "<1 s ago   ▁          █          █",
    ]


@pytest.mark.parametrize(
    ("text_of_it", "scale"), [("12", 3), ("1234", 3), ("12345", 2), ("1234567", 1), ("1234567890123", 0)]
)
def test_figures_that_do_not_fit_are_smaller(text_of_it: str, scale: int) -> None:
    """A long number takes the next smaller size, at last that of the text; the tile keeps its height."""
    item = dataclasses.replace(FIVE[Seen.NUMBER], text=text_of_it)
    rows = [row.text.rstrip() for row in large_tile(Shown(item), ns(1.5), 50, False, 3)]
    assert len(rows) == 1 + 8 + 1
    figures = [row for row in rows[1:-1] if row]
    assert len(figures) == (large_rows(scale) if scale else 1)
    assert figures[-1].endswith("degC")
    assert (text_of_it in "".join(figures)) == (scale == 0)


@pytest.mark.parametrize("seen", [Seen.STALE, Seen.ERROR, Seen.NOT_AVAILABLE, Seen.NEVER])
def test_words_take_the_room_of_the_figures(seen: Seen) -> None:
    """A tile without a number is as high as its neighbours, its words in the middle."""
    rows = [row.text.rstrip() for row in large_tile(Shown(FIVE[seen]), ns(1.5), 50, False, 3, 2)]
    assert len(rows) == 1 + 8 + 2
    assert [place for place, row in enumerate(rows[1:9]) if row] == [3, 4]


def test_a_wide_trend_has_no_holes() -> None:
    """One sample in each sixtieth is kept; drawn over more columns it would look as if some were missing."""
    job = job_of([rpm(at / 10, 600 + at) for at in range(1300)])
    board = Board(StillFeed([], None), LAYOUTS, {})
    item = board.readings.value(job, SPEED, ns(129.9))
    samples = board.readings.trend(job, item, ns(69.9), ns(129.9))
    rows = large_tile(Shown(item, samples), ns(129.9), 200, False)
    assert " " not in rows[-1].text.removeprefix("<1 s ago").strip()
    assert len(rows[-1].text.strip()) > 60


def test_readings_that_find_no_room_are_announced() -> None:
    """A small window says how many it does not show."""
    rows = band(Line(), [Shown(FIVE[Seen.NUMBER])] * 6, ns(1.5), 49, 16)
    assert len(rows) == 1 + 2 + 2
    assert rows[0].text.rstrip() == ", 4 more do not fit"


def test_the_band_has_exact_rows() -> None:
    """All rows of the band have the width of the screen."""
    shown = [Shown(FIVE[seen]) for seen in Seen]
    rows = band(Line(), shown, ns(1.5), 79, 24)
    assert len(rows) == 1 + 5 + 2
    assert {len(row.text) for row in rows} == {79}


def test_samples_that_found_no_room_are_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """What the store of values refused or gave up is told beside the readings, nothing while there is room."""
    monkeypatch.setattr(latest, "MOST_GROUPS", 2)
    for frames, words in (
        ([rpm(1, 1500), coolant(1, 0x7D)], " READINGS live"),
        ([rpm(1, 1500), coolant(1, 0x7D), rpm(1, 1500, source="03")], " READINGS live, 1 samples found no room"),
    ):
        board = Board(StillFeed(frames, 1.5), LAYOUTS, {})
        board.tick()
        assert board.readings_band(80, 24)[0].text.rstrip() == words
