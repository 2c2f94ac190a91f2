"""Keys of the lanes beyond picking: choose what is shown, find one, jump between changes, both ends of the zoom."""

import time

import pytest

from faultlamp.frames import Frame
from faultlamp.tui.app import DashboardApp
from faultlamp.tui.board import Board
from faultlamp.tui.canvas import Canvas
from faultlamp.tui.lanes.choice import LaneChoice, chosen
from faultlamp.tui.lanes.find import found_after
from faultlamp.tui.lanes.lane import lanes_of
from faultlamp.tui.lanes.moments import change_after, change_before
from faultlamp.tui.lanes.view import LaneView
from faultlamp.tui.lanes.window import STEPS_NS, step_words
from support.wire import ns
from tui.scene import AMBER, COOLANT_HIGH, LAYOUTS, NO_LAMPS, OIL_LOW, StillFeed, dm1, job_of, pump_job

S = 1_000_000_000
SIZE = (80, 24)


def bus() -> list[Frame]:
    """Engine: 110/3 from 2 to 6 s, 100/1 from 4 s on. Transmission (address 3): 110/3 from 8 s on. Until 20 s."""
    frames: list[Frame] = []
    for at in range(21):
        frames += dm1(at, AMBER, *[COOLANT_HIGH] * (2 <= at < 6), *[OIL_LOW] * (at >= 4))
        frames += dm1(at + 0.3, AMBER, *[COOLANT_HIGH] * (at >= 8), source="03")
    return frames


def app_of(frames: list[Frame], now_s: float) -> DashboardApp:
    """The live dashboard."""
    return DashboardApp(Board(StillFeed(frames, now_s), LAYOUTS, {}))


def rows(app: DashboardApp) -> list[str]:
    """The lanes as they are drawn."""
    return [row.text.rstrip() for row in app.screen.query_one("#lanes", Canvas).lines]


def said(app: DashboardApp) -> str:
    """What was told in passing."""
    return "\n".join(notice.message for notice in app._notifications)


async def test_what_is_hidden_is_said() -> None:
    """e goes through the controllers, v through the states, both together; Esc shows all again."""
    app = app_of(bus(), 20.5)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.pause()
        app.tick()
        assert rows(app)[0].startswith("FAULTS 2 active, 1 earlier, following")
        await pilot.press("e")
        assert rows(app)[0].startswith("FAULTS 2 of 3 faults shown: engine 1, following")
        await pilot.press("v")
        assert rows(app)[0].startswith("FAULTS 1 of 3 faults shown: engine 1, active, following")
        assert "100/1" in rows(app)[3]
        await pilot.press("v")
        assert rows(app)[0].startswith("FAULTS 1 of 3 faults shown: engine 1, not active, following")
        assert "110/3" in rows(app)[3]
        await pilot.press("e")
        assert rows(app)[0].startswith("FAULTS 0 of 3 faults shown: transmission 1, not active")
        assert rows(app)[3] == "   None of the 3 faults is like that. Esc shows all of them again."
        await pilot.press("enter", "up", "down", "n", "p")
        await pilot.press("e")
        assert rows(app)[0].startswith("FAULTS 1 of 3 faults shown: not active")
        await pilot.press("left", "escape")
        assert "shown: not active" in rows(app)[0]
        await pilot.press("escape")
        assert rows(app)[0].startswith("FAULTS 2 active, 1 earlier, following")


async def test_a_page_of_a_fault_stays_when_its_lane_is_hidden() -> None:
    """What is chosen decides what is listed, not what is known."""
    app = app_of(bus(), 20.5)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.pause()
        await pilot.press("e", "v", "enter")
        app.board.view.choice = LaneChoice(("can0", 3))
        app.tick()
        await pilot.pause()
        assert "SPN 100 FMI 1" in "\n".join(row.text for row in app.screen.query_one("#page", Canvas).lines)


