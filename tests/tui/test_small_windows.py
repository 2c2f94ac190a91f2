"""Windows of 80 by 24 and less, three controllers that differ: lamps whole, six lanes, nothing over the status line."""

import pytest

from faultlamp.frames import Frame
from faultlamp.tui.app import DashboardApp
from faultlamp.tui.board import Board
from faultlamp.tui.canvas import Canvas
from faultlamp.tui.dashboard import Dashboard
from faultlamp.tui.lanes.table import label_width
from faultlamp.tui.readings.tiles import layout
from tui.scene import LAYOUTS, NO_LAMPS, StillFeed, dm1, second

# Lamp bits 01 (on) of red stop and amber, amber, protect; flash bits 11 (steady). SPN 110/3, 100/4, 175/3, 3513/4 of
# the engine, 177/0 and 191/2 of transmission 1, 792/5 and 1231/9 of the brakes: SAE J1939-73, section 5.7.1.
RED, AMBER, PROTECT = "14FF", "04FF", "01FF"
ENGINE = ("6E000301", "64000401", "AF000301", "B90D0401")
TRANSMISSION = ("B1000001", "BF000201")
BRAKES = ("18030501", "CF040901")


def crowd(faults_from: int = 8) -> list[Frame]:
    """Half a minute, an exhaust controller without a fault among them."""
    frames: list[Frame] = []
    for at in range(30):
        come = at >= faults_from
        frames += second(at, lamps=AMBER if come else NO_LAMPS, codes=ENGINE if come else ())
        frames += dm1(at + 0.4, RED if come else NO_LAMPS, *TRANSMISSION * come, source="03")
        frames += dm1(at + 0.5, PROTECT if come else NO_LAMPS, *BRAKES * come, source="0B")
        frames += dm1(at + 0.6, NO_LAMPS, source="3D")
    return frames


def bands(width: int, height: int) -> tuple[list[str], list[str], list[str]]:
    """Head, readings and lanes as the dashboard puts them into a window."""
    board = Board(StillFeed(crowd(), 30), LAYOUTS, {})
    board.tick()
    head, readings = board.head(width, height), board.readings_band(width, height)
    lanes = board.lanes_band(width, height - len(head) - len(readings) - 2)
    return [row.text for row in head], [row.text for row in readings], [row.text for row in lanes]


def test_at_80_by_24_six_lanes_and_all_lamps() -> None:
    """The words about a common cause, six lanes, all four lamps, all six readings."""
    head, readings, lanes = bands(80, 24)
    assert [row.strip() for row in head[-2:]] == [
        "■ RED STOP on: transmission 1  ■ AMBER on: engine 1, transmission 1",
        "■ PROTECT on: brakes, system controller  □ MALFUNCTION off",
    ]
    assert sum(row[1:2] == "●" for row in lanes) >= 6
    assert any("test the supply first" in row for row in lanes)
    for number in ("1500 rpm", "85 degC", "27.6 V", "2250 h", "55 %", "400 kPa"):
        assert any(number in row for row in readings)


@pytest.mark.parametrize("size", [(40, 20), (60, 20), (80, 24), (100, 30), (160, 48)], ids=str)
def test_no_lamp_is_left_out_and_none_is_cut(size: tuple[int, int]) -> None:
    """Shape, word and state of each, above; the lane's lamp below."""
    head, _, lanes = bands(*size)
    text = " ".join(" ".join(head).split())
    for lamp in ("■ RED STOP on", "■ AMBER on", "■ PROTECT on", "□ MALFUNCTION off"):
        assert lamp in text
    assert "more rows of lamps" not in text
    assert any(" AMBER" in row[: label_width(size[0])] for row in lanes if row[1:2] == "●")


def test_in_40_by_15_cells_a_lane_is_left() -> None:
    """Sentence, lamps, two readings, a lane, its words: no band eats another one."""
    head, readings, lanes = bands(40, 15)
    assert "red stop lamp" in " ".join(" ".join(head).split())
    assert "RED STOP" in " ".join(head[-2:])
    assert any("1500 rpm" in row for row in readings)
    assert "4 more" in readings[0]
    assert "…" not in readings[0]
    assert any(row.startswith("▸●") for row in lanes)


def test_readings_give_way_to_lanes_but_none_is_dropped() -> None:
    """Large figures as long as all lanes have room; then, from 24 rows on, as many readings as before in fewer rows."""
    for height in range(24, 60):
        for count in range(1, 13):
            before, crowded = layout(count, 79, height), layout(count, 79, height, crowded=True)
            assert crowded.rows <= before.rows
            assert crowded.columns * len(crowded.heights) >= min(count, before.columns * len(before.heights))


@pytest.mark.parametrize("size", [(40, 20), (60, 20), (80, 24), (160, 48)], ids=str)
async def test_what_is_told_for_a_moment_leaves_the_status_line_alone(size: tuple[int, int]) -> None:
    """A notification, also while something is typed, stands above adapter and recording."""
    app = DashboardApp(Board(StillFeed(crowd(), 30), LAYOUTS, {}))
    async with app.run_test(size=size, notifications=True) as pilot:
        while not (isinstance(app.screen, Dashboard) and app.screen.query("KeyLine")):
            await pilot.pause(0.01)
        for keys in ((), ("slash",)):
            await pilot.press(*keys)
            app.notify("Something that takes more than one row where the window is narrow, as some of them do.")
            app.tick()
            while not app.screen.query("Toast"):
                await pilot.pause(0.01)
            app.tick()
            await pilot.pause(0.1)
            status = app.screen.query_one("#status", Canvas)
            assert "nothing lost" in status.lines[0].text
            for toast in app.screen.query("Toast"):
                assert toast.region.height
                assert toast.region.bottom <= status.region.y


async def test_what_is_told_for_a_moment_takes_one_row_of_a_page() -> None:
    """Above the row of keys."""
    app = DashboardApp(Board(StillFeed(crowd(), 30), LAYOUTS, {}))
    async with app.run_test(size=(80, 24), notifications=True) as pilot:
        while not (isinstance(app.screen, Dashboard) and app.screen.query("KeyLine")):
            await pilot.pause(0.01)
        app.tick()
        await pilot.press("x", "r")
        while not app.screen.query("Toast"):
            await pilot.pause(0.01)
        await pilot.pause(0.1)
        assert [toast.region.height for toast in app.screen.query("Toast")] == [1]
        assert all(toast.region.bottom < 24 for toast in app.screen.query("Toast"))
