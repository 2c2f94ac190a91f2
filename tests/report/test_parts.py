"""Lamps, readings, times, the timeline, notes: each against published layouts or by hand."""

import re
from pathlib import Path

import pytest

from faultlamp.findings.check import Verdict
from faultlamp.frames import Frame
from faultlamp.j1939.diagnostics import Lamp
from faultlamp.knowledge.crosswalk import Crosswalk, CrosswalkRow
from faultlamp.knowledge.units import System
from faultlamp.report.notes import read_notes
from faultlamp.report.paper import About, Moment
from faultlamp.report.words import Clock, count_of, length, together
from faultlamp.tui.marks.notes import Notes
from support.papers import paper
from support.wire import frame, ns
from tui.scene import AMBER, COOLANT_HIGH, NO_LAMPS, RED_AND_AMBER, coolant, dm1, pump_job, second

BOTH = "with red stop, amber warning while active"


def test_readings_are_those_of_the_published_layouts() -> None:
    """Raw values as in tests/tui/scene.py, by hand: 27.6 V, 2250 h, 55 %, 400 kPa; coolant in error since 10 s."""
    rows = {row.spn: row for row in paper(pump_job(30)).readings}
    assert (rows[190].last, rows[190].unit, rows[190].state) == ("1500", "rpm", "read at the end")
    assert (rows[168].last, rows[168].unit) == ("27.6", "V")
    assert (rows[247].last, rows[247].unit) == ("2250", "h")
    assert (rows[92].last, rows[92].unit) == ("55", "%")
    assert (rows[100].last, rows[100].unit) == ("400", "kPa")
    # SAE J1939-71, section 5.1.4: FE of a byte is 'error'. Raw 125 before was 85 degC.
    assert (rows[110].last, rows[110].state, rows[110].least, rows[110].greatest) == ("—", "sensor error", "85", "85")


def test_us_units() -> None:
    """85 degC are 185 degF, 400 kPa are 58.0 psi (NIST SP 811, appendix B.8), to the digits of the resolution."""
    rows = {row.spn: row for row in paper(pump_job(10), about=About(system=System.US)).readings}
    assert (rows[110].last, rows[110].unit) == ("185", "degF")
    assert (rows[100].last, rows[100].unit) == ("58.0", "psi")


def test_the_states_of_a_reading_are_different_words() -> None:
    """Not available is FF (SAE J1939-71, section 5.1.4); stale after five intervals; never seen is said, too."""
    frames = [coolant(0, 0xFF), frame(0.5, "18FEEF00", "FFFFFF64FFFFFFFF"), coolant(20, 0xFF)]
    rows = {row.spn: row for row in paper(frames).readings}
    assert (rows[110].state, rows[110].last) == ("not available", "—")
    assert (rows[100].state, rows[100].last) == ("stale: 19.5 s before the end", "400")
    assert (rows[190].state, rows[190].last, rows[190].sender) == ("never seen", "—", "—")


def test_least_and_greatest() -> None:
    """Of all samples, with the states of other samples left out."""
    frames = [coolant(at, raw) for at, raw in enumerate((60, 0xFE, 40, 130, 0xFF, 100))]
    row = next(row for row in paper(frames).readings if row.spn == 110)
    assert (row.last, row.least, row.greatest) == ("60", "0", "90")


def test_lamps_with_shape_word_and_times() -> None:
    """Amber from 10.1 s, red from 20.2 s (two codes take two packets), on at the end; the second one asks for none."""
    rows = [(row.lamp, row.sender, row.shape, row.state, row.when) for row in paper(pump_job(30)).lamps]
    assert rows[:4] == [
        ("Red stop lamp", "engine 1 (0)", "■", "on", "1 time, 9.7 s in all: 22:13:40.2 to the end"),
        ("Red stop lamp", "exhaust emission controller (61)", "□", "off", "never asked for"),
        ("Amber warning lamp", "engine 1 (0)", "■", "on", "1 time, 19.8 s in all: 22:13:30.1 to the end"),
        ("Amber warning lamp", "exhaust emission controller (61)", "□", "off", "never asked for"),
    ]