async def test_a_lane_is_found_by_number_or_word() -> None:
    """/ asks; Enter again goes on; nothing found is said, also when it is only hidden; Esc puts the line away."""
    app = app_of(bus(), 20.5)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.pause()
        await pilot.press("slash", *"coolant", "enter")
        assert app.board.view.picked == ("can0", 3, 110, 3)
        await pilot.press("enter")
        assert app.board.view.picked == ("can0", 0, 110, 3)
        await pilot.press(*["backspace"] * 7, *"100", "enter")
        assert app.board.view.picked == ("can0", 0, 100, 1)
        await pilot.press("slash", *"9", "enter")
        assert "No fault has this SPN" in said(app)
        await pilot.press("escape", "e", "e", "slash", *"100", "enter")
        assert "Only among the faults that are not shown" in said(app)
        await pilot.press("escape")
        assert not app.screen.query_one("#find").display
        await pilot.press("v")
        assert app.board.view.choice.state == "active"


@pytest.mark.parametrize(
    ("asked", "place"),
    [
        ("110", 1), ("110/3", 1), ("110/4", None), ("11", None), ("OIL press", 0), ("pressure", 0), ("", None),
        ("/", None),
    ],
)
def test_what_fits(asked: str, place: int | None) -> None:
    """A number is a whole SPN, two are SPN and FMI, all else is part of the name whatever its case."""
    lanes = lanes_of(job_of(bus(), 20.5).history)
    assert [lane.key[1:] for lane in lanes] == [(0, 100, 1), (3, 110, 3), (0, 110, 3)]
    assert found_after(lanes, 0, asked) == place
    assert found_after([], 0, asked) is None


def test_controllers_in_turn() -> None:
    """By channel and address, then all; one whose lanes have gone does not end the round."""
    lanes = lanes_of(job_of(bus(), 20.5).history)
    choice, seen = LaneChoice(), []
    for _ in range(3):
        choice = choice.next_sender(lanes)
        seen.append(choice.sender)
    assert seen == [("can0", 0), ("can0", 3), None]
    assert LaneChoice(("can0", 1)).next_sender(lanes).sender == ("can0", 3)
    assert len(chosen(lanes, LaneChoice(state="active"))) == 2
    assert LaneChoice(("can1", 3), "active").words(several_channels=True) == "transmission 1 on can1, active"


async def test_jumping_between_changes_live() -> None:
    """p to the latest change, then to each one before; n back; the lane that changed is picked, readings are held."""
    app = app_of(bus(), 20.5)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.pause()
        app.tick()
        await pilot.press("n")
        assert "No later change" in said(app)
        moments = []
        for _ in range(4):
            await pilot.press("p")
            assert app.board.view.cursor_ns is not None
            moments.append((app.board.view.cursor_ns - ns(0), app.board.view.picked))
        engine, transmission = ("can0", 0, 110, 3), ("can0", 3, 110, 3)
        # The list of two codes at 4 s takes two packets, the second at 4.1 s.
        assert [(round(at / S, 3), key) for at, key in moments] == [
            (8.3, transmission), (6.0, engine), (4.1, ("can0", 0, 100, 1)), (2.0, engine)
        ]
        assert "HELD, Esc: live again" in rows(app)[0]
        assert "NOT LIVE" in "\n".join(row.text for row in app.screen.query_one("#readings", Canvas).lines)
        await pilot.press("p")
        assert "No earlier change" in said(app)
        await pilot.press("n", "n")
        assert app.board.view.cursor_ns is not None
        assert round((app.board.view.cursor_ns - ns(0)) / S) == 6
        await pilot.press("escape", "e", "p")
        assert app.board.view.picked == engine


def test_changes_around_a_moment() -> None:
    """Beginnings and ends, strictly before and after; also where the clock stepped back."""
    lanes = lanes_of(job_of(bus(), 20.5).history)
    for in_order in (True, False):
        before, after = change_before(lanes, ns(6), in_order=in_order), change_after(lanes, ns(6), in_order=in_order)
        assert before is not None
        assert after is not None
        assert before[1].key[1:] == (0, 100, 1)
        assert after == (ns("8.3"), lanes[1])
        assert change_before(lanes, ns(2), in_order=in_order) is None
        assert change_after(lanes, ns(9), in_order=in_order) is None


