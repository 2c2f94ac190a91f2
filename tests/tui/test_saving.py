"""Marking moments, saving, copying: nothing is overwritten, nothing is lost, and every failure is one line."""

import errno
import os
from collections.abc import Iterable
from pathlib import Path

import pytest
from textual.widgets import Input

from faultlamp.bus.recorder import Recorder
from faultlamp.capture import format_candump_line
from faultlamp.cli.main import main
from faultlamp.errors import CaptureError
from faultlamp.frames import Frame, FrameBlock
from faultlamp.tui.app import DashboardApp
from faultlamp.tui.board import Board
from faultlamp.tui.canvas import Canvas
from faultlamp.tui.dashboard import Dashboard
from faultlamp.tui.export.faults import fault_line, faults_as_csv
from faultlamp.tui.export.new_file import dated_name, write_new
from faultlamp.tui.export.page import SavePage
from faultlamp.tui.export.stock import RecentFrames
from faultlamp.tui.job import Job
from faultlamp.tui.key_line import KeyLine
from faultlamp.tui.lanes.lane import lanes_of
from faultlamp.tui.marks.notes import LONGEST_NOTE, MOST_MARKS, Mark, Notes, columns_of
from faultlamp.tui.marks.page import MarksPage
from faultlamp.tui.replay.player import Player
from faultlamp.tui.replay.recording import Recording
from faultlamp.tui.replay.run import ReplayApp
from support.wire import ns
from tui.scene import COOLANT_HIGH, LAYOUTS, RED_AND_AMBER, HandClock, StillFeed, block, dm1, job_of, pump_job
from tui.test_pages import stands, text_of, until

SIZE = (80, 24)
FRAMES, CSV, JSON, REPORT, NOTES, COPY = 0, 4, 5, 6, 7, 8
"""Rows of the page to save from; the stretches of time are the first four."""


