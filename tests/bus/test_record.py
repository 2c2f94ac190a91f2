"""`faultlamp record`: a bus into files, until it is stopped."""

import gzip
import os
import pty
import re
import select
import signal
import subprocess
import sys
import time
from pathlib import Path

import can
import pytest

from faultlamp.bus.loading import load_python_can
from faultlamp.capture import Capture
from faultlamp.cli.main import main
from support.command import environment


def command(*words: str) -> list[str]:
    """The command as a person starts it."""
    return [sys.executable, "-m", "faultlamp", "record", *words]


def record(home: Path, *words: str) -> subprocess.CompletedProcess[str]:
    """Run it to its end."""
    return subprocess.run(
        command(*words), env=environment(home), stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=60,
        check=False,
    )


def frames_in(*paths: Path) -> int:
    """Frames of recordings in which every line is one."""
    return sum(len(block) for block in Capture([str(path) for path in paths], strict=True).blocks())


def wait_for(path: Path, size: int) -> None:
    """Until the file has grown to that size."""
    deadline = time.monotonic() + 20
    while not (path.exists() and path.stat().st_size >= size):
        assert time.monotonic() < deadline, f"{path.name} stays small"
        time.sleep(0.02)


def test_for_some_seconds(tmp_path: Path) -> None:
    """Exit code 0, nothing on standard output, a first line and a summary that is true."""
    path = tmp_path / "job.log"
    done = record(tmp_path, "-o", str(path), "--rig", "quick-look", "--for", "1.5")
    assert (done.returncode, done.stdout) == (0, "")
    first, summary = done.stderr.splitlines()
    assert first.startswith("faultlamp: recording simulated engine, quick-look (invented data) into ")
    assert "; sends nothing; Ctrl-C ends it" in first
    said = re.fullmatch(rf"faultlamp: (\d+) frames in 1\.\d s recorded in {re.escape(str(path))}, \d+ kB", summary)
    assert said is not None, summary
    with can.CanutilsLogReader(path) as reader:
        assert int(said[1]) == len(list(reader)) > 50


def test_several_compressed_files(tmp_path: Path) -> None:
    """Rotation and compression together: all files merged are what the summary counts."""
    done = record(
        tmp_path, "-o", str(tmp_path / "job.log"), "--compress", "gz", "--rotate-every", "1s", "--rig", "quick-look",
        "--for", "2.7",
    )
    assert done.returncode == 0, done.stderr
    files = sorted(tmp_path.glob("job-*"))
    assert [file.name for file in files] == ["job-0001.log.gz", "job-0002.log.gz"] + (
        ["job-0003.log.gz"] if len(files) == 3 else []
    )
    said = re.search(r"faultlamp: (\d+) frames in .*job-0001\.log\.gz to .*job-000[23]\.log\.gz", done.stderr)
    assert said is not None, done.stderr
    assert frames_in(*files) == int(said[1]) > 100


@pytest.mark.skipif(os.name == "nt", reason="needs signals between processes")
@pytest.mark.parametrize(
    ("number", "code"), [(signal.SIGINT, 130), (signal.SIGTERM, 143), (signal.SIGHUP, 129)],
    ids=["ctrl-c", "terminate", "terminal-gone"],
)
def test_stopping_leaves_a_whole_file(tmp_path: Path, number: signal.Signals, code: int) -> None:
    """The file is complete, the summary is there, the exit code is the signal's."""
    path = tmp_path / "job.log.zst"
    with subprocess.Popen(
        command("-o", str(path), "--rig", "quick-look"), env=environment(tmp_path), stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True,
    ) as process:
        wait_for(path, 500)
        process.send_signal(number)
        _, said = process.communicate(timeout=20)
    assert process.returncode == code
    counted = re.search(r"faultlamp: (\d+) frames in .* recorded in ", said)
    assert counted is not None, said
    assert frames_in(path) == int(counted[1]) > 0


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="needs a kill that cannot be caught")
@pytest.mark.parametrize("suffix", ["", ".gz", ".zst"])
def test_a_kill_costs_at_most_the_last_second(tmp_path: Path, suffix: str) -> None:
    """kill -9: the file reads without an error, and its last frame is less than a second old."""
    path = tmp_path / f"job.log{suffix}"
    with subprocess.Popen(
        command("-o", str(path), "--rig", "quick-look"), env=environment(tmp_path), stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    ) as process:
        wait_for(path, 1000 if suffix else 10_000)
        killed_s = time.time()
        process.kill()
        process.wait(10)
    capture = Capture([str(path)], strict=True)
    last_s = max(int(block.time_ns[-1]) for block in capture.blocks()) / 1e9
    assert killed_s - last_s < 1.0


@pytest.mark.parametrize(
    ("words", "parts"),
    [
        pytest.param(("-o", "there.log", "--rig", "quick-look"), ["there.log is there already and stays as it is"],
                     id="existing"),
        pytest.param(("-o", "no/such/a.log", "--rig", "quick-look"), ["cannot record to", "No such file or directory"],
                     id="no-folder"),
        pytest.param(("-o", "there.log/a.log", "--rig", "quick-look"), ["Not a directory"], id="file-as-folder"),
        pytest.param(("-o", "a.log", "-i", "socketcan", "-c", "nosuchcan7"), ["cannot open nosuchcan7"],
                     id="no-device"),
        pytest.param(("-o", "a.log", "--rig", "no-such"), ["quick-look"], id="no-scenario"),
    ],
)
def test_a_failure_at_the_start_is_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], words: tuple[str, ...],
    parts: list[str],
) -> None:
    """Exit code 1, nothing that was there changes, and no empty file stays where no bus could be opened."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "there.log").write_bytes(b"precious")
    assert main(["record", *words]) == 1
    out, err = capsys.readouterr()
    assert out == ""
    assert len(err.splitlines()) == 1
    for part in parts:
        assert part in err
    assert [(path.name, path.read_bytes()) for path in tmp_path.iterdir()] == [("there.log", b"precious")]


@pytest.mark.skipif(not hasattr(os, "geteuid"), reason="needs permissions of folders")
def test_a_folder_that_may_not_be_written_is_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The system's own words and what to do; the superuser, who may write anywhere, is nobody (65534) meanwhile."""
    load_python_can()
    folder = tmp_path / "folder"
    folder.mkdir(mode=0o500)
    superuser = os.geteuid() == 0
    if superuser:
        os.seteuid(65534)
    try:
        code = main(["record", "-o", str(folder / "a.log"), "--rig", "quick-look"])
    finally:
        if superuser:
            os.seteuid(0)
    assert code == 1
    assert "Permission denied; choose another folder or name" in capsys.readouterr().err
    assert list(folder.iterdir()) == []