@pytest.mark.parametrize(
    ("lamps", "after", "said"),
    [
        pytest.param("55FF", NO_LAMPS, "A lamp check at key on was seen in 1 of 1 key cycle.", id="all four, then off"),
        pytest.param("55FF", AMBER, "A lamp check at key on was seen in 1 of 1 key cycle.", id="one stays on"),
        pytest.param(AMBER, NO_LAMPS, "No lamp check at key on was seen", id="one only"),
        pytest.param("55FF", "55FF", "No lamp check at key on was seen", id="all stay on"),
    ],
)
def test_a_lamp_check(lamps: str, after: str, said: str) -> None:
    """Common practice, no source: all lamps for some seconds after key on, then at least one no longer."""
    frames = [one for at in range(30) for one in second(at, lamps=lamps if at < 3 else after)]
    assert paper(frames).lamp_check.startswith(said)


@pytest.mark.parametrize(
    ("reports", "lamp"),
    [
        pytest.param([(AMBER, True), (RED_AND_AMBER, True), (NO_LAMPS, False)], BOTH, id="gone"),
        pytest.param([(NO_LAMPS, True), (NO_LAMPS, False)], "with no lamp while active", id="no lamp"),
        pytest.param([("55FF", False), (AMBER, True), (RED_AND_AMBER, False)], "with amber warning while active",
                     id="not the one before or after"),
        pytest.param([(RED_AND_AMBER, True), (NO_LAMPS, True), (NO_LAMPS, False)],
                     f"{BOTH}; no lamp in the last report that listed it", id="none at its last"),
        pytest.param([(AMBER, True), ("10FF", True), (AMBER, True), (AMBER, False)],
                     f"{BOTH}; amber warning in the last report that listed it", id="red in between"),
        pytest.param([("10FF", True), (NO_LAMPS, False), (AMBER, True), (AMBER, False)],
                     f"{BOTH}; amber warning in the last report that listed it", id="each of two times"),
        pytest.param([("10FF", False), (AMBER, True), ("10FF", False), (AMBER, True), (AMBER, False)],
                     "with amber warning while active", id="red only in between its times"),
        pytest.param([(RED_AND_AMBER, True)], BOTH, id="silent after one report"),
        pytest.param([(AMBER, True), (RED_AND_AMBER, True)], BOTH, id="silent"),
    ],
)
def test_the_lamps_of_a_fault_that_is_active_no_more(reports: list[tuple[str, bool]], lamp: str) -> None:
    """Those of all DM1 that list it; the lamps are the message's (SAE J1939-73, section 5.7.1)."""
    frames = [
        one for at, (lamps, listed) in enumerate(reports) for one in dm1(at, lamps, *[COOLANT_HIGH] * listed)
    ]
    frames += [frame(at, "18FEEE00", "FF" * 8) for at in range(len(reports), 20)]
    assert [row.lamps for row in paper(frames).faults] == [lamp]


def test_the_last_report_before_a_silence_counts() -> None:
    """Red was asked for in the only DM1 that listed the fault before 9 s without one; later it is amber alone."""
    frames = [*dm1(0, "10FF"), *dm1(1, "10FF", COOLANT_HIGH), *dm1(10, AMBER, COOLANT_HIGH)]
    assert [row.lamps for row in paper(frames).faults] == [f"{BOTH}; amber warning in the last report that listed it"]


def test_a_lamp_check_is_no_lamp_of_a_fault() -> None:
    """All four lamps for 3 s at key on say nothing of the fault that was there then (common practice, no source)."""
    frames = [one for at in range(30) for one in second(at, lamps="55FF" if at < 3 else AMBER, codes=[COOLANT_HIGH])]
    assert [row.lamps for row in paper(frames).faults] == ["with amber warning while active"]