@pytest.fixture(autouse=True)
def work(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Names without a folder are in a folder of the test's own."""
    monkeypatch.chdir(tmp_path)
    return tmp_path


def watching(frames: Iterable[Frame] | None = None, recorder: Recorder | None = None) -> DashboardApp:
    """The live dashboard over the invented pump set after 30 s."""
    feed = StillFeed(pump_job(30) if frames is None else frames, 30)
    return DashboardApp(Board(feed, LAYOUTS, {}, stock=RecentFrames(recorder)))


def typed(app: DashboardApp, name: str) -> Input:
    """A line to type in."""
    return app.screen.query_one(f"#{name}", Input)


def told(app: DashboardApp) -> list[str]:
    """What the dashboard has said beside its bands."""
    return [notice.message for notice in app._notifications]


async def test_a_mark_without_a_recording_asks_once_for_its_file(work: Path) -> None:
    """The moment of the key press counts; the second mark goes into the same file at once, and both are drawn."""
    app = watching()
    async with app.run_test(size=SIZE) as pilot:
        await stands(app, Dashboard)
        await pilot.press("m", *"loose plug", "enter")
        await until(lambda: bool(typed(app, "notes-file").display))
        assert typed(app, "notes-file").value.startswith("faultlamp-notes-")
        typed(app, "notes-file").value = "job.txt"
        await pilot.press("enter")
        assert (work / "job.txt").read_text() == (
            "Marked moments of can0 (socketcan)\n2023-11-14 22:13:50  (1700000030.000000)  loose plug\n"
        )
        await pilot.press(*["left"] * 5, "m", "enter")
        assert not typed(app, "notes-file").display
        assert (work / "job.txt").read_text().splitlines()[2] == "2023-11-14 22:13:45  (1700000025.000000)"
        await pilot.press("escape")
        app.tick()
        await pilot.pause()
        key_row = next(row for row in text_of(app).splitlines() if row.startswith("   Key"))
        assert "  * mark  " in key_row
        assert key_row.rstrip().endswith("*━━━━*")


async def test_while_a_name_is_typed_the_last_row_says_what_for() -> None:
    """The name that stands there already hides the line's own words; they go when the line goes."""
    app = watching()
    async with app.run_test(size=SIZE) as pilot:
        await stands(app, Dashboard)
        row = app.screen.query_one(KeyLine)
        await pilot.press("m", "enter")
        await until(lambda: "File for the marks. Enter keeps them there" in row.lines[0].text)
        await pilot.press("escape", "slash", "o")
        await until(lambda: "Find: an SPN or a word of the name" in row.lines[0].text)
        await pilot.press("escape")
        await until(lambda: "Details" in row.lines[0].text)


async def test_in_a_narrow_window_the_page_to_save_from_cuts_nothing() -> None:
    """What a row is about goes below it, and a click there does the row."""
    app = watching()
    async with app.run_test(size=(40, 40)) as pilot:
        await stands(app, Dashboard)
        await pilot.press("k")
        await stands(app, SavePage)
        rows = app.screen.query_one("#page", Canvas).lines
        assert not any("…" in one.text for one in rows)
        place = next(at for at, one in enumerate(rows) if "with spans, lamps, key" in one.text)
        await pilot.click("#page", offset=(6, place))
        await until(lambda: bool(typed(app, "save-name").display))
        assert typed(app, "save-name").value.endswith(".json")


async def test_a_mark_of_a_recorded_job_is_kept_beside_the_recording(work: Path) -> None:
    """Under its name, or another one where that is taken; nobody is asked."""
    (work / "job-notes.txt").write_text("older")
    recorder = Recorder("job.log")
    app = watching(recorder=recorder)
    async with app.run_test(size=SIZE) as pilot:
        await stands(app, Dashboard)
        await pilot.press("m", *"here", "enter")
        await until(lambda: bool(told(app)))
        assert not typed(app, "notes-file").display
        assert any("job-notes-2.txt" in text for text in told(app))
    assert (work / "job-notes.txt").read_text() == "older"
    assert (work / "job-notes-2.txt").read_text().splitlines()[1].endswith("  here")
    recorder.close()


async def test_marks_that_nobody_wants_in_a_file_hold_until_leaving(work: Path) -> None:
    """Esc in the note marks nothing; Esc in the name keeps the mark, and it is not asked for again."""
    app = watching()
    async with app.run_test(size=SIZE) as pilot:
        await stands(app, Dashboard)
        await pilot.press("m", *"no", "escape")
        assert app.board.notes.marks == []
        await pilot.press("m", "enter")
        await until(lambda: bool(typed(app, "notes-file").display))
        await pilot.press("escape", "m", "enter")
        assert not typed(app, "notes-file").display
        assert [mark.time_ns for mark in app.board.notes.marks] == [ns(30), ns(30)]
        assert list(work.iterdir()) == []


async def test_a_name_that_is_taken_can_be_mended(work: Path) -> None:
    """One line says so, the file stays as it is, and the line to type in stays open."""
    (work / "taken.txt").write_text("mine")
    app = watching()
    async with app.run_test(size=SIZE) as pilot:
        await stands(app, Dashboard)
        await pilot.press("m", "enter")
        for name, words in (("taken.txt", "there already and stays as it is"), ("no/where.txt", "No such file"),
                            ("  ", "no name"), ("a\0b", "null")):
            typed(app, "notes-file").value = name
            await pilot.press("enter")
            await until(lambda words=words: any(words in text for text in told(app)))  # type: ignore[misc]
            assert typed(app, "notes-file").display
        assert (work / "taken.txt").read_text() == "mine"
        assert all("\n" not in text for text in told(app))


async def test_before_the_first_frame_there_is_no_moment() -> None:
    """It is said, and nothing is asked for."""
    app = DashboardApp(Board(StillFeed([], None), LAYOUTS, {}))
    async with app.run_test(size=SIZE) as pilot:
        await until(lambda: isinstance(app.screen, Dashboard))
        await pilot.press("m")
        assert not typed(app, "note").display
        assert any("no moment to mark" in text for text in told(app))
        await pilot.press("y")
        assert any("No fault to copy" in text for text in told(app))
        await pilot.press("k", "enter")
        await until(lambda: "no frame so far" in text_of(app))


async def test_the_page_of_marks_leads_back_to_a_moment() -> None:
    """In the order of the moments; a mark is picked by the arrows."""
    app = watching()
    for at, note in ((20, "second"), (10, "[bold]first[/]")):
        app.board.notes.add(ns(at), note, ns(0))
    async with app.run_test(size=SIZE) as pilot:
        await stands(app, Dashboard)
        await pilot.press("M")
        await stands(app, MarksPage)
        rows = text_of(app).splitlines()
        assert [row[23:].strip() for row in rows if "2023-11-14" in row] == ["[bold]first[/]", "second"]
        await pilot.press("down", "down", "up", "down", "enter")
        await stands(app, Dashboard)
        assert app.board.view.cursor_ns == ns(20)


async def test_a_moment_that_was_not_played_yet_is_not_gone_to() -> None:
    """A replay that went back: the mark stays, and how to get there is said."""
    player = Player(Recording([FrameBlock.from_frames(pump_job(30))]), HandClock(), "pump.log")
    app = ReplayApp(player, LAYOUTS, {})
    async with app.run_test(size=SIZE) as pilot:
        await until(lambda: isinstance(app.screen, Dashboard))
        await pilot.press("end", "m", "enter", "escape", "home", "M", "enter")
        await until(lambda: any("not been played yet" in text for text in told(app)))
        assert isinstance(app.screen, MarksPage)
        assert app.board.view.cursor_ns is None


@pytest.mark.parametrize(
    ("row", "from_s", "to_s"), [(0, 12, 15), (1, 0, 30), (2, 0, 30), (3, 0, 30)],
    ids=["mark to mark", "window", "last minute", "whole job"],
)
async def test_a_stretch_is_saved_as_a_candump_log(work: Path, row: int, from_s: float, to_s: float) -> None:
    """Exactly its frames, under a name with the date that is offered."""
    app = watching()
    for at in (12, 15):
        app.board.notes.add(ns(at), "", ns(0))
    async with app.run_test(size=SIZE) as pilot:
        await stands(app, Dashboard)
        await pilot.press("k")
        await stands(app, SavePage)
        await pilot.press(*["down"] * row, "enter")
        assert typed(app, "save-name").value.startswith("faultlamp-frames-")
        await pilot.press("enter")
        await until(lambda: "saved to" in text_of(app))
    lines = next(work.glob("faultlamp-frames-*.log")).read_text().splitlines()
    wanted = [one for one in pump_job(30) if ns(from_s) <= one.time_ns <= ns(to_s)]
    assert lines == [format_candump_line(one) for one in wanted]


async def test_the_fault_list_is_that_of_the_command(work: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A replay at its end: CSV and JSON to the byte what `faultlamp faults` prints of the same recording."""
    lines = [format_candump_line(one) for one in pump_job(30)]
    (work / "pump.log").write_text("\n".join(lines) + "\n")
    printed = {}
    for form in ("csv", "json"):
        assert main(["faults", "pump.log", "--format", form]) == 0
        printed[form] = capsys.readouterr().out
    player = Player(Recording([FrameBlock.from_frames(pump_job(30))]), HandClock(), "pump.log")
    app = ReplayApp(player, LAYOUTS, {}, files=["pump.log"])
    async with app.run_test(size=SIZE) as pilot:
        await until(lambda: isinstance(app.screen, Dashboard))
        await pilot.press("end", "k")
        await stands(app, SavePage)
        await pilot.press(*["down"] * CSV)
        for form in ("csv", "json"):
            await pilot.press("enter")
            typed(app, "save-name").value = f"list.{form}"
            await pilot.press("enter", "down")
            assert (work / f"list.{form}").read_text() == printed[form]


async def test_marks_are_saved_from_the_page(work: Path) -> None:
    """And without any it is said how to make one."""
    app = watching()
    async with app.run_test(size=SIZE) as pilot:
        await stands(app, Dashboard)
        await pilot.press("k", *["down"] * NOTES, "enter")
        await until(lambda: "m on the dashboard marks one" in text_of(app))
        app.board.notes.add(ns(3), "first", ns(0))
        await pilot.press("enter")
        typed(app, "save-name").value = "n.txt"
        await pilot.press("enter")
        await until(lambda: (work / "n.txt").exists())
        app.board.notes.add(ns(4), "second", ns(0))
        assert [row[-6:].strip() for row in (work / "n.txt").read_text().splitlines()[1:]] == ["first", "second"]


async def test_a_fault_is_copied_as_a_line() -> None:
    """From the dashboard and from the page, and it is said that the terminal may refuse."""
    app = watching()
    async with app.run_test(size=SIZE) as pilot:
        await stands(app, Dashboard)
        await pilot.press("y")
        assert app.clipboard.startswith("SPN 110 FMI 3 Engine Coolant Temperature 1: voltage above normal")
        assert any("OSC 52" in text for text in told(app))
        await pilot.press("down", "k", *["down"] * COPY, "enter")
        await until(lambda: "OSC 52" in text_of(app))
        assert app.clipboard.startswith("SPN 100 FMI 1 ")
        assert app.clipboard in " ".join(text_of(app).split())


async def test_a_click_on_a_row_does_it() -> None:
    """A click beside the rows does nothing."""
    app = watching()
    async with app.run_test(size=SIZE) as pilot:
        await stands(app, Dashboard)
        await pilot.press("k")
        await stands(app, SavePage)
        page = app.screen.query_one("#page", Canvas)
        place = next(row for row, one in enumerate(page.lines) if "Fault list as JSON" in one.text)
        await pilot.click("#page", offset=(5, place - 2))
        assert not typed(app, "save-name").display
        await pilot.click("#page", offset=(5, place))
        assert typed(app, "save-name").value.endswith(".json")


async def test_a_full_disk_leaves_nothing_and_the_dashboard_goes_on(
    work: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """ENOSPC when the file is put on the disk: one line, no file, all keys work."""
    app = watching()

    def full(_: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    async with app.run_test(size=SIZE) as pilot:
        await stands(app, Dashboard)
        await pilot.press("k")
        await stands(app, SavePage)
        monkeypatch.setattr(os, "fsync", full)
        await pilot.press("down", "enter", "enter")
        await until(lambda: "No space left on device; nothing of it is left" in " ".join(text_of(app).split()))
        await pilot.press(*["down"] * (CSV - 1), "enter", "enter")
        await until(lambda: bool(typed(app, "save-name").display))
        await pilot.press("escape", "escape")
        await stands(app, Dashboard)
    assert list(work.iterdir()) == []


def test_a_folder_that_refuses_is_one_line(work: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """EACCES, simulated, since an administrator may write everywhere."""

    def refused(*_: object, **__: object) -> None:
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))

    monkeypatch.setattr("builtins.open", refused)
    with pytest.raises(CaptureError, match=r"^cannot write out\.csv: Permission denied; choose another folder or name"):
        write_new("out.csv", [b"x"])


def test_what_fails_half_way_is_taken_away(work: Path) -> None:
    """Also when it is the reading that fails; a link that leads nowhere is not followed either."""

    def parts() -> Iterable[bytes]:
        yield b"first"
        raise ValueError("no more")

    with pytest.raises(ValueError, match="no more"):
        write_new("half.log", parts())
    assert list(work.iterdir()) == []
    (work / "link").symlink_to("elsewhere")
    with pytest.raises(CaptureError, match="there already"):
        write_new("link", [b"x"])
    assert not (work / "elsewhere").exists()


def test_offered_names_are_free(work: Path) -> None:
    """Two in one second differ."""
    first = dated_name("frames", ".log")
    (work / first).touch()
    assert dated_name("frames", ".log") != first


def test_notes_that_can_no_longer_be_added_to_are_kept_in_memory(work: Path) -> None:
    """The file was taken away: it is not made anew with half of its lines."""
    notes = Notes()
    notes.begin_file("n.txt", "job")
    (work / "n.txt").unlink()
    with pytest.raises(CaptureError, match=r"^cannot add to n\.txt: No such file or directory; the marks hold until"):
        notes.add(ns(1), "one", ns(0))
    assert notes.marks == [Mark(ns(1), "one")]
    assert notes.path is None
    assert list(work.iterdir()) == []


def test_notes_are_bounded_and_harmless(work: Path) -> None:
    """A thousand marks, each note one line without control characters."""
    notes = Notes()
    notes.begin_file("n.txt", "\x1b]0;bad\x07")
    notes.add(5_000_000_000, "a\x1b[31m\nb" + "x" * 999, 0)
    assert (work / "n.txt").read_text().splitlines()[0] == "Marked moments of ·]0;bad·"
    line = (work / "n.txt").read_text().splitlines()[1]
    assert line.startswith("00:05  (0000000005.000000)  a·[31m·bx")
    assert len(notes.marks[0].note) == LONGEST_NOTE
    for number in range(MOST_MARKS - 1):
        notes.add(number, "", 0)
    with pytest.raises(CaptureError, match="1000 moments"):
        notes.add(1, "", 0)


@pytest.mark.parametrize(
    ("at", "pair"), [(0, (20, 30)), (10, (10, 20)), (19, (10, 20)), (25, (20, 30)), (99, (20, 30))]
)
def test_mark_to_mark_is_around_the_moment_or_else_the_last_two(at: int, pair: tuple[int, int]) -> None:
    """With one mark there is no such stretch."""
    notes = Notes()
    notes.add(20, "", 0)
    assert notes.around(at) is None
    notes.add(30, "", 0)
    notes.add(10, "", 0)
    found = notes.around(at)
    assert found is not None
    assert (found[0].time_ns, found[1].time_ns) == pair


def test_columns_of_marks() -> None:
    """Each column once, none outside."""
    marks = [Mark(-1), Mark(0), Mark(9), Mark(10), Mark(39), Mark(40)]
    assert columns_of(marks, 0, 10, 4) == [0, 1, 3]


def hostile_job() -> Job:
    """A channel whose name is a formula and an escape sequence, with one fault."""
    return job_of(dm1(0, RED_AND_AMBER, COOLANT_HIGH, channel="=cmd()\x1b[2J"), until_s=1)


def test_what_is_saved_and_copied_is_inert() -> None:
    """No control character, and no cell that a spreadsheet computes."""
    job = hostile_job()
    line = fault_line(job, lanes_of(job.history)[0], ns(1))
    assert line.isprintable()
    assert line.endswith("=cmd()·[2J")
    cells = faults_as_csv(job, RecentFrames()).decode().splitlines()[1].split(",")
    assert cells[0] == "'=cmd()·[2J"


def test_the_frames_of_a_job_go_into_the_stock() -> None:
    """The board hands on what it takes."""
    board = Board(StillFeed(pump_job(3), 3), LAYOUTS, {})
    board.tick()
    stretch = board.stock.stretch(0, ns(9))
    assert sum(1 for _ in stretch.lines()) == len(block(pump_job(3)))


def test_where_marks_are_kept_is_said_in_a_narrow_window_too(tmp_path: Path) -> None:
    """A long name of a file goes on in the next row; nothing of it is cut off."""
    board = Board(StillFeed(pump_job(5), 5), LAYOUTS, {})
    board.tick()
    path = tmp_path / ("a long name of a file " * 4).strip()
    board.notes.begin_file(str(path), "can0")
    rows = [row.text for row in MarksPage(board).page(48)]
    assert rows[0].startswith("MARKED MOMENTS  kept in")
    assert all(len(row) <= 48 for row in rows)
    assert "a long name of a file a long name of a file" in " ".join(" ".join(rows).split())