async def test_both_ends_of_the_zoom() -> None:
    """In, to a tenth of a second a column, then it says so; out, to the whole job of two hours and no further; w there
    and back."""
    frames = [one for at in range(0, 7200, 2) for one in dm1(at, NO_LAMPS)]
    app = app_of(frames, 7200)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.pause()
        app.tick()
        await pilot.press(*["plus"] * 6)
        assert app.board.view.step_ns == STEPS_NS[0]
        assert "No further: the window holds 3 s." in said(app)
        assert "█ 100 ms" in rows(app)[2]
        await pilot.press(*["minus"] * 20)
        step_ns = app.board.view.step_ns
        assert step_ns == 300 * S
        assert "The whole job is shown" in said(app)
        assert app.board.window(80).column(ns(0)) == 0
        assert "█ 5 min" in rows(app)[2]
        await pilot.press("plus")
        assert app.board.view.step_ns < step_ns
        await pilot.press("w", "w")
        assert app.board.view.step_ns == step_ns
        await pilot.press("minus")
        assert app.board.view.step_ns == step_ns
        await pilot.press("plus", "w", "plus")
        assert app.board.view.step_ns < step_ns


def test_the_whole_job_stays_whole_while_it_grows() -> None:
    """Until another zoom is chosen."""
    view = LaneView()
    view.zoom_to_all(30 * S, 36)
    assert view.window(ns(30), ns(0), 36).step_ns == S
    window = view.window(ns(300), ns(0), 36)
    assert window.column(ns(0)) == 0
    assert window.column(ns(300)) < 36
    assert view.zoom(-1, window, ns(0), ns(300))
    assert view.window(ns(3000), ns(0), 36).step_ns == STEPS_NS[STEPS_NS.index(window.step_ns) - 1]


@pytest.mark.parametrize("step_ns", STEPS_NS)
def test_every_length_of_a_column_has_a_word(step_ns: int) -> None:
    """A whole number of its unit."""
    number, unit = step_words(step_ns).split()
    units = {"ms": S // 1000, "s": S, "min": 60 * S, "h": 3600 * S, "d": 86_400 * S}
    assert int(number) * units[unit] == step_ns


def test_hundreds_of_faults_are_redrawn_quickly() -> None:
    """445 codes of each of five controllers, with one chosen, drawn again and again: the cost is that of what is seen.

    The bound is wide, since other work may share the computer.
    """
    codes = [(spn | 3 << 16 | 1 << 24).to_bytes(4, "little").hex() for spn in range(1000, 1445)]
    frames = [one for source in ("00", "03", "0B", "17", "3D") for one in dm1(1, AMBER, *codes, source=source)]
    board = Board(StillFeed(frames, 40), LAYOUTS, {})
    board.tick()
    assert len(board.lanes) == 445 * 5
    for choice in (LaneChoice(), LaneChoice(("can0", 11), "not active")):
        board.view.choice = choice
        board.view.pick(board.shown_lanes, 400)
        board.lanes_band(160, 30)
        began_s = time.process_time()
        for _ in range(20):
            board.lanes_band(160, 30)
        assert (time.process_time() - began_s) / 20 < 0.05
    assert " of 2225 faults shown: brakes" in board.lanes_band(160, 30)[0].text


async def test_the_lanes_of_the_pump_set_follow() -> None:
    """Said in the title: following, or held."""
    app = app_of(pump_job(30), 30)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.pause()
        app.tick()
        assert ", following" in rows(app)[0]
        await pilot.press("left_square_bracket")
        assert "following" not in rows(app)[0]
        assert "HELD, Esc: live again" in rows(app)[0]
