"""Lanes: which, in what order, and exactly how their spans look on the axis."""

import itertools

import pytest
from rich.cells import cell_len

from faultlamp.bus.gaps import Gap
from faultlamp.history.key_cycles import KeyCycle
from faultlamp.history.spans import EndReason, Span
from faultlamp.tui.job import Job
from faultlamp.tui.lanes.bars import axis, bar, key_strip, lost_after
from faultlamp.tui.lanes.lane import lanes_of
from faultlamp.tui.lanes.table import label_width, table
from faultlamp.tui.lanes.view import LaneView
from faultlamp.tui.lanes.window import STEPS_NS, Window, step_for_all, window_at
from support.wire import ns
from tui.scene import (
    AMBER,
    COOLANT_HIGH,
    COOLANT_HIGH_TWICE,
    LAYOUTS,
    NO_LAMPS,
    OIL_LOW,
    RED_AND_AMBER,
    block,
    dm1,
    job_of,
    pump_job,
    rpm,
)

S = 1_000_000_000
TEN = Window(0, S, 10, 0)


def span(start_s: float, end_s: float | None, reason: EndReason = EndReason.CLEARED) -> Span:
    """A span in seconds."""
    made = Span(round(start_s * S))
    if end_s is not None:
        made.close(round(end_s * S), reason)
    return made


@pytest.mark.parametrize(
    ("spans", "columns"),
    [
        pytest.param([], "          ", id="none"),
        pytest.param([span(2, None)], "  ███████ ", id="open, from the start of a column"),
        pytest.param([span(2.5, None)], "  ▐██████ ", id="open, from the middle of one"),
        pytest.param([span(8.9, None)], "        ▐ ", id="just begun"),
        pytest.param([span(-5, 3.5)], "███▌      ", id="from before, no room for the word"),
        pytest.param([span(4.5, 4.6)], "    ▞     ", id="came and went within a column"),
        pytest.param([span(1.5, 3.5), span(3.7, 5.5)], " ▐█▞█▌    ", id="two that meet in a column"),
        pytest.param([span(-9, -2)], "          ", id="long gone"),
        pytest.param([span(12, None)], "          ", id="still to come"),
    ],
)
def test_bars(spans: list[Span], columns: str) -> None:
    """Each column says whether the fault was there all through, began, ended, or both."""
    assert bar(spans, TEN, round(8.95 * S)) == columns


@pytest.mark.parametrize(
    ("reason", "columns"),
    [(EndReason.CLEARED, " ▐█▌ cleared        "), (EndReason.SILENT, " ▐█▌ fell silent    ")],
)
def test_the_end_of_the_last_span_says_why(reason: EndReason, columns: str) -> None:
    """Where there is room the reason stands beside the bar."""
    assert bar([span(1.5, 3.5, reason)], Window(0, S, 20, 0), 19 * S) == columns


def test_thousands_of_spans_are_drawn_from_the_window_alone() -> None:
    """A flickering fault with a long past shows the same as without the past."""
    flicker = [span(at, at + 0.5) for at in range(-5000, 9)]
    assert bar(flicker, TEN, 9 * S) == "▞▞▞▞▞▞▞▞▞ "
    assert bar(flicker, TEN, 9 * S, in_order=False) == "▞▞▞▞▞▞▞▞▞ "


@pytest.mark.parametrize(
    ("cycles", "columns"),
    [
        pytest.param([KeyCycle(S, 4 * S, over=True)], " ├──┤     ", id="key on and off"),
        pytest.param([KeyCycle(S, 8 * S, 3200)], " ├━━━━━━━ ", id="ran, still on"),
        pytest.param([KeyCycle(S, S, over=True), KeyCycle(5 * S, 6 * S, over=True)], " │   ├┤   ", id="short ones"),
        pytest.param([KeyCycle(-9 * S, -5 * S, over=True)], "          ", id="long gone"),
    ],
)
def test_key_cycles(cycles: list[KeyCycle], columns: str) -> None:
    """Key on is a line, engine run a heavy one, both ends are marked. 3200 raw is 400 rpm (SAE J1939-71)."""
    assert key_strip(cycles, TEN) == columns


def test_axis_labels_stand_at_their_moment() -> None:
    """Round moments, at least ten columns apart; counted from the start where there is no date."""
    assert axis(Window(0, S, 30, 0), 0) == "╷00:00    ╷00:10    ╷00:20    "
    assert axis(Window(ns(3), S, 30, 0), ns(0)) == "       ╷22:13:30 ╷22:13:40    "


def test_a_taken_place_on_the_axis_is_left_alone() -> None:
    """The cursor's label pushes others away."""
    assert axis(Window(0, S, 30, 0), 0, (8, "▼00:08")) == "╷00:00  ▼00:08      ╷00:20    "