@pytest.mark.parametrize("listed_at_the_end", [True, False])
def test_why_a_code_of_the_maker_stands_where_it_does(listed_at_the_end: bool) -> None:
    """By the last report that listed the fault; a lamp that was asked for only before is said to have been."""
    table = Crosswalk("own.csv", [
        CrosswalkRow(line, 110, 3, lamp, code, "", "", "") for line, (lamp, code) in enumerate(
            [(Lamp.RED_STOP, "R"), (Lamp.AMBER_WARNING, "A"), (Lamp.PROTECT, "P"), (None, "N")], 2)
    ])
    frames = [*dm1(0, RED_AND_AMBER, COOLANT_HIGH), *dm1(1, AMBER, COOLANT_HIGH)]
    frames += dm1(2, AMBER, *[COOLANT_HIGH] * listed_at_the_end)
    is_was = "is" if listed_at_the_end else "was"
    row = paper(frames, crosswalk=table).faults[0]
    assert [(code.code, code.reason) for code in row.codes] == [
        ("A", f"for the amber warning lamp, which {is_was} asked for"), ("N", "its row names no lamp"),
        ("R", "for the red stop lamp, which was asked for earlier"),
        ("P", f"for the protect lamp, which {is_was} not asked for"),
    ]


def test_checks_without_a_verdict_are_no_rows() -> None:
    """Each reason once with the names it holds for, and the channel where there are several."""
    frames = [one for at in range(12) for one in second(at)]
    made = paper(frames)
    assert all(check.verdict is not Verdict.NOT_JUDGED for check in made.checks)
    assert len(made.checks_notes) > 1
    assert all(note.startswith(("No verdict (", "Assumed: ")) for note in made.checks_notes)
    frames += [Frame(one.time_ns + 1, "can1", one.can_id, one.data, one.flags) for one in frames]
    both = paper(sorted(frames, key=lambda one: one.time_ns))
    text = " ".join([*(check.name for check in both.checks), *both.checks_notes])
    assert "barometric pressure on can0" in text
    assert "barometric pressure on can1" in text


def test_what_a_verdict_takes_for_granted_is_said() -> None:
    """Temperatures of 20 degC by SAE J1939-71, key on, engine standing: they must agree only if it is cold."""
    frames = [one for at in range(12) for one in second(at, speed_rpm=0, coolant_raw=60)]
    frames += [frame(at + 0.3, "18FEF600", "FFFF3CFFFFFFFFFF") for at in range(12)]
    frames += [frame(at + 0.4, "18FEF500", "FFFFFFA0243CFFFF") for at in range(12)]
    made = paper(sorted(frames, key=lambda one: one.time_ns))
    assumed = {check.assumed for check in made.checks if check.assumed}
    assert assumed
    assert {f"Assumed: {words}." for words in assumed} <= set(made.checks_notes)


def test_counts_first_and_last() -> None:
    """OC 1 and later OC 2 (low seven bits of the DTC's fourth byte, SAE J1939-73, section 5.7.1); 127 is no count."""
    frames = [one for at, code in enumerate((COOLANT_HIGH, "6E000302", "6400017F")) for one in dm1(at, AMBER, code)]
    assert [(row.spn, row.count) for row in paper(frames).faults] == [(100, "not counted"), (110, "1 → 2")]


def test_advice_is_long_for_what_is_active_and_short_for_the_rest() -> None:
    """And a caution stands before its step on the page, not after."""
    frames = [*(one for at in range(6) for one in second(at, lamps=RED_AND_AMBER, codes=[COOLANT_HIGH])),
              *(one for at in range(6, 12) for one in second(at, lamps=AMBER, codes=["64000105"]))]
    advice = paper(frames).advice
    assert [(one.code, one.at_length) for one in advice] == [("SPN 100 FMI 1", True), ("SPN 110 FMI 3", False)]
    assert len(advice[0].explained.steps) > 1


