"""What the user chose: order, units, marks, length of trends. Conversion factors: NIST SP 811, appendix B.8."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from faultlamp.frames import Frame
from faultlamp.knowledge.units import System
from faultlamp.tui.board import Board
from faultlamp.tui.paint import Role
from faultlamp.tui.readings.choice import FIRST_PICKS, Choice, Choices, Mark
from faultlamp.tui.readings.tiles import Shown, large_tile, small_tile
from faultlamp.tui.readings.value import Pick, Readings, Seen, Value, in_unit
from support.wire import frame, ns
from tui.scene import LAYOUTS, StillFeed, coolant, job_of, pump_job, rpm

READINGS = Readings(LAYOUTS)
OIL, COOLANT, SPEED, BATTERY, HOURS, LOAD = (Pick(spn) for spn in (100, 110, 190, 168, 247, 92))


def oil(kpa: int) -> Frame:
    """Oil pressure, EFL/P1 (PGN 65263) byte 4, 4 kPa a bit: SAE J1939-71."""
    return frame(1, "18FEEF00", f"FFFFFF{kpa // 4:02X}FFFFFFFF")


def value(one: Frame, pick: Pick, now_s: float = 1.5) -> Value:
    """A reading as it was sent."""
    return READINGS.value(job_of([one]), pick, ns(now_s))


# 1 psi = 6.894757 kPa, 1 bar = 100 kPa, t/degF = 1.8 t/degC + 32, 1 gal/h = 3.785412 L/h, 1 mi = 1.609344 km.
@pytest.mark.parametrize(
    ("one", "pick", "unit", "words"),
    [
        pytest.param(oil(400), OIL, "psi", "58.0 psi", id="400 kPa = 58.0151 psi"),
        pytest.param(oil(400), OIL, "bar", "4.00 bar", id="400 kPa = 4 bar, 0.04 bar a bit"),
        pytest.param(oil(1000), OIL, "bar", "10.0 bar", id="no more digits than are read"),
        pytest.param(oil(0), OIL, "psi", "0.0 psi", id="zero is zero"),
        pytest.param(coolant(1, 125), COOLANT, "degF", "185 degF", id="85 degC"),
        pytest.param(coolant(1, 0), COOLANT, "degF", "-40 degF", id="-40 degC"),
        pytest.param(coolant(1, 22), COOLANT, "degF", "0 degF", id="-18 degC = -0.4 degF, no negative zero"),
        pytest.param(frame(1, "18FEF200", "C800FFFFFFFFFFFF"), Pick(183), "gal/h", "2.64 gal/h", id="10 L/h"),
        pytest.param(frame(1, "18FEF100", "FF0064FFFFFFFFFF"), Pick(84), "mph", "62.1 mph", id="100 km/h"),
        pytest.param(frame(1, "18FEE000", "FFFFFFFF00350C00"), Pick(245), "mi", "62137 mi", id="100000 km"),
        pytest.param(rpm(1, 1500), SPEED, "psi", "1500 rpm", id="what is no pressure stays"),
        pytest.param(coolant(1, 0xFF), COOLANT, "degF", "not available", id="no number, nothing to convert"),
        pytest.param(coolant(1, 0xFE), COOLANT, "degF", "sensor error", id="error"),
    ],
)
def test_readings_in_other_units(one: Frame, pick: Pick, unit: str, words: str) -> None:
    """Converted from the exact value, with digits that the resolution has and no noise behind them."""
    assert in_unit(value(one, pick), unit).words == words


def test_a_stale_reading_keeps_its_last_number_in_the_unit() -> None:
    """What stands beside `stale` is converted too."""
    assert in_unit(value(oil(400), OIL, 60.0), "bar").words == "stale for 59 s, last 4.00 bar"


def test_a_word_has_no_unit() -> None:
    """Wait-to-start lamp, SPN 1081: a state stays its word."""
    one = value(frame(1, "18FEE400", "FFFFFF01FFFFFFFF"), Pick(1081))
    assert in_unit(one, "psi") == one
    assert Choices().beyond(one, Choice(Pick(1081), high=Mark(0, ""))) != ""


@given(st.floats(-1e7, 1e7), st.floats(1e-6, 100))
def test_no_noise_in_any_number(number: float, step: float) -> None:
    """At most two decimals, never in an exponent, never a negative zero."""
    text = in_unit(Value(1, "x", "kPa", Seen.NUMBER, number, "x", 0, None, step), "psi").text
    _, _, decimals = text.partition(".")
    assert len(decimals) <= 2
    assert "e" not in text
    assert text.strip("-0.") or not text.startswith("-")


def test_the_rule_of_units() -> None:
    """The reading's own, else its quantity's, else the habit's."""
    choices = Choices()
    assert choices.unit(Choice(OIL), "kPa") == "kPa"
    us = choices.with_system(System.US)
    assert [us.unit(Choice(OIL), unit) for unit in ("kPa", "degC", "rpm", "%", "")] == ["psi", "degF", "rpm", "%", ""]
    bars = us.with_unit("kPa", "bar")
    assert [bars.unit(Choice(OIL), unit) for unit in ("kPa", "MPa", "degC")] == ["bar", "bar", "degF"]
    assert bars.unit(Choice(OIL, unit="kPa"), "kPa") == "kPa"
    assert bars.unit(Choice(OIL, unit="degF"), "kPa") == "bar"
    assert bars.with_unit("kPa", "psi").units == ()
    assert bars.with_system(System.METRIC) == Choices()