@pytest.mark.parametrize("step_ns", STEPS_NS)
def test_labels_never_run_into_each_other(step_ns: int) -> None:
    """At every zoom the labels are at least ten columns apart."""
    columns = [column for column, _ in Window(ns(0), step_ns, 200, 0).ticks()]
    assert columns
    assert all(later - earlier >= 10 for earlier, later in itertools.pairwise(columns))


def test_a_young_job_begins_at_the_left_and_an_old_one_ends_at_the_right() -> None:
    """The present is always in the window."""
    young = window_at(ns(5), ns(0), S, 40)
    assert (young.column(ns(0)), young.column(ns(5))) == (0, 5)
    old = window_at(ns(500), ns(0), S, 40)
    assert old.column(ns(500)) == 39


def test_after_the_clock_was_set_back_the_present_is_in_the_window() -> None:
    """Also before the job's first frame, where no window can begin with the job."""
    for back_s in (1, 39, 41, 3600):
        shown = window_at(ns(1000 - back_s), ns(1000), S, 40)
        assert shown.column(ns(1000 - back_s)) == 39


def test_after_the_clock_was_set_back_the_news_is_what_came_last() -> None:
    """Not the silence at the step, whose stamp is later (steps back of more than 1 s begin a new stretch)."""
    job = Job(LAYOUTS.groups, {})
    job.take([
        block(dm1(5000, AMBER, COOLANT_HIGH)), block(dm1(100, AMBER, OIL_LOW), starts_stretch=True),
    ])
    lanes = lanes_of(job.history)
    rows = [row.text for row in table(job, lanes, LaneView(), ns(103), 80, 9)]
    assert rows[0].rstrip().endswith("◆ 3 s ago: SPN 100 FMI 1 active")
    assert "████" in next(row for row in rows if " 100/1 " in row)


def test_the_whole_job_fits() -> None:
    """The shortest step that shows all."""
    assert STEPS_NS[step_for_all(30 * S, 40)] == S
    assert STEPS_NS[step_for_all(100 * S, 40)] == 5 * S
    assert step_for_all(10**18, 40) == len(STEPS_NS) - 1


def gap(start_s: float, end_s: float | None) -> Gap:
    """A gap in seconds."""
    return Gap(round(start_s * S), None if end_s is None else round(end_s * S), "gone")


@pytest.mark.parametrize(
    ("spans", "gaps", "columns"),
    [
        pytest.param([span(1, None)], [gap(3, 6)], " ██░░░▒██ ", id="whole columns, and a touch of the next"),
        pytest.param([span(1, None)], [gap(3.5, 5.5)], " ██▒░▒███ ", id="parts of columns"),
        pytest.param([span(1, None)], [gap(4.2, 4.4)], " ███▒████ ", id="within a column"),
        pytest.param([], [gap(3.5, 5.5)], "   ░░░    ", id="no fault, which nobody heard either"),
        pytest.param([span(1, None)], [gap(6.5, None)], " █████▒░▒ ", id="lasting until now"),
        pytest.param([span(1, 3.2, EndReason.SILENT)], [gap(3.5, None)], " ██▒░░░░░ ", id="silence that nobody heard"),
        pytest.param([span(2.5, 6.5)], [gap(3, 3.99), gap(5, 5.99)], "  ▐▒█▒▌   ", id="two gaps"),
        pytest.param([span(2, None)], [gap(-9, -3), gap(20, None)], "  ███████ ", id="gaps out of sight"),
        pytest.param([span(4.5, 4.6)], [gap(-9, 4.4)], "░░░░▒     ", id="from before"),
    ],
)
def test_a_bar_claims_nothing_about_a_gap(spans: list[Span], gaps: list[Gap], columns: str) -> None:
    """A column is marked when any of it was not heard, and says so alone when none of it was."""
    assert bar(spans, TEN, round(8.95 * S), gaps=gaps) == columns


@pytest.mark.parametrize(
    ("reason", "gaps", "lost"),
    [
        pytest.param(EndReason.SILENT, [gap(14.9, 20)], True, id="lost within the five seconds"),
        pytest.param(EndReason.SILENT, [gap(3, 10)], True, id="just back"),
        pytest.param(EndReason.SILENT, [gap(15.1, 20)], False, id="lost later"),
        pytest.param(EndReason.SILENT, [], False, id="no gap"),
        pytest.param(EndReason.CLEARED, [gap(9, 20)], False, id="cleared"),
    ],
)
def test_a_silence_counts_only_where_somebody_listened(reason: EndReason, gaps: list[Gap], lost: bool) -> None:
    """SAE J1939-73, section 5.7.1: a DM1 each second; five of these periods missing are a silence."""
    assert lost_after(span(1, 10, reason), gaps) is lost


