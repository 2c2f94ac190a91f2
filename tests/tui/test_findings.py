"""Faults with one likely cause, on the lanes and on the page of checks. No fault is ever hidden by it.

Codes and layouts as in `scene`; FMI 3 to 6 are electrical (SAE J1939-73, appendix A, from memory). What is grouped is
common practice without a source (docs/findings.md); that grouping itself is right is tested in tests/findings.
"""

from collections.abc import Callable, Iterable, Sequence
from typing import Any

import pytest
from textual.pilot import Pilot

import faultlamp.tui.findings.causes as causes_module
from faultlamp.findings.check import Check, Verdict
from faultlamp.frames import Frame, FrameBlock
from faultlamp.knowledge.spn_table import SpnNames
from faultlamp.tui.app import DashboardApp
from faultlamp.tui.board import Board
from faultlamp.tui.canvas import Canvas
from faultlamp.tui.detail.screen import DetailPage
from faultlamp.tui.detail.tables import UserTables
from faultlamp.tui.feed import FeedStatus
from faultlamp.tui.findings.page import ChecksPage, checks_lines
from faultlamp.tui.lanes.table import ROWS_ABOVE
from faultlamp.tui.paint import Line
from support.wire import ns
from tui.scene import AMBER, COOLANT_HIGH, LAYOUTS, NO_LAMPS, OIL_LOW, HandClock, StillFeed, dm1, rpm, second

OIL_HIGH = "64000301"  # SPN 100 FMI 3
INTAKE_HIGH = "69000301"  # SPN 105 FMI 3
THREE = (COOLANT_HIGH, OIL_HIGH, INTAKE_HIGH)


def report(seconds: int, codes_at: Callable[[int], Sequence[str]]) -> list[Frame]:
    """One DM1 a second of engine 1, who talks otherwise too."""
    frames: list[Frame] = []
    for at in range(seconds):
        codes = codes_at(at)
        frames += [rpm(at + 0.2, 800), *dm1(at + 0.3, AMBER if codes else NO_LAMPS, *codes)]
    return frames


def together(seconds: int = 30) -> list[Frame]:
    """Three sensors read too high from 10 s and 11 s on: invented, a shared return wire that came off."""
    return report(seconds, lambda at: THREE if at >= 11 else (COOLANT_HIGH,) if at >= 10 else ())


def board_of(frames: Iterable[Frame], now_s: float, clock: HandClock | None = None) -> tuple[Board, StillFeed]:
    """A board that has looked once."""
    feed = StillFeed(frames, now_s)
    board = Board(feed, LAYOUTS, {}, clock=clock or HandClock())
    board.tick()
    return board, feed


def text_of(lines: Iterable[Line]) -> str:
    """Plain rows."""
    return "\n".join(row.text.rstrip() for row in lines)


def lane_rows(board: Board, width: int = 80, height: int = 12) -> list[str]:
    """The band's rows that stand for a fault."""
    return [row for row in text_of(board.lanes_band(width, height)).splitlines() if "/3 " in row or "/1 " in row]


def test_one_row_above_the_lanes_says_where_to_look_first() -> None:
    """The group in words over its lanes, each of which carries its shape; all three stay lanes."""
    board, _ = board_of(together(), 30)
    text = text_of(board.lanes_band(80, 12))
    assert "   ┏ These 3 began within 1.1 s: look for one connector, ground or supply first" in text.splitlines()
    rows = lane_rows(board)
    assert [row[3] for row in rows] == ["┣"] * 3
    assert {code for row in rows for code in row.split() if "/" in code} == {"110/3", "100/3", "105/3"}
    assert board.rows_above == ROWS_ABOVE + 1


@pytest.mark.parametrize(
    "codes_at",
    [
        lambda at: (COOLANT_HIGH, OIL_LOW) if at >= 10 else (),
        lambda at: (COOLANT_HIGH,) * (at >= 5) + (OIL_HIGH,) * (at >= 20),
        lambda at: (COOLANT_HIGH,),
    ],
    ids=["electrical and mechanical", "fifteen seconds apart", "only one"],
)
def test_faults_that_do_not_belong_together_are_not_marked(codes_at: Callable[[int], Sequence[str]]) -> None:
    """No row, no shape, no column for it."""
    board, _ = board_of(report(30, codes_at), 30)
    assert "┏" not in text_of(board.lanes_band(80, 12))
    assert board.rows_above == ROWS_ABOVE
    assert all(row[3:9] == "Engine" for row in lane_rows(board))