def test_a_unit_for_all_replaces_those_of_single_readings() -> None:
    """What was asked for last holds: of the same quantity only."""
    choices = Choices((Choice(OIL, unit="psi"), Choice(COOLANT, unit="degF"))).with_unit("kPa", "bar")
    assert [choice.unit for choice in choices.readings] == ["", "degF"]
    assert choices.with_unit("rpm", "bar") == choices


# The mark's unit is the one in which it was set; 9 bar = 900 kPa exactly; 130 psi = 896.318 kPa.
@pytest.mark.parametrize(
    ("kpa", "low", "high", "unit", "words"),
    [
        pytest.param(404, None, Mark(400, "kPa"), "", "▲ above 400", id="above"),
        pytest.param(400, None, Mark(400, "kPa"), "", "", id="at the mark is not above"),
        pytest.param(396, Mark(400, "kPa"), None, "", "▼ below 400", id="below"),
        pytest.param(400, Mark(400, "kPa"), None, "", "", id="at the mark is not below"),
        pytest.param(900, Mark(9, "bar"), Mark(9, "bar"), "bar", "", id="exactly 9 bar"),
        pytest.param(904, Mark(1, "bar"), Mark(9, "bar"), "bar", "▲ above 9", id="9.04 bar"),
        pytest.param(896, Mark(130, "psi"), None, "psi", "▼ below 130", id="just below 130 psi"),
        pytest.param(900, None, Mark(130, "psi"), "psi", "▲ above 130", id="just above 130 psi"),
        pytest.param(900, None, Mark(130, "psi"), "bar", "▲ above 8.96", id="set in psi, shown in bar"),
        pytest.param(0, Mark(0.5, "bar"), None, "kPa", "▼ below 50", id="set in bar, shown in kPa"),
        pytest.param(400, Mark(500, "kPa"), Mark(300, "kPa"), "", "▲ above 300", id="contradicting marks"),
        pytest.param(400, Mark(9, "degC"), Mark(9, "rpm"), "", "", id="marks that are no pressure"),
        pytest.param(400, None, None, "", "", id="no marks"),
    ],
)
def test_marks(kpa: int, low: Mark | None, high: Mark | None, unit: str, words: str) -> None:
    """A number beyond its mark is called out in words and shape, in the unit in which it is shown."""
    assert Choices().beyond(value(oil(kpa), OIL), Choice(OIL, unit, low, high)) == words


@pytest.mark.parametrize("raw", [0xFE, 0xFF])
def test_only_numbers_can_be_beyond_a_mark(raw: int) -> None:
    """A sensor in error is neither hot nor cold; nor is what is stale or was never seen."""
    choice = Choice(COOLANT, low=Mark(500, "degC"))
    assert Choices().beyond(value(coolant(1, raw), COOLANT), choice) == ""
    assert Choices().beyond(value(coolant(1, 125), COOLANT, 60), choice) == ""
    assert Choices().beyond(value(rpm(1, 900), COOLANT), choice) == ""
    assert Choices().beyond(value(coolant(1, 125), COOLANT), choice) == "▼ below 500"


