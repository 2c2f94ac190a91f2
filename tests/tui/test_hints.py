"""Where there is nothing to show, the screen says why that may be and what to do next."""

import json
from pathlib import Path

import pytest
from rich.cells import cell_len

from faultlamp.doctor.checks import CAUTION, SILENT_BUS
from faultlamp.errors import DataFileError
from faultlamp.frames import Frame
from faultlamp.tui.app import DashboardApp
from faultlamp.tui.board import Board
from faultlamp.tui.hint_line import HintLine
from faultlamp.tui.hints import FIRST_TIME, empty_lines, silent_lines
from faultlamp.tui.preferences.document import Remembered, from_text, to_text
from faultlamp.tui.preferences.keeper import keeping
from support.wire import frame
from tui.scene import COOLANT_HIGH, LAYOUTS, NO_LAMPS, HandClock, StillFeed, dm1, job_of, pump_job, rpm
from tui.test_pages import stands, text_of, until

SIZE = (80, 24)


def joined(rows: list[str]) -> str:
    """One text."""
    return " ".join(" ".join(rows).split())


@pytest.mark.parametrize("width", [40, 80, 160])
@pytest.mark.parametrize("height", [11, 13, 36])
def test_the_checks_of_a_silent_bus_stand_in_order_and_fit(width: int, height: int) -> None:
    """Those of `doctor`, none left out where they fit, and the caution always last; exactly as wide as the screen."""
    rows = [row.text for row in silent_lines(width, height)]
    assert len(rows) <= height
    assert {cell_len(row) for row in rows} == {width}
    text = joined(rows)
    assert text.endswith(CAUTION)
    if width >= 80:
        places = [text.index(f"{number}. {check.what}") for number, check in enumerate(SILENT_BUS, 1)]
        assert places == sorted(places)
    if (width, height) == (160, 36):
        assert all(how in text for check in SILENT_BUS for how in check.how)


def test_they_appear_when_nothing_was_heard_for_three_seconds() -> None:
    """Not before, and not once a frame has come."""
    clock, feed = HandClock(), StillFeed([], None)
    board = Board(feed, LAYOUTS, {}, clock=clock)
    board.tick()
    clock.pass_s(2.9)
    assert joined([row.text for row in board.lanes_band(80, 12)]) == ""
    clock.pass_s(0.1)
    assert "NOTHING HEARD" in joined([row.text for row in board.lanes_band(80, 12)])
    heard = Board(StillFeed([rpm(0, 800)], 1), LAYOUTS, {}, clock=clock)
    heard.tick()
    clock.pass_s(10)
    assert "NOTHING HEARD" not in joined([row.text for row in heard.lanes_band(80, 12)])


@pytest.mark.parametrize(
    ("frames", "words"),
    [
        pytest.param(
            [frame(0, "123", "00", flags=0)], "Frames come, but none of J1939: only 11-bit identifiers", id="11 bits",
        ),
        pytest.param([rpm(0, 800)], "No fault report (DM1) heard yet. That is no proof", id="no DM1"),
        pytest.param(
            dm1(0, NO_LAMPS), "No fault reported by the one controller that sends DM1: Engine 1.", id="one, no fault"
        ),
        pytest.param(
            dm1(0, NO_LAMPS) + dm1(1, NO_LAMPS, source="03") + dm1(2, NO_LAMPS, source="3D"),
            "No fault reported by the 3 controllers that send DM1: Engine 1, Transmission 1,", id="three, no fault",
        ),
    ],
)
def test_without_faults_it_is_said_who_was_heard_and_what_to_do(frames: list[Frame], words: str) -> None:
    """Each ends in something to do, and nothing is claimed that was not heard."""
    for live, last in ((True, ("ask stored", "look for")), (False, ("n jumps", "engine's bus?", "socket"))):
        rows = [row.text for row in empty_lines(job_of(frames), 80, live=live)]
        assert words in joined(rows)
        assert len(rows) <= 6
        assert all(len(row) <= 80 for row in rows)
        assert any(word in rows[-1] for word in last)


@pytest.mark.parametrize("live", [True, False], ids=["live", "replay"])
@pytest.mark.parametrize(
    "frames", [[rpm(0, 800)], [frame(0, "123", "00", flags=0)], dm1(0, NO_LAMPS)], ids=["no DM1", "11 bits", "no fault"]
)
def test_where_there_is_little_room_what_to_do_goes_before_why(frames: list[Frame], live: bool) -> None:
    """At 80 columns all steps stand within five rows, whatever the state."""
    job = job_of(frames)
    full, short = ([row.text for row in empty_lines(job, 80, height, live=live)] for height in (0, 3))
    assert short[-1] == full[-1]
    assert len(short) <= len(full)
    assert len(short) <= 5


def test_an_empty_recording_leads_to_the_next_one() -> None:
    """There is nothing to jump to in it."""
    text = joined([row.text for row in empty_lines(job_of([]), 80, live=False)])
    assert "Nothing was recorded" in text
    assert "faultlamp doctor" in text
    assert "n jumps" not in text


def test_readings_of_which_none_was_heard_lead_to_the_others() -> None:
    """Only where something is heard at all."""
    for frames, said in ((dm1(0, NO_LAMPS), True), ([rpm(0, 800)], False), ([], False)):
        board = Board(StillFeed(frames, 1), LAYOUTS, {})
        board.tick()
        heading = board.readings_band(80, 24)[0].text
        assert ("none of these heard; r shows what the bus carries" in heading) is said


async def test_the_first_time_has_a_line_that_the_second_time_has_not(tmp_path: Path) -> None:
    """Remembered for the person; opening a page puts it away, and it never hides a row of the lanes."""
    for first in (True, False):
        with keeping(tmp_path) as keeper:
            app = DashboardApp(Board(StillFeed(pump_job(30), 30), LAYOUTS, {}), keeper=keeper)
            async with app.run_test(size=SIZE) as pilot:
                await stands(app, type(app.dashboard()))
                await pilot.pause()
                hint = app.screen.query_one(HintLine)
                assert hint.display is first
                if first:
                    assert FIRST_TIME in text_of(app)
                    app.tick()
                    await pilot.pause()
                    lanes = app.screen.query_one("#lanes")
                    assert len(lanes.lines) == lanes.size.height  # type: ignore[attr-defined]
                    await pilot.press("question_mark", "escape")
                    await until(lambda hint=hint: not hint.display)  # type: ignore[misc]
    assert json.loads((tmp_path / "dashboard.json").read_text())["greeted"] is True


async def test_where_nothing_is_remembered_nobody_is_greeted() -> None:
    """A dashboard without a folder of settings shows its bands only."""
    app = DashboardApp(Board(StillFeed(dm1(0, NO_LAMPS, COOLANT_HIGH), 1), LAYOUTS, {}))
    async with app.run_test(size=SIZE):
        await stands(app, type(app.dashboard()))
        assert not app.screen.query_one(HintLine).display


def test_who_was_greeted_is_written_and_read() -> None:
    """A choice made later keeps it; anything but true and false is refused."""
    assert from_text(to_text(Remembered(greeted=True))).greeted
    assert not from_text(to_text(Remembered())).greeted
    with pytest.raises(DataFileError, match="greeted: 3 stands there; allowed: true or false"):
        from_text('{"schema": 1, "greeted": 3}')
