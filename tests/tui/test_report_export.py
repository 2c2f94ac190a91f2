"""The report page from within the dashboard: the same page as the command's, as far as the same was heard."""

from dataclasses import replace
from pathlib import Path

import pytest
from textual.widgets import Input

from faultlamp.capture import Capture
from faultlamp.capture.fingerprint import fingerprint
from faultlamp.cli.main import main
from faultlamp.report.page import page
from faultlamp.report.paper import Paper, SourceFile
from faultlamp.tui.app import DashboardApp
from faultlamp.tui.board import Board
from faultlamp.tui.dashboard import Dashboard
from faultlamp.tui.export.page import SavePage
from faultlamp.tui.export.report import paper_of
from faultlamp.tui.export.stock import WholeRecording
from faultlamp.tui.replay.player import Player
from faultlamp.tui.replay.recording import Recording
from support.papers import paper, parsed, write_log
from support.wire import ns
from tui.scene import LAYOUTS, HandClock, StillFeed, pump_job
from tui.test_pages import stands, until
from tui.test_saving import REPORT

SIZE = (80, 24)


@pytest.fixture(autouse=True)
def work(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Names without a folder are in a folder of the test's own."""
    monkeypatch.chdir(tmp_path)
    return tmp_path


def replayed(name: str) -> Board:
    """The dashboard of a replay."""
    recording = Recording(Capture([name]).blocks())
    player = Player(recording, HandClock(), name)
    return Board(player, LAYOUTS, {}, stock=WholeRecording(recording, [name]))


def files_of(name: str) -> list[SourceFile]:
    """The recording with its fingerprint."""
    one = fingerprint(name)
    return [SourceFile(one.name, one.size_bytes, one.sha256)]


@pytest.mark.parametrize("name", ["demo:quick-look", "demo:pump-set", "demo:kernel-j1939", "step.log"])
def test_a_replay_at_its_end_gives_the_page_of_the_command(name: str, work: Path) -> None:
    """To the byte, also where the clock steps back."""
    write_log(work / "step.log", [*pump_job(30), *(replace(one, time_ns=one.time_ns - 10**11) for one in pump_job(9))])
    board = replayed(name)
    assert isinstance(board.feed, Player)
    board.feed.end()
    board.tick()
    while board.feed.behind:
        board.tick()
    assert main(["report", name, "-o", "page.html"]) == 0
    assert page(paper_of(board, files_of(name))) == (work / "page.html").read_text()


def test_half_way_it_says_so() -> None:
    """What was not played yet is not on it."""
    board = replayed("demo:quick-look")
    assert isinstance(board.feed, Player)
    board.feed.seek(board.feed.recording.length_ns // 2)
    board.tick()
    made = paper_of(board, [])
    assert made.verdict.unknown[0] == "This is what was played so far; the recording goes on."
    assert next(fact.text for fact in made.provenance if fact.name == "Frames") != "4,841"


def without_origin(made: Paper) -> Paper:
    """What does not depend on where the frames came from."""
    verdict = replace(made.verdict, unknown=made.verdict.unknown[1:])
    return replace(made, title="", files=(), provenance=(), verdict=verdict)


def test_a_live_bus_gives_the_same_but_for_its_origin() -> None:
    """Verdict, lamps, faults, causes, readings: those of the same frames read at once and judged at the same moment."""
    board = Board(StillFeed(pump_job(30), 30), LAYOUTS, {})
    board.tick()
    live = paper_of(board, [])
    assert live.verdict.unknown[0] == "The bus was still being listened to when this page was made."
    batch = paper(pump_job(30), until_ns=ns(30), so_far="x")
    assert without_origin(live) == without_origin(batch)


async def test_it_is_saved_from_the_page(work: Path) -> None:
    """Under a name that is offered; marks with notes are on it; a name that is taken is refused."""
    app = DashboardApp(Board(StillFeed(pump_job(30), 30), LAYOUTS, {}))
    async with app.run_test(size=SIZE) as pilot:
        await stands(app, Dashboard)
        app.board.notes.add(ns(12), "loose <plug>", ns(0))
        await pilot.press("k", *["down"] * REPORT, "enter")
        await until(lambda: isinstance(app.screen, SavePage))
        name = app.screen.query_one("#save-name", Input)
        assert name.value.startswith("faultlamp-report-")
        assert name.value.endswith(".html")
        name.value = "page.html"
        await pilot.press("enter")
        saving = app.screen
        assert isinstance(saving, SavePage)
        await until(lambda: "Report page saved" in saving.said)
        text = (work / "page.html").read_text()
        parsed(text)
        assert "loose &lt;plug&gt;" in text
        await pilot.press("enter")
        name.value = "page.html"
        await pilot.press("enter")
        await until(lambda: "is there already" in saving.said)
        assert (work / "page.html").read_text() == text


async def test_without_a_frame_there_is_nothing_to_report(work: Path) -> None:
    """It is said, and no name is asked for."""
    app = DashboardApp(Board(StillFeed([], None), LAYOUTS, {}))
    async with app.run_test(size=SIZE) as pilot:
        await until(lambda: isinstance(app.screen, Dashboard))
        await pilot.press("k", *["down"] * REPORT, "enter")
        await until(lambda: isinstance(app.screen, SavePage))
        saving = app.screen
        assert isinstance(saving, SavePage)
        assert "nothing to report" in saving.said
    assert list(work.iterdir()) == []