def test_a_gap_on_the_band() -> None:
    """The key row and every lane are broken there, and the key row says what the shape means."""
    job = job_with_history()
    rows = table(job, lanes_of(job.history), LaneView(), ns(19.5), 80, 9, gaps=[Gap(ns(5), ns(8), "gone")])
    assert [row.text.rstrip() for row in rows][1:6] == [
        "   Sender     SPN/FMI    OC Lamp  Name               ╷22:13:30 ╷22:13:40",
        "   Key ─ on  ━ ran  ░ not heard  █ 1 s      ├━━━░░░▒━━━━━━━━━━━",
        "▸● Engine 1   100/1       5 RED   Oil Press…   ▐░░░▒███████████",
        " ●◆Engine 1   110/3       2 RED   Coolant T… ███░░░░▐██████████",
        " ◌ Transmiss… 110/3       1 -     Coolant T…  ▞ ░░░░",
    ]


def test_a_gap_before_any_key_cycle_is_marked() -> None:
    """Nobody knows whether the key was on."""
    assert key_strip([], TEN, 9 * S, [gap(2, 5)]) == "  ░░░░    "


def job_with_history() -> Job:
    """110/3 came, went and is back (OC 2); 100/1 is active and began earlier; 110/3 of another has gone silent."""
    frames = [one for at in range(1, 20) for one in [rpm(at, 1500)]]
    for at in range(1, 20):
        codes = [OIL_LOW] * (at >= 4) + [COOLANT_HIGH] * (2 <= at < 6) + [COOLANT_HIGH_TWICE] * (at >= 9)
        frames += dm1(at, RED_AND_AMBER if at >= 4 else NO_LAMPS, *codes)
    frames += dm1(3, AMBER, COOLANT_HIGH, source="03")
    return job_of(frames, 19.5)


def test_active_lanes_first_and_what_came_first_on_top() -> None:
    """What began first is often the cause of what came later."""
    lanes = lanes_of(job_with_history().history)
    assert [(lane.key.source_address, lane.key.spn, lane.state, lane.shape) for lane in lanes] == [
        (0, 100, "active", "●"), (0, 110, "active", "●"), (3, 110, "silent", "◌")
    ]


def test_a_stored_fault_and_an_inactive_one() -> None:
    """DM2 (PGN 65227) lists previously active codes: SAE J1939-73, section 5.7.2."""
    frames = [*dm1(1, AMBER, COOLANT_HIGH, OIL_LOW), *dm1(2, NO_LAMPS)]
    stored = dm1(3, NO_LAMPS, OIL_LOW)[0]
    frames.append(type(stored)(stored.time_ns, stored.channel, 0x18FECB00, stored.data))
    lanes = lanes_of(job_of(frames, 4).history)
    assert {lane.key.spn: (lane.state, lane.shape) for lane in lanes} == {
        100: ("stored", "◇"), 110: ("inactive", "○")
    }


def test_a_controller_that_comes_back_without_the_fault_ends_the_doubt() -> None:
    """Silent until the next DM1; from then on the fault is inactive, however its span ended."""
    frames = dm1(1, AMBER, COOLANT_HIGH)
    assert [lane.state for lane in lanes_of(job_of(frames, 7).history)] == ["silent"]
    assert [lane.state for lane in lanes_of(job_of([*frames, *dm1(8, NO_LAMPS)], 9).history)] == ["inactive"]


def test_what_was_never_active_here_comes_last_and_says_so() -> None:
    """A code that only DM2 lists has no bar to draw."""
    made = dm1(1, AMBER, COOLANT_HIGH)[0]
    frames = [made, *dm1(2, NO_LAMPS), type(made)(ns(3), "can0", 0x18FECB00, bytes.fromhex("00FF64000105FFFF"))]
    job = job_of(frames, 4)
    lanes = lanes_of(job.history)
    assert [lane.key.spn for lane in lanes] == [110, 100]
    rows = table(job, lanes, LaneView(), ns(4), 80, 9)
    assert rows[4].text.rstrip().endswith("Oil Press… only in DM2")


def test_the_band_at_80_columns() -> None:
    """Exactly what a technician sees; the band's rows fill the screen's width."""
    job = job_with_history()
    lanes = lanes_of(job.history)
    rows = table(job, lanes, LaneView(), ns(19.5), 80, 9)
    assert {len(row.text) for row in rows} == {80}
    assert [row.text.rstrip() for row in rows] == [
        "FAULTS 2 active, 1 earlier, following  ◆ 10 s ago: SPN 110 FMI 3 active",
        "   Sender     SPN/FMI    OC Lamp  Name               ╷22:13:30 ╷22:13:40",
        "   Key ─ on  ━ engine ran  █ 1 s            ├━━━━━━━━━━━━━━━━━━",
        "▸● Engine 1   100/1       5 RED   Oil Press…   ▐███████████████",
        " ●◆Engine 1   110/3       2 RED   Coolant T… ████▌  ▐██████████",
        " ◌ Transmiss… 110/3       1 -     Coolant T…  ▞ fell silent",
        "",
        "Engine Oil Pressure: data valid but below normal operational range - most severe",
        "level",
    ]