def test_a_fault_outside_the_group_has_no_shape() -> None:
    """It can be told from those inside."""
    board, _ = board_of(report(40, lambda at: THREE * (at >= 10) + (OIL_LOW,) * (at >= 25)), 40)
    marks = {row.split("/")[0].split()[-1] + "/" + row.split("/")[1][0]: row[3] for row in lane_rows(board)}
    assert marks == {"110/3": "┣", "100/3": "┣", "105/3": "┣", "100/1": " "}


def test_a_second_group_has_another_shape_and_is_counted() -> None:
    """Two controllers, each with a group of its own."""
    other = [frame for at in range(30) for frame in dm1(
        at + 0.6, AMBER if at >= 20 else NO_LAMPS, *(("AE000301", "AC000301") if at >= 20 else ()), source="03")]
    board, _ = board_of(together() + other, 30)
    text = text_of(board.lanes_band(100, 14))
    assert "(╎ 1 more: c)" in text
    shapes = {row[3] for row in lane_rows(board, 100, 14)}
    assert shapes == {"┣", "╎"}


@pytest.mark.parametrize("height", [6, 7, 8, 9, 12, 30])
def test_the_lanes_keep_their_room_in_small_windows(height: int) -> None:
    """Exactly as many rows as there are, at least three of them lanes or as many as without a group."""
    board, _ = board_of(together(), 30)
    band = board.lanes_band(80, height)
    assert len(band) == height
    without = height - ROWS_ABOVE - 2
    assert len(lane_rows(board, 80, height)) == min(3, max(without, 1))


def test_key_off_leaves_the_hint_as_the_last_word() -> None:
    """The controller fell silent with its faults: whoever turned the key off to look still reads where."""
    board, _ = board_of(together(), 45)
    text = text_of(board.lanes_band(100, 12))
    assert "┏ As last reported: these 3 began within 1.1 s" in text
    assert [row[1] + row[3] for row in lane_rows(board, 100)] == ["◌┣"] * 3


def test_a_cleared_group_leaves_the_lanes() -> None:
    """None of it stands any more: no row."""
    board, _ = board_of(report(40, lambda at: THREE if 10 <= at < 20 else ()), 40)
    assert board.causes.found.findings
    assert "┏" not in text_of(board.lanes_band(80, 12))


def test_it_is_looked_for_once_a_second_at_most(monkeypatch: pytest.MonkeyPatch) -> None:
    """Changes in every tick lead to one search a second; without changes there is one in ten seconds."""
    asked: list[int] = []
    real = causes_module.shared_causes

    def counted(*args: Any, **words: Any) -> Any:
        asked.append(args[1])
        return real(*args, **words)

    monkeypatch.setattr(causes_module, "shared_causes", counted)
    clock = HandClock()
    board, feed = board_of(together(12), 12, clock)
    assert len(asked) == 1
    for step in range(1, 17):
        clock.pass_s(0.125)
        feed.pending = [FrameBlock.from_frames(dm1(12 + step / 8, AMBER, *THREE[: 1 + step % 3]))]
        feed.now_s = 12 + step / 8 + 0.2
        board.tick()
    assert len(asked) == 3
    for _ in range(8 * 19):
        clock.pass_s(0.125)
        board.tick()
    assert 4 <= len(asked) <= 5


# The page of checks.
async def until_page(pilot: Pilot[Any], kind: type[Any]) -> str:
    """The page stands; its plain text."""
    for _ in range(500):
        await pilot.pause(0.01)
        if isinstance(pilot.app.screen, kind) and pilot.app.screen.query("KeyLine"):
            break
    pilot.app.tick()  # type: ignore[attr-defined]
    await pilot.pause()
    return "\n".join(row.text.rstrip() for row in pilot.app.screen.query_one("#page", Canvas).lines)


def cold_start(seconds: int = 8) -> list[Frame]:
    """Key on and engine stopped, with one temperature far from the others: invented."""
    frames: list[Frame] = []
    for at in range(seconds):
        # ET1: coolant byte 1, fuel byte 2 in 1 degC - 40; oil bytes 3-4 in 0.03125 degC - 273 (SAE J1939-71, from
        # memory; the public library Laixer J1939 has them too): 50, 15 and 22 degC.
        frames += second(at, speed_rpm=0, coolant_raw=90)
    return [frame for frame in frames if frame.can_id & 0xFFFF00 != 0xFEEE00] + [
        Frame(ns(at + 0.02), "can0", 0x18FEEE00, bytes.fromhex("5A37E024FFFFFFFF")) for at in range(seconds)
    ]


