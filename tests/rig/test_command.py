"""`faultlamp rig` as it is typed."""

import argparse
import gzip
import io
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Self

import can
import pytest

from faultlamp.bus.options import BusSettings
from faultlamp.cli import rig
from faultlamp.errors import BusError, CaptureError, ScenarioError
from faultlamp.frames import Frame
from faultlamp.rig.generator import generate
from faultlamp.rig.loading import load_scenario
from faultlamp.rig.scenario import Scenario

Load = Callable[[str], Scenario]


def call(*words: object) -> int:
    """Run the command with these words."""
    parser = argparse.ArgumentParser(prog="faultlamp")
    rig.add_parser(parser.add_subparsers())
    args = parser.parse_args(["rig", *map(str, words)])
    code: int = args.run(args)
    return code


@pytest.fixture
def scenario_file(tmp_path: Path, small: str) -> Path:
    """The small scenario as a file."""
    path = tmp_path / "small.toml"
    path.write_text(small)
    return path


def test_list_shows_names_with_descriptions(capsys: pytest.CaptureFixture[str]) -> None:
    """Each shipped scenario is one line on standard output that starts with its name."""
    assert call("--list") == 0
    lines = capsys.readouterr().out.splitlines()
    assert [line.split()[0] for line in lines] == ["awkward-pump", "pump-set", "quick-look", "quiet-pump"]
    assert all(len(line.split()) > 5 for line in lines)