@pytest.mark.parametrize("large", [True, False], ids=["large", "small"])
def test_the_tile_says_it_without_colour(large: bool) -> None:
    """Number, age and the words all stand in 24 cells."""
    tile = large_tile if large else small_tile
    rows = tile(Shown(value(oil(400), OIL), unit="psi", beyond="▲ above 50"), ns(1.5), 24, False)
    text = "\n".join(row.text for row in rows)
    assert "▲ above 50" in text
    assert "<1 s ago" in text
    assert any(piece.role is Role.WARN for row in rows for piece in row.pieces if "▲" in piece.text)
    assert text.count("psi") == 1
    assert all(len(row.text) <= 24 for row in rows)


def test_the_heading_counts_them() -> None:
    """Also those that find no room are counted: none goes unseen."""
    board = Board(StillFeed(pump_job(30), 30), LAYOUTS, {})
    board.tick()
    board.choose(Choices((Choice(OIL, high=Mark(300, "kPa")), Choice(SPEED, low=Mark(1600, "rpm")), Choice(BATTERY))))
    assert board.readings_band(80, 24)[0].text.rstrip() == " READINGS live, 2 beyond their marks"
    board.choose(board.choices.changed(Choice(OIL)))
    assert board.readings_band(80, 24)[0].text.rstrip() == " READINGS live, 1 beyond its mark"
    assert "▼ below 1600" in "\n".join(row.text for row in board.readings_band(80, 24))


def test_order() -> None:
    """Up, down, no further than the ends; nothing gets lost; what is not shown has no place."""
    choices = Choices()
    assert choices.moved(COOLANT, -1).picks == [COOLANT, SPEED, BATTERY, HOURS, LOAD, OIL]
    assert choices.moved(SPEED, -1) == choices
    assert choices.moved(OIL, 5) == choices
    assert choices.moved(SPEED, 99).picks[-1] == SPEED
    assert choices.moved(Pick(1234), 1) == choices


@given(st.lists(st.tuples(st.integers(0, 5), st.integers(-8, 8))))
def test_order_is_a_permutation(moves: list[tuple[int, int]]) -> None:
    """However they are moved, the readings stay the same ones."""
    choices = Choices()
    for which, by in moves:
        choices = choices.moved(FIRST_PICKS[which], by)
    assert sorted(choices.picks) == sorted(FIRST_PICKS)


def test_show_and_drop() -> None:
    """A new one comes last; dropped and shown again it has no settings left."""
    choices = Choices().changed(Choice(OIL, "bar", Mark(1, "bar")))
    assert choices.toggled(Pick(94)).picks == [*FIRST_PICKS, Pick(94)]
    assert choices.toggled(OIL).toggled(OIL).of(OIL) == Choice(OIL)
    assert choices.of(OIL).low == Mark(1, "bar")
    assert choices.of(Pick(94)) == Choice(Pick(94))


@pytest.mark.parametrize("minutes", [1, 5, 15, 60])
def test_trends_of_any_length(minutes: int) -> None:
    """A trend covers its time: sixty samples, the first from near its start, the last the latest, rising as sent."""
    frames = [rpm(at, 600 + at * 0.125) for at in range(4000)]
    job = job_of(frames)
    now_ns = ns(4000)
    from_ns = now_ns - minutes * 60 * 1_000_000_000
    samples = READINGS.trend(job, READINGS.value(job, SPEED, ns(3999.5)), from_ns, now_ns)
    times = [time_ns for time_ns, _ in samples]
    assert times == sorted(set(times))
    assert 59 <= len(samples) <= 61
    assert times[0] <= from_ns + minutes * 1_000_000_000
    assert samples[-1] == (ns(3999), 600 + 3999 * 0.125)


def test_the_length_of_the_trends_is_said() -> None:
    """Unless it is the usual minute."""
    board = Board(StillFeed(pump_job(30), 30), LAYOUTS, {})
    board.tick()
    board.choose(Choices(trend_min=15))
    assert board.readings_band(80, 24)[0].text.rstrip() == " READINGS live, trends 15 min"
    assert board.chosen == 1
    board.choose(Choices(trend_min=15))
    assert board.chosen == 1