async def test_c_opens_the_checks_with_what_they_compared() -> None:
    """Findings with evidence, faults and first test; checks with values, threshold, verdict in word and shape."""
    app = DashboardApp(Board(StillFeed(together() + cold_start(), 30), LAYOUTS, {}))
    async with app.run_test(size=(100, 40)) as pilot:
        await pilot.pause()
        await pilot.press("c")
        text = await until_page(pilot, ChecksPage)
        flat = " ".join(text.split())
        for fact in (
            "┏ These 3 began within 1.1 s: look for one connector, ground or supply first.",
            "SPN 110 FMI 3 Engine Coolant Temperature 1, engine 1, began 22:13:30.300",
            "Evidence: all active now", "the maker's manual decides", "Every fault stays in the list",
            "DO THE READINGS AGREE?", "? no verdict:", "Asked would be: ",
        ):
            assert fact in flat
        assert flat.index("! Key off") < flat.index("1. Look at what these sensors have in common")
        await pilot.press("escape")
        await pilot.pause()
        assert not isinstance(app.screen, ChecksPage)


async def test_checks_follow_and_say_what_was_compared() -> None:
    """Key on, engine stopped: the coolant that disagrees is doubtful, with values and what to do."""
    app = DashboardApp(Board(StillFeed(cold_start(), 8), LAYOUTS, {}))
    async with app.run_test(size=(100, 40)) as pilot:
        await pilot.press("c")
        flat = " ".join((await until_page(pilot, ChecksPage)).split())
        assert "None found: no faults began together that point the same way." in flat
        assert (
            "≠ DOUBTFUL: Coolant temperature (SPN 110) Compared: 50 degC; middle of the 2 others 18.5 degC, "
            "at 22:13:27. Asked: within 6 degC of the others. 31.5 degC apart. Measure with a thermometer"
        ) in flat
        assert "? no verdict: Ambient temperature (SPN 171) Not heard on this bus at that time." in flat
        assert flat.count("Assumed: cold: not run since the listening began") == 1
        assert "= agrees: Engine speed, engine stopped (SPN 190) Compared: 0 rpm, at 22:13:27. Asked: 0 rpm." in flat


async def test_with_nothing_heard_the_page_says_so() -> None:
    """An empty page is a sentence."""
    status = FeedStatus(live=True, source="can0", mode="listening", short_mode="listening", waiting="Nothing.")
    app = DashboardApp(Board(StillFeed([], None, status), LAYOUTS, {}))
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("c")
        text = await until_page(pilot, ChecksPage)
        assert "Cannot be judged: the engine's address has sent nothing so far." in text


async def test_the_page_of_a_fault_starts_with_its_group() -> None:
    """At 80 by 24 the first screenful names the fault, the group, the caution and what to do first."""
    app = DashboardApp(Board(StillFeed(together(), 30), LAYOUTS, {}))
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        await pilot.press("enter")
        rows = (await until_page(pilot, DetailPage)).splitlines()
        first = " ".join(" ".join(rows[:22]).split())
        assert "SPN 110 FMI 3 Engine Coolant Temperature 1" in first
        assert "┏ These 3 began within 1.1 s" in first
        assert "with 100/3, 105/3" in first
        assert first.index("! Key off") < first.index("1. Look at what these sensors have in common")
        assert "USUAL CAUSES" in first


@pytest.mark.parametrize(
    ("doubtful", "agree", "unjudged", "words"),
    [
        pytest.param(0, 14, 1, "None doubtful, 14 agree, 1 without a verdict.", id="many agree"),
        pytest.param(1, 1, 0, "1 doubtful, 1 agrees.", id="one each"),
        pytest.param(2, 0, 3, "2 doubtful, none agree, 3 without a verdict.", id="none agree"),
    ],
)
def test_the_checks_are_counted_in_a_sentence(doubtful: int, agree: int, unjudged: int, words: str) -> None:
    """One agrees, several agree; what is not there is not counted out."""
    verdicts = [Verdict.DOUBTFUL] * doubtful + [Verdict.OK] * agree + [Verdict.NOT_JUDGED] * unjudged
    checks = [Check("coolant temperature", 110, "can0", verdict, "", "", "why") for verdict in verdicts]
    rows = [row.text.strip() for row in checks_lines(checks, 0, 78, several=False)]
    assert words in rows


def test_own_names_stand_in_the_sentences() -> None:
    """Above the lanes and on the page of checks: the user's name of a sensor supply, the shipped one nowhere."""
    supply = ("B50D0401", "64000401", "69000401")  # SPN 3509, 100, 105 FMI 4
    feed = StillFeed(report(30, lambda at: supply if at >= 11 else ()), 30)
    board = Board(feed, LAYOUTS, {}, clock=HandClock(), tables=UserTables(SpnNames({3509: "Five Volts for Sensors"})))
    board.tick()
    assert any("Five Volts for Sensors is one of them" in row.text for row in board.lanes_band(120, 14))
    page = text_of(ChecksPage(board).page(100))
    assert "SPN 3509 FMI 4 Five Volts for Sensors" in page
    assert "Sensor Supply Voltage" not in page
