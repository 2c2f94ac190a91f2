"""Recordings as a user names them: counts, clock steps, missing times, strictness, and every way to fail."""

import io
import os
import re
import stat
import sys
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import pytest

from faultlamp.capture import Capture, opening
from faultlamp.errors import CaptureError
from support.recordings import Whole, log_line, row


@pytest.fixture(autouse=True)
def in_own_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every test names its files without a path."""
    monkeypatch.chdir(tmp_path)


def write(name: str, *lines: str) -> str:
    """A file of the lines."""
    Path(name).write_text("".join(lines), encoding="utf-8")
    return name


def failure(*paths: str, strict: bool = False) -> str:
    """The message that reading ends in; one line."""
    with pytest.raises(CaptureError) as caught:
        Whole(*paths, strict=strict)
    message = str(caught.value)
    assert "\n" not in message
    return message


def test_counts() -> None:
    """Frames, bad lines, start and end in file order, channels sorted; blank lines are nothing."""
    name = write("a.log", log_line(10, "can1"), "\n", "no frame\n", log_line(12), "   \r\n", log_line(11.5, "can1"))
    whole = Whole(name)
    assert whole.rows == [row(10, "can1"), row(12), row(11.5, "can1")]
    stats = whole.stats
    assert (stats.frames, stats.bad_lines, stats.clock_steps) == (3, 1, 0)
    assert (stats.start_ns, stats.end_ns) == (10_000_000_000, 11_500_000_000)
    assert stats.channels == ["can0", "can1"]
    assert (stats.untimed, stats.warnings) == (False, [])


@pytest.mark.parametrize("content", ["", "\n\n", "# comment\nno frame\n"], ids=["empty", "blank", "text"])
@pytest.mark.parametrize("name", ["a.log", "a.txt", "a"])
def test_a_file_without_frames_is_no_error(name: str, content: str) -> None:
    """No frames, no times, no channels; the lines that are not blank are bad."""
    write(name, content)
    stats = Whole(name).stats
    assert (stats.frames, stats.start_ns, stats.end_ns, stats.channels) == (0, None, None, [])
    assert stats.bad_lines == content.count("#") + content.count("no frame")
    assert len(stats.warnings) == (1 if stats.bad_lines else 0)


def test_the_last_line_may_lack_its_newline() -> None:
    """It is a line like any other."""
    assert Whole(write("a.log", log_line(1), log_line(2).rstrip())).rows == [row(1), row(2)]


def test_a_byte_order_mark_is_no_part_of_the_first_line() -> None:
    """Editors put one in front when they save."""
    assert Whole(write("a.log", "\ufeff", log_line(1))).rows == [row(1)]


def test_windows_line_ends() -> None:
    """A carriage return before the newline is a blank."""
    assert Whole(write("a.log", *(log_line(n).replace("\n", "\r\n") for n in range(40)))).rows == [
        row(n) for n in range(40)
    ]


# --- clock steps


@pytest.mark.parametrize(("times_s", "stretches"), [
    pytest.param([10, 9], [], id="one second is no step"),
    pytest.param([10, 8.999999], [1], id="a microsecond more is one"),
    pytest.param([10, 8, 9, 10], [1], id="then on"),
    pytest.param([10, 9.5, 8.9, 8.1], [], id="against the frame before, not the highest"),
    pytest.param([10, 5, 3.5, 3.4], [1, 2], id="twice"),
    pytest.param([0, 1_700_000_000, 0], [2], id="the clock was set and lost"),
])
def test_clock_steps(times_s: list[float], stretches: list[int]) -> None:
    """A stretch starts at a frame more than one second before its predecessor in the file."""
    whole = Whole(write("a.log", *map(log_line, times_s)))
    assert whole.times_s == times_s
    assert whole.stretches == stretches
    assert whole.stats.clock_steps == len(stretches)


def test_a_step_between_two_blocks(monkeypatch: pytest.MonkeyPatch) -> None:
    """The last time of a block counts for the first frame of the next."""
    monkeypatch.setattr("faultlamp.capture.candump_text.FIRST_BLOCK", 100)
    monkeypatch.setattr("faultlamp.capture.candump_text.BLOCK", 100)
    times = [float(n % 7) for n in range(50)]
    whole = Whole(write("a.log", *map(log_line, times)))
    assert whole.times_s == times
    assert whole.stretches == list(range(7, 50, 7))
    assert whole.stats.clock_steps == 7


# --- lines without a time stamp


def screen_line(stamp: str = "") -> str:
    """One line of candump's screen output."""
    return f" {stamp} can0  18FECA00   [8]  00 11 22 33 44 55 66 77\n"