@pytest.mark.parametrize(
    "words",
    [
        pytest.param((), id="nowhere"), pytest.param(("-o", "-"), id="standard output"),
        pytest.param(("-o", "a.blf"), id="another format"), pytest.param(("-o", "a.log.xz"), id="another compression"),
        pytest.param(("-o", "a.log.gz", "--compress", "zst"), id="two compressions"),
        pytest.param(("-o", "a.log", "--rig", "quick-look", "-c", "can0"), id="rig and bus"),
        pytest.param(("-o", "a.log", "--rotate-size", "100"), id="files too small"),
        pytest.param(("-o", "a.log", "--rotate-every", "0s"), id="no time"),
    ],
)
def test_wrong_usage_is_exit_code_2(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], words: tuple[str, ...]
) -> None:
    """argparse's message, nothing opened and nothing made."""
    monkeypatch.chdir(tmp_path)
    with pytest.raises(SystemExit) as ended:
        main(["record", *words])
    assert ended.value.code == 2
    assert "error: " in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(not hasattr(signal, "SIGXFSZ"), reason="needs a system that limits the size of files")
@pytest.mark.parametrize("suffix", ["", ".gz"])
def test_a_full_disk_ends_it_with_a_readable_file(tmp_path: Path, suffix: str) -> None:
    """The kernel refuses past a size (RLIMIT_FSIZE): one line, exit code 1, all before it is there."""
    path = tmp_path / f"job.log{suffix}"
    limit = 1500 if suffix else 9000
    program = f"""
import resource, signal, sys
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, ({limit}, {limit}))
from faultlamp.cli.main import main
sys.exit(main(["record", "-o", {str(path)!r}, "--rig", "quick-look", "--for", "30"]))
"""
    done = subprocess.run(
        [sys.executable, "-c", program], env=environment(tmp_path), stdin=subprocess.DEVNULL, capture_output=True,
        text=True, timeout=60, check=False,
    )
    assert done.returncode == 1
    said = re.search(r"ended after (\d+) frames: File too large; ", done.stderr.splitlines()[-1])
    assert said is not None, done.stderr
    assert "Traceback" not in done.stderr
    assert frames_in(path) == int(said[1]) > 0
    if suffix:
        assert gzip.decompress(path.read_bytes()).count(b"\n") == int(said[1])


class Flaky:
    """A bus of three frames whose adapter then goes."""

    def __init__(self, first_s: float) -> None:
        self.messages = [can.Message(arbitration_id=1, timestamp=first_s + number) for number in range(3)]

    def recv(self, timeout_s: float) -> can.Message:
        if self.messages:
            return self.messages.pop(0)
        raise can.CanOperationError("Could not read") from OSError(5, "Input/output error")

    def shutdown(self) -> None:
        """Nothing to do."""


def test_a_bus_that_is_lost_is_said_and_recorded_again(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """Both halves are in the one file; the lines about the gap are on standard error."""
    adapters = [Flaky(1_700_000_000), Flaky(1_700_000_009)]

    def open_next(**_: object) -> Flaky:
        if not adapters:
            raise can.CanInitializationError("No such device") from OSError(19, "No such device")
        return adapters.pop(0)

    monkeypatch.setattr(can, "Bus", open_next)
    path = tmp_path / "job.log"
    assert main(["record", "-o", str(path), "-i", "virtual", "-c", "x", "--for", "1"]) == 0
    _, lost, back, lost_again, summary = capsys.readouterr().err.splitlines()
    assert " x bus lost: cannot read from x (virtual): " in lost
    assert " x bus back after " in back
    assert " x bus lost: " in lost_again
    assert "faultlamp: 6 frames in" in summary
    assert "2 gaps in which the bus was lost, the last one to the end" in summary
    assert path.read_text().count("\n") == 6


def test_a_terminal_gets_a_line_of_progress(tmp_path: Path) -> None:
    """Frames, frames a second and size, drawn over one another; the summary stands alone."""
    ours, theirs = pty.openpty()
    with subprocess.Popen(
        command("-o", str(tmp_path / "job.log"), "--rig", "quick-look", "--for", "2"), env=environment(tmp_path),
        stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=theirs,
    ) as process:
        os.close(theirs)
        said = b""
        while select.select([ours], [], [], 20)[0]:
            try:
                piece = os.read(ours, 4096)
            except OSError:  # Linux says EIO when the other side is closed
                break
            if not piece:
                break
            said += piece
    os.close(ours)
    assert process.returncode == 0
    assert re.search(rb"\r\d+ frames, \d+ frames/s, \d+ (bytes|kB) in ", said)
    assert re.search(rb"\rfaultlamp: \d+ frames in 2\.\d s recorded in ", said)