def test_output_is_read_back_by_python_can(tmp_path: Path, scenario_file: Path) -> None:
    """python-can's reader of candump logs finds exactly the frames of the generator, at their times."""
    out = tmp_path / "out.log"
    assert call(scenario_file, "-o", out, "--start", "1764000000.25", "-c", "can7") == 0
    expected = list(generate(load_scenario(scenario_file), 1764000000_250_000_000, "can7"))
    with can.LogReader(out) as reader:
        read = [
            (round(message.timestamp * 1e6), message.channel, message.arbitration_id, bytes(message.data))
            for message in reader
            if message.is_extended_id and not message.is_fd and not message.is_remote_frame
        ]
    assert read == [(frame.time_ns // 1000, frame.channel, frame.can_id, frame.data) for frame in expected]


def test_compressed_output_is_the_same_text_and_has_no_time_in_it(tmp_path: Path, scenario_file: Path) -> None:
    """With .gz the same lines come compressed; the header carries neither name nor time (RFC 1952, section 2.3)."""
    plain, packed = tmp_path / "a.log", tmp_path / "a.log.gz"
    call(scenario_file, "-o", plain, "--start", "5")
    call(scenario_file, "-o", packed, "--start", "5")
    raw = packed.read_bytes()
    assert gzip.decompress(raw) == plain.read_bytes()
    assert raw[3] == 0
    assert raw[4:8] == bytes(4)


def test_output_to_standard_output(scenario_file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """`-o -` writes the log to standard output and nothing else."""
    sink = io.TextIOWrapper(io.BytesIO(), encoding="utf-8")
    monkeypatch.setattr("sys.stdout", sink)
    call(scenario_file, "-o", "-", "--start", "0")
    sink.flush()
    lines = sink.buffer.getvalue().decode().splitlines()
    assert len(lines) == len(list(generate(load_scenario(scenario_file))))
    assert lines[0] == "(0000000000.100320) can0 18EEFF00#0000E0FF00000000"


def test_an_existing_file_is_left_alone(tmp_path: Path, scenario_file: Path) -> None:
    """Without --force the file stays as it is and the error says what to do; with it the file is written anew."""
    out = tmp_path / "out.log"
    out.write_text("precious")
    with pytest.raises(CaptureError, match=r"out\.log exists; choose another name, or overwrite it with --force"):
        call(scenario_file, "-o", out)
    assert out.read_text() == "precious"
    assert call(scenario_file, "-o", out, "--force") == 0
    assert out.read_text().startswith("(")


def test_a_broken_scenario_leaves_no_file(tmp_path: Path) -> None:
    """The scenario is checked before the file is made."""
    broken, out = tmp_path / "x.toml", tmp_path / "out.log"
    broken.write_text("nonsense")
    with pytest.raises(ScenarioError):
        call(broken, "-o", out)
    assert not out.exists()


USAGE = [
    ([], "which scenario"),
    (["quick-look", "--start", "5"], "belong to -o"),
    (["quick-look", "--force"], "belong to -o"),
    (["quick-look", "-o", "x.log", "--loop"], "--loop and --speed are for a bus"),
    (["quick-look", "-o", "x.log", "--speed", "2"], "--loop and --speed are for a bus"),
    (["quick-look", "-o", "x.blf"], "ends in .log or .log.gz, not .blf"),
    (["quick-look", "-o", "x.log.xz"], "ends in .log or .log.gz, not .xz"),
    (["quick-look", "--speed", "0"], "'0' is not a speed"),
    (["quick-look", "--speed", "nan"], "'nan' is not a speed"),
    (["quick-look", "--speed", "fast"], "'fast' is not a speed"),
    (["quick-look", "-o", "x.log", "--start", "noon"], "'noon' is not a time"),
    (["quick-look", "-o", "x.log", "--start", "-1"], "'-1' is not a time"),
    (["quick-look", "-o", "x.log", "--start", "inf"], "'inf' is not a time"),
    (["quick-look", "-b", "zero"], "'zero' is not a bit rate"),
]


@pytest.mark.parametrize(("words", "says"), USAGE, ids=lambda value: " ".join(value) if isinstance(value, list) else "")
def test_wrong_usage_ends_with_2(words: list[str], says: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Options that make no sense alone or together end with exit code 2 and a line that says why."""
    with pytest.raises(SystemExit) as caught:
        call(*words)
    assert caught.value.code == 2
    assert says in capsys.readouterr().err


def test_play_reaches_another_node(scenario_file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What a python-can bus on the same virtual channel hears is the scenario, frame by frame."""
    expected = [(frame.can_id, frame.data) for frame in generate(load_scenario(scenario_file))]
    with can.Bus(interface="virtual", channel="rig-command", ignore_config=True) as peer:
        assert call(scenario_file, "-i", "virtual", "-c", "rig-command", "--speed", "1000") == 0
        heard = [(message.arbitration_id, bytes(message.data)) for message in iter(lambda: peer.recv(0), None)]
    assert heard == expected
    assert f"sent {len(expected)} frames" in capsys.readouterr().err


class FakeBus:
    """Stands in for the bus: calls `on_send` for each frame; nobody else speaks there."""

    on_send: Callable[[int, bytes], None]
    closed = False

    def __init__(self, settings: BusSettings) -> None:
        self.settings = settings

    def send(self, can_id: int, data: bytes) -> None:
        type(self).on_send(can_id, data)

    def read(self, timeout_s: float) -> list[Frame]:
        time.sleep(timeout_s)
        return []

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        type(self).closed = True


@pytest.fixture
def fake_bus(monkeypatch: pytest.MonkeyPatch) -> type[FakeBus]:
    """A bus of our own instead of a real one."""

    class Fresh(FakeBus):
        pass

    monkeypatch.setattr("faultlamp.bus.simulator.SimulatorBus", Fresh)
    return Fresh


def test_it_says_what_it_will_do_before_it_does(
    scenario_file: Path, fake_bus: type[FakeBus], capsys: pytest.CaptureFixture[str]
) -> None:
    """Before the first frame standard error has the bus and the caution; standard output stays empty."""
    said: list[str] = []
    fake_bus.on_send = staticmethod(lambda *_: said.append(capsys.readouterr().err))
    call(scenario_file, "-i", "socketcan", "-c", "can5", "--speed", "1000")
    assert "transmitting the simulated 'small' on can5 (socketcan) and answering requests there" in said[0]
    assert "Never transmit on the bus of a machine that moves" in said[0]
    assert capsys.readouterr().out == ""


def test_ctrl_c_closes_the_bus(scenario_file: Path, fake_bus: type[FakeBus]) -> None:
    """An interrupt ends the play and leaves the bus closed; the command's frame turns it into exit code 130."""
    from faultlamp.cli.main import main

    def interrupt(*_: object) -> None:
        raise KeyboardInterrupt

    fake_bus.on_send = staticmethod(interrupt)
    assert main(["rig", str(scenario_file), "-i", "virtual", "-c", "x"]) == 130
    assert fake_bus.closed


def test_loop_starts_over(scenario_file: Path, fake_bus: type[FakeBus]) -> None:
    """With --loop the scenario comes a second time, as it was."""
    once = [(frame.can_id, frame.data) for frame in generate(load_scenario(scenario_file))]
    sent: list[tuple[int, bytes]] = []

    def send(can_id: int, data: bytes) -> None:
        sent.append((can_id, data))
        if len(sent) == 2 * len(once):
            raise KeyboardInterrupt

    fake_bus.on_send = staticmethod(send)
    with pytest.raises(KeyboardInterrupt):
        call(scenario_file, "-i", "virtual", "-c", "x", "--loop", "--speed", "1000")
    assert sent == once + once


def test_a_bus_that_goes_away_is_one_line(scenario_file: Path, fake_bus: type[FakeBus]) -> None:
    """An error while sending leaves the command as BusError, with the bus closed."""

    def fail(*_: object) -> None:
        raise BusError("cannot send on x")

    fake_bus.on_send = staticmethod(fail)
    with pytest.raises(BusError):
        call(scenario_file, "-i", "virtual", "-c", "x")
    assert fake_bus.closed


FAILURES = [
    (["none.toml", "-o", "x.log"], "none.toml: no such scenario file"),
    (["quick-look", "-o", "none/x.log"], "No such file or directory (none/x.log)"),
    (["quick-look", "-o", "."], ". exists; choose another name"),
    (["quick-look", "-i", "no-such-adapter"], "no-such-adapter"),
]


@pytest.mark.parametrize(("words", "says"), FAILURES, ids=lambda value: "" if isinstance(value, list) else value)
def test_failures_end_with_1(tmp_path: Path, words: list[str], says: str) -> None:
    """What a user can get wrong is one line on standard error, nothing on standard output, exit code 1."""
    done = subprocess.run(
        [sys.executable, "-m", "faultlamp", "rig", *words], cwd=tmp_path, capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stdout) == (1, "")
    assert done.stderr.startswith("faultlamp: ")
    assert done.stderr.count("\n") == 1
    assert says in done.stderr