def test_untimed_lines_are_a_millisecond_apart() -> None:
    """The first at 0; one warning that names the file."""
    whole = Whole(write("a.txt", *[screen_line()] * 3))
    assert whole.rows == [row(0), row(0.001), row(0.002)]
    assert whole.stats.untimed
    (warning,) = whole.stats.warnings
    assert warning.startswith("a.txt: ")


def test_untimed_lines_follow_the_frame_before() -> None:
    """Whatever form that frame's line has; blank and bad lines between do not count."""
    name = write("a.txt", screen_line(), log_line(5), screen_line(), "bad\n", "\n", screen_line(),
                 screen_line("(7.500000)"), screen_line())
    whole = Whole(name)
    assert whole.times_s == [0, 5, 5.001, 5.002, 7.5, 7.501]
    assert len(whole.stats.warnings) == 1


def test_untimed_lines_across_blocks(monkeypatch: pytest.MonkeyPatch) -> None:
    """The count goes on from block to block, and starts anew in the next file."""
    monkeypatch.setattr("faultlamp.capture.candump_text.FIRST_BLOCK", 100)
    monkeypatch.setattr("faultlamp.capture.candump_text.BLOCK", 100)
    name = write("a.txt", *[screen_line()] * 20)
    assert Whole(name).rows == [row(n / 1000) for n in range(20)]
    both = Whole(name, name)
    assert both.rows == [row(n / 1000) for n in range(20) for _ in range(2)]
    assert len(both.stats.warnings) == 2


# --- strict