def test_the_timeline_keeps_to_its_plot() -> None:
    """A thousand times one second: one bar of half the height from end to end; what is long before it has all of it."""
    frames = [one for at in range(2000) for one in dm1(at, AMBER, *([COOLANT_HIGH] if at < 500 or at % 2 else []))]
    picture = paper(frames).timeline
    assert picture is not None
    bars = re.findall(r"M([0-9.]+) [0-9.]+h([0-9.]+)v([0-9.]+)", picture.lanes[0].bars)
    assert len(bars) < picture.right - picture.left
    assert float(bars[0][0]) == picture.left
    assert float(bars[-1][0]) + float(bars[-1][1]) == pytest.approx(picture.right, abs=1)


def test_a_long_time_and_many_short_ones_look_different() -> None:
    """Active for 1,000 s, gone for 1,000 s, then coming and going each second for 1,000 s."""
    frames = [
        one for at in range(3000)
        for one in dm1(at, AMBER, *([COOLANT_HIGH] if at < 1000 or (at >= 2000 and at % 2) else []))
    ]
    picture = paper(frames).timeline
    assert picture is not None
    bars = re.findall(r"M[0-9.]+ [0-9.]+h([0-9.]+)v([0-9.]+)", picture.lanes[0].bars)
    third = (picture.right - picture.left) / 3
    assert [(pytest.approx(third, abs=1.5), height) for _, height in bars] == [
        (float(width), height) for width, height in zip([bar[0] for bar in bars], ("11.0", "5.5"), strict=True)
    ]


@pytest.mark.parametrize(
    ("start_s", "end_s", "at_s", "words"),
    [
        pytest.param(1_700_000_000, 1_700_000_100, 1_700_000_001.25, "22:13:21.2", id="short, tenths"),
        pytest.param(1_700_000_000, 1_700_003_600, 1_700_000_001.25, "22:13:21", id="long, seconds"),
        pytest.param(1_700_000_000, 1_700_090_000, 1_700_000_001.25, "2023-11-14 22:13:21", id="over midnight"),
        pytest.param(100, 160, 102.5, "00:02.5", id="no date, since the start"),
    ],
)
def test_moments(start_s: int, end_s: int, at_s: float, words: str) -> None:
    """UTC; 1700000000 is 2023-11-14 22:13:20 UTC by POSIX, 'Seconds Since the Epoch'."""
    assert Clock(start_s * 10**9, end_s * 10**9).moment(round(at_s * 10**9)) == words


def test_words() -> None:
    """Counts, lengths and lists as people say them."""
    assert [count_of(number, "fault") for number in (0, 1, 2, 3000)] == [
        "no faults", "1 fault", "2 faults", "3,000 faults",
    ]
    assert [length(s * 10**9) for s in (0, 7, 125, 3 * 3600 + 720)] == ["0.0 s", "7.0 s", "2 min 05 s", "3 h 12 min"]
    assert together(list("abcdef")) == "a, b, c, d and 2 others"
    assert [together(list(text)) for text in ("a", "ab", "abc")] == ["a", "a and b", "a, b and c"]


def test_notes_of_the_dashboard_are_read_back(tmp_path: Path) -> None:
    """The file that the dashboard keeps marks in: its marks with their moments, its first line as a paragraph."""
    notes = Notes()
    notes.add(ns(5), "loose (plug) at 3", ns(0))
    notes.add(ns(2), "", ns(0))
    notes.begin_file(str(tmp_path / "job.txt"), "pump.log")
    paragraphs, moments = read_notes((tmp_path / "job.txt").read_text())
    assert paragraphs == ["Marked moments of pump.log"]
    assert moments == [Moment(ns(2), ""), Moment(ns(5), "loose (plug) at 3")]


def test_other_lines_are_paragraphs() -> None:
    """Anything that is no mark, without its blanks; empty lines do not count."""
    assert read_notes("\ufeff  Hose replaced (twice).\r\n\n(see 12.5) on page 3\n") == (
        ["Hose replaced (twice).", "(see 12.5) on page 3"], [],
    )


def test_clock_of_an_undated_recording_may_run_on() -> None:
    """Marks before the start are before it, not nonsense."""
    assert Clock(100 * 10**9, 160 * 10**9).moment(98 * 10**9) == "-00:02.0"
