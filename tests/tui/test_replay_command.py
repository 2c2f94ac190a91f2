"""`faultlamp replay` as a person meets it: with a terminal, without one, and left in a hurry."""

import json
import os
import pty
import re
import select
import signal
import struct
import subprocess
import sys
import termios
import time
from collections.abc import Iterator
from contextlib import contextmanager
from fcntl import ioctl
from pathlib import Path
from typing import IO

import can
import pytest

from faultlamp.cli.main import main
from support.recordings import log_line

# DM1 of engine 1: SPN 110 FMI 3, amber (SAE J1939-73, section 5.7.1).
LOG = "".join(log_line(1_700_000_000 + at, data="04FF6E000301FFFF") for at in range(5))
ESCAPES = re.compile(rb"\x1b\[[0-9;?]*[ -/]*[@-~]")


@pytest.fixture
def log(tmp_path: Path) -> Path:
    """A recording of 4 s with one fault."""
    path = tmp_path / "pump.log"
    path.write_text(LOG)
    return path


class Terminal:
    """The far side of a pseudo-terminal of 80 by 24 in which a command runs."""

    def __init__(self, *words: str | Path, errors: IO[bytes] | None = None) -> None:
        self.near, far = pty.openpty()
        ioctl(far, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
        self.before = termios.tcgetattr(far)
        self.process = subprocess.Popen(
            [sys.executable, "-m", "faultlamp", *map(str, words)], stdin=far, stdout=far, stderr=errors or far,
            env={**os.environ, "TERM": "xterm-256color", "TZ": "UTC"}, start_new_session=True,
        )
        self.far = far
        self.output = b""

    @property
    def text(self) -> bytes:
        """What was written, without the escape sequences."""
        return ESCAPES.sub(b"", self.output)

    def wait_for(self, *words: bytes, seconds: float = 20) -> None:
        """Read until all words were written."""
        end = time.monotonic() + seconds
        while not all(word in self.text for word in words):
            assert time.monotonic() < end, self.text[-2000:]
            self.read(0.2)

    def read(self, seconds: float) -> None:
        """Read what comes."""
        if select.select([self.near], [], [], seconds)[0]:
            self.output += os.read(self.near, 65536)

    def exit_code(self, seconds: float = 10) -> int:
        """Wait for the end."""
        end = time.monotonic() + seconds
        while self.process.poll() is None:
            assert time.monotonic() < end
            self.read(0.1)
        while select.select([self.near], [], [], 0.1)[0]:
            self.read(0)
        return self.process.returncode


@contextmanager
def terminal(*words: str | Path, errors: IO[bytes] | None = None) -> Iterator[Terminal]:
    """A command in a terminal, ended at the latest when the test ends. errors: where standard error goes instead."""
    running = Terminal(*words, errors=errors)
    try:
        yield running
    finally:
        if running.process.poll() is None:
            running.process.kill()
            running.process.wait()
        os.close(running.near)
        os.close(running.far)


def test_on_a_terminal_it_shows_the_dashboard_and_q_leaves(log: Path) -> None:
    """The sentence, the lamps, the lane; 0 at the end."""
    with terminal("replay", log) as shown:
        shown.wait_for(b"1 active fault", b"AMBER on", b"110/3", b"replay playing, 1x")
        os.write(shown.near, b"q")
        assert shown.exit_code() == 0
        assert b"Traceback" not in shown.text


def test_it_is_seen_although_standard_error_goes_elsewhere(log: Path, tmp_path: Path) -> None:
    """With `2>FILE` the dashboard is on the terminal, and nothing of it in the file."""
    with (tmp_path / "errors.txt").open("w+b") as errors, terminal("replay", log, errors=errors) as shown:
        shown.wait_for(b"1 active fault")
        os.write(shown.near, b"q")
        assert shown.exit_code() == 0
        errors.seek(0)
        assert errors.read() == b""


@pytest.mark.parametrize("how", ["key", "signal"])
def test_ctrl_c_restores_the_terminal_and_exits_with_130(log: Path, how: str) -> None:
    """Alternate screen left, cursor shown, line mode as before, no traceback."""
    with terminal("replay", log, "--speed", "5") as shown:
        shown.wait_for(b"1 active fault", b"5x")
        if how == "key":
            os.write(shown.near, b"\x03")
        else:
            shown.process.send_signal(signal.SIGINT)
        assert shown.exit_code() == 130
        assert shown.output.rfind(b"\x1b[?1049l") > shown.output.rfind(b"\x1b[?1049h")
        assert shown.output.rfind(b"\x1b[?25h") > shown.output.rfind(b"\x1b[?25l")
        assert termios.tcgetattr(shown.far)[:4] == shown.before[:4]
        assert b"Traceback" not in shown.text


@pytest.mark.parametrize(
    ("number", "code"), [(signal.SIGTERM, 143), (signal.SIGHUP, 129)], ids=["terminate", "hang up"]
)
def test_a_watch_that_is_ended_leaves_terminal_and_recording_whole(
    tmp_path: Path, number: signal.Signals, code: int
) -> None:
    """Also with a page open: the terminal is as before, and python-can reads every line of the recording."""
    path = tmp_path / "job.log"
    with terminal("watch", "--rig", "quick-look", "--record", path) as shown:
        shown.wait_for(b"Key on", b"rec 0.0 MB")
        os.write(shown.near, b"k")
        shown.wait_for(b"FRAMES, as a candump log")
        shown.process.send_signal(number)
        assert shown.exit_code() == code
        assert shown.output.rfind(b"\x1b[?1049l") > shown.output.rfind(b"\x1b[?1049h")
        assert shown.output.rfind(b"\x1b[?25h") > shown.output.rfind(b"\x1b[?25l")
        assert termios.tcgetattr(shown.far)[:4] == shown.before[:4]
        assert b"Traceback" not in shown.text
    with can.CanutilsLogReader(path) as reader:
        assert len(list(reader)) == len(path.read_text().splitlines()) > 0


def test_who_lets_it_outlive_its_terminal_is_obeyed(log: Path) -> None:
    """Started with SIGHUP ignored, as nohup does, it goes on."""
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        with terminal("replay", log) as shown:
            shown.wait_for(b"1 active fault")
            shown.process.send_signal(signal.SIGHUP)
            os.write(shown.near, b"b")
            shown.wait_for(b"WHO IS ON THE BUS")
            os.write(shown.near, b"\x03")
            assert shown.exit_code() == 130
    finally:
        signal.signal(signal.SIGHUP, before)


def test_without_a_terminal_it_prints_what_faults_prints(log: Path) -> None:
    """The same document, byte for byte, and it does not hang."""
    results = [
        subprocess.run(
            [sys.executable, "-m", "faultlamp", command, str(log)], stdin=subprocess.DEVNULL, capture_output=True,
            check=True, timeout=60,
        ).stdout
        for command in ("replay", "faults")
    ]
    assert results[0] == results[1]
    assert json.loads(results[0])["faults"][0]["spn"] == 110


@pytest.mark.parametrize(
    ("words", "said"),
    [
        pytest.param(["no-such.log"], "no-such.log", id="missing"),
        pytest.param([".", "--dbc", "no-such.dbc"], "no-such.dbc", id="missing DBC"),
    ],
)
def test_what_cannot_be_read_is_one_line(words: list[str], said: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Exit 1 and one line that names it."""
    assert main(["replay", *words]) == 1
    error = capsys.readouterr().err
    assert said in error
    assert error.count("\n") == 1


@pytest.mark.parametrize("speed", ["0", "0.05", "101", "-1", "nan", "fast", ""])
def test_impossible_speeds_are_wrong_usage(log: Path, speed: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Exit 2, with the range."""
    with pytest.raises(SystemExit) as left:
        main(["replay", str(log), f"--speed={speed}"])
    assert left.value.code == 2
    assert "give 0.1 to 100" in capsys.readouterr().err