@pytest.mark.parametrize("lines_before", [0, 1, 3000])
def test_strict_names_the_first_bad_line(lines_before: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """File, line number from 1 with blank lines counted, and what stands there, made harmless."""
    monkeypatch.setattr("faultlamp.capture.candump_text.FIRST_BLOCK", 4096)
    monkeypatch.setattr("faultlamp.capture.candump_text.BLOCK", 4096)
    lines = [log_line(n) for n in range(lines_before)]
    name = write("a.log", "\n", *lines, "bad \x1b[31m one" + "x" * 500 + "\n", "bad two\n", log_line(1))
    message = failure(name, strict=True)
    assert message.startswith(f"a.log: line {lines_before + 2} is not a CAN frame: bad ·[31m onexxx")
    assert len(message) < 200
    assert Whole(name).stats.bad_lines == 2


def test_strict_without_bad_lines() -> None:
    """Nothing to complain about."""
    assert Whole(write("a.log", log_line(1), "\n", log_line(2)), strict=True).stats.frames == 2


# --- bounds


def test_a_hostile_number_of_channels() -> None:
    """256 names; a line with one more is a bad line, lines with known names go on."""
    lines = [log_line(n, f"c{n % 300}") for n in range(900)]
    whole = Whole(write("a.log", *lines))
    assert whole.rows == [row(n, f"c{n % 300}") for n in range(900) if n % 300 < 256]
    assert whole.stats.bad_lines == 3 * 44
    assert len(whole.stats.channels) == 256
    assert failure("a.log", strict=True).startswith("a.log: line 257 is not a CAN frame: (0000000256.000000) c256")


def test_channels_keep_their_numbers() -> None:
    """A later block may know more names, never other ones."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("faultlamp.capture.candump_text.FIRST_BLOCK", 100)
        patch.setattr("faultlamp.capture.candump_text.BLOCK", 100)
        name = write("a.log", *(log_line(n, f"c{n * n % 17}") for n in range(60)))
        tables = [block.channels for block in Capture([name]).blocks()]
    assert len(tables) > 5
    assert all(later[: len(earlier)] == earlier for earlier, later in pairwise(tables))


# --- standard input


class Slow(io.RawIOBase):
    """A pipe that hands out a few bytes at a time."""

    def __init__(self, data: bytes) -> None:
        self.pieces: Iterator[bytes] = iter([data[i : i + 7] for i in range(0, len(data), 7)])

    def readable(self) -> bool:
        return True

    def read(self, size: int = -1) -> bytes:
        return next(self.pieces, b"")


def give(monkeypatch: pytest.MonkeyPatch, buffer: object) -> None:
    """Let standard input be these bytes."""
    monkeypatch.setattr(sys, "stdin", type("Stdin", (), {"buffer": buffer, "closed": False})())


def test_standard_input(monkeypatch: pytest.MonkeyPatch) -> None:
    """Read in whatever pieces it comes, and left open."""
    text = "".join(log_line(n) for n in range(50))
    source = Slow(text.encode())
    give(monkeypatch, source)
    whole = Whole("-")
    assert whole.rows == [row(n) for n in range(50)]
    assert not source.closed


def test_standard_input_merges_with_files(monkeypatch: pytest.MonkeyPatch) -> None:
    """It is one recording like the others."""
    give(monkeypatch, io.BytesIO(log_line(2).encode()))
    assert Whole(write("a.log", log_line(1), log_line(3)), "-").times_s == [1, 2, 3]


def test_standard_input_twice() -> None:
    """It can be read only once."""
    assert failure("-", "-").startswith("-: standard input can be read only once")


def test_standard_input_closed(monkeypatch: pytest.MonkeyPatch) -> None:
    """A process may have none."""
    monkeypatch.setattr(sys, "stdin", None)
    assert failure("-").startswith("-: standard input is closed")


def test_standard_input_of_an_unknown_format(monkeypatch: pytest.MonkeyPatch) -> None:
    """Bytes that are no text and hold no frame are refused."""
    give(monkeypatch, io.BytesIO(bytes(range(256)) * 20))
    assert failure("-").startswith("standard input: unknown format")


# --- shipped recordings


@pytest.fixture
def shipped(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A folder of shipped recordings of our own."""
    folder = tmp_path / "captures"
    folder.mkdir()
    (folder / "first-run.log").write_text(log_line(1))
    (folder / "second.log.gz").write_bytes(b"")
    (folder / "readme.md").write_text("about them")
    monkeypatch.setattr("faultlamp.resources.shipped", lambda name: tmp_path / name)


@pytest.mark.usefixtures("shipped")
@pytest.mark.parametrize("name", ["demo:first-run", "demo:first-run.log"])
def test_shipped_recordings(name: str) -> None:
    """By name, with and without suffix."""
    assert Whole(name).rows == [row(1)]


@pytest.mark.usefixtures("shipped")
@pytest.mark.parametrize("name", ["third", "", "readme", "readme.md", "../captures/first-run.log"])
def test_unknown_shipped_recordings(name: str) -> None:
    """The message lists those that there are, and never looks elsewhere."""
    assert failure(f"demo:{name}") == f"demo:{name}: no such shipped recording; there are: first-run, second"


def test_recordings_really_shipped() -> None:
    """Each one reads without a bad line."""
    names = re.findall(r"[\w.-]+", failure("demo:?").partition("there are:")[2])
    assert "none" not in names
    assert names
    for name in names:
        stats = Whole(f"demo:{name}", strict=True).stats
        assert stats.frames > 0
        assert stats.warnings == []


# --- ways to fail


def test_missing() -> None:
    """The constructor says so, before anything is read."""
    with pytest.raises(CaptureError, match=r"^gone\.log: no such file"):
        Capture(["gone.log"])


def test_directory() -> None:
    """A folder is no recording."""
    os.mkdir("day.log")
    assert failure("day.log").startswith("day.log: is a directory; name the recordings in it")


@pytest.mark.skipif(os.geteuid() == 0, reason="root may read everything")
def test_not_permitted() -> None:
    """Its permissions are in the way."""
    os.chmod(write("a.log", log_line(1)), 0)
    assert failure("a.log").startswith("a.log: no permission to read it")


def test_not_permitted_as_the_system_says_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """The same with the operating system's refusal played, for those whom nothing is refused."""
    write("a.log", log_line(1))

    def refuse(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(opening, "open", refuse, raising=False)
    assert failure("a.log").startswith("a.log: no permission to read it")


@pytest.mark.parametrize("name", ["a\0b.log", "x" * 300 + ".log", "\udcff.log", "a\x1b[31m.log"])
def test_impossible_names(name: str) -> None:
    """Whatever the name, one harmless line."""
    message = failure(name)
    assert message.isprintable()


def test_a_path_through_a_file() -> None:
    """The operating system's own words, where there is nothing better."""
    write("a.log", log_line(1))
    assert "Not a directory" in failure("a.log/b.log")


def test_too_many_open_files(monkeypatch: pytest.MonkeyPatch) -> None:
    """The message says how to raise the limit."""
    source = opening.find(write("a.log", log_line(1)))

    def refuse(*_: object, **__: object) -> None:
        raise OSError(24, "Too many open files")

    monkeypatch.setattr(opening, "open", refuse, raising=False)
    with pytest.raises(CaptureError, match=r"^a\.log: too many recordings at once.*ulimit -n"):
        source.open(lambda size: None)


@pytest.mark.parametrize("content", [bytes(range(256)) * 300, b"\x7fELF" + bytes(3000), b"caf\xe9\n" * 10],
                         ids=["binary", "program", "not UTF-8"])
def test_unknown_format(content: bytes) -> None:
    """Known by its bytes, unless the suffix says that it is a candump log."""
    Path("a.bin").write_bytes(content)
    assert failure("a.bin").startswith("a.bin: unknown format; candump logs are text")
    Path("a.log").write_bytes(content)
    stats = Whole("a.log").stats
    assert stats.frames == 0
    assert stats.bad_lines > 0
    assert stats.warnings == ["a.log: no CAN frame in it; is it a candump log?"]


def test_a_log_with_binary_rubbish_in_it() -> None:
    """One readable line in the first block, and the rubbish is bad lines."""
    Path("a.bin").write_bytes(bytes(range(1, 256)) + b"\n" + log_line(1).encode() + b"\0\0\0\n")
    assert Whole("a.bin").rows == [row(1)]
    assert Whole("a.bin").stats.bad_lines == 3


def test_a_read_that_fails(monkeypatch: pytest.MonkeyPatch) -> None:
    """A disk error in the middle: what was readable is counted."""

    class Broken(io.BytesIO):
        def read(self, size: int | None = -1) -> bytes:
            if self.tell():
                raise OSError(5, "Input/output error")
            return super().read(size)

    give(monkeypatch, Broken("".join(map(log_line, range(10))).encode()))
    assert failure("-").startswith("standard input: no longer readable (Input/output error) after 10 readable frames")


def test_a_named_pipe() -> None:
    """No size, and opened only once."""
    os.mkfifo("pipe")
    assert stat.S_ISFIFO(os.stat("pipe").st_mode)
    child = os.fork()
    if child == 0:
        with open("pipe", "w", encoding="ascii") as pipe:
            pipe.write(log_line(1) + log_line(2))
        os._exit(0)
    assert Whole("pipe").rows == [row(1), row(2)]
    os.waitpid(child, 0)


# --- progress


def test_progress() -> None:
    """Bytes as they lie in the files, up to their sum."""
    sizes = [len(write(name, *map(log_line, range(3000))) and Path(name).read_bytes()) for name in ("a.log", "b.log")]
    heard: list[tuple[int, int | None]] = []
    for _ in Capture(["a.log", "b.log"], on_progress=lambda done, total: heard.append((done, total))).blocks():
        pass
    assert heard == sorted(heard)
    assert heard[-1] == (sum(sizes), sum(sizes))
    assert len(heard) > 4


def test_progress_of_standard_input(monkeypatch: pytest.MonkeyPatch) -> None:
    """There is no total to be known."""
    give(monkeypatch, io.BytesIO(log_line(1).encode()))
    heard: list[tuple[int, int | None]] = []
    for _ in Capture(["-"], on_progress=lambda done, total: heard.append((done, total))).blocks():
        pass
    assert heard[-1] == (len(log_line(1)), None)


def test_the_counts_are_complete_at_each_block(monkeypatch: pytest.MonkeyPatch) -> None:
    """Who stops early has the counts of what was delivered."""
    monkeypatch.setattr("faultlamp.capture.candump_text.FIRST_BLOCK", 1000)
    reading = Capture([write("a.log", *map(log_line, range(100)))])
    block = next(reading.blocks())
    assert 0 < len(block) < 100
    assert reading.stats.frames == len(block)
    assert reading.stats.end_ns == block.time_ns[-1]


def test_python_can_is_not_loaded_for_candump_logs() -> None:
    """Its import costs more than reading a hundred thousand frames."""
    write("a.log", log_line(1))
    code = (
        "import sys; from faultlamp.capture import Capture; list(Capture(['a.log']).blocks()); "
        "sys.exit('can' in sys.modules)"
    )
    assert os.spawnl(os.P_WAIT, sys.executable, sys.executable, "-c", code) == 0