def test_the_band_with_the_cursor() -> None:
    """The cursor has its time, crosses every lane, and says that the band is held."""
    job = job_with_history()
    view = LaneView()
    view.set_cursor(4, view.window(ns(19.5), ns(1), 36), ns(1), ns(19.5))
    rows = [row.text.rstrip() for row in table(job, lanes_of(job.history), view, ns(19.5), 80, 9)]
    assert rows[0] == "FAULTS 2 active, 1 earlier  HELD, Esc: live again"
    assert rows[1:6] == [
        "   Sender     SPN/FMI    OC Lamp  Name          ▼22:13:25      ╷22:13:40",
        "   Key ─ on  ━ engine ran  █ 1 s            ├━━━━━━━━━━━━━━━━━━",
        "▸● Engine 1   100/1       5 RED   Oil Press…   ▐███████████████",
        " ●◆Engine 1   110/3       2 RED   Coolant T… ████▌  ▐██████████",
        " ◌ Transmiss… 110/3       1 -     Coolant T…  ▞ fell silent",
    ]


@pytest.mark.parametrize(("width", "height"), [(20, 4), (40, 10), (79, 8), (80, 24), (160, 48), (300, 100)])
def test_every_size_is_filled_exactly(width: int, height: int) -> None:
    """Small or large, the rows fit the screen."""
    job = job_of(pump_job(), 30)
    view = LaneView()
    rows = table(job, lanes_of(job.history), view, ns(30), width, height)
    assert len(rows) == height
    assert {cell_len(row.text) for row in rows} == {width}
    assert 0 < label_width(width) <= width


def test_hundreds_of_lanes_draw_the_visible_ones() -> None:
    """A lane far down is scrolled to, and the title says where one is."""
    codes = [(spn | 3 << 16 | 1 << 24).to_bytes(4, "little").hex() for spn in range(1000, 1400)]
    job = job_of(dm1(1, AMBER, *codes), 3)
    lanes = lanes_of(job.history)
    assert len(lanes) == 400
    view = LaneView()
    view.pick(lanes, 250)
    rows = table(job, lanes, view, ns(30), 80, 13)
    assert len(rows) == 13
    picked = [row.text for row in rows if row.text.startswith("▸")]
    assert len(picked) == 1
    assert f" {lanes[250].key.spn}/3 " in picked[0]
    assert "showing 244 to 251 of 400" in rows[0].text


@pytest.mark.parametrize("height", range(4, 9))
def test_a_low_band_keeps_a_lane_and_its_words(height: int) -> None:
    """The axis goes first, then all but the title; the title says in few words where one is."""
    codes = [(spn | 3 << 16 | 1 << 24).to_bytes(4, "little").hex() for spn in range(1000, 1300)]
    job = job_of(dm1(1, AMBER, *codes), 3)
    rows = [row.text.rstrip() for row in table(job, lanes_of(job.history), LaneView(), ns(30), 40, height)]
    assert any(row.startswith("▸● Engine 1   1000/3") for row in rows)
    assert rows[0] == f"FAULTS 300 active, 0 earlier, 1-{max(height - 5, 1)} of 300"
    assert rows[-2:] == [row.rstrip() for row in rows[-2:] if row]


def test_a_choice_of_lanes_before_any_fault_came() -> None:
    """No `0 of no faults`."""
    view = LaneView()
    view.choice = view.choice.next_state()
    title = table(job_of(dm1(1, NO_LAMPS), 2), [], view, ns(2), 80, 9)[0].text
    assert title.startswith("FAULTS none so far, shown: active")


def test_no_fault_and_no_report_are_different() -> None:
    """Without a DM1 nobody knows that there is no fault."""
    quiet, deaf = job_of(dm1(1, NO_LAMPS), 2), job_of([rpm(1, 800)], 2)
    shown = ["\n".join(row.text for row in table(job, [], LaneView(), ns(2), 80, 9)) for job in (quiet, deaf)]
    assert "No fault has been reported so far." in shown[0]
    assert "No fault report (DM1) heard yet" in shown[1]


def test_several_channels_stand_in_the_label() -> None:
    """With two buses a lane names its own."""
    job = job_of([*dm1(1, AMBER, COOLANT_HIGH), *dm1(1, AMBER, COOLANT_HIGH, channel="can1")], 2)
    lanes = lanes_of(job.history)
    text = "\n".join(row.text for row in table(job, lanes, LaneView(), ns(2), 100, 9))
    assert "can0" in text
    assert "can1" in text
