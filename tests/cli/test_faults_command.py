"""`faultlamp faults` as a script meets it: formats, exit codes, one line for every failure."""

import csv
import io
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from faultlamp.cli.main import main

# SPN 110 FMI 3 by a single-frame DM1 (SAE J1939-73, section 5.7.1), then engine speed 700 rpm (SAE J1939-71).
LOG = """\
(1700000000.000000) can0 18FECA00#04FF6E000302FFFF
(1700000000.500000) can0 0CF00400#F07D7DE015FFF0FF
(1700000001.000000) can0 18FECA00#04FF6E000302FFFF
"""


@pytest.fixture
def log(tmp_path: Path) -> Path:
    """A recording with one active fault."""
    path = tmp_path / "a.log"
    path.write_text(LOG)
    return path


def run(*words: str | Path, given: bytes = b"", **environment: str) -> subprocess.CompletedProcess[bytes]:
    """The command as a process of its own, with a pipe for output."""
    return subprocess.run(
        [sys.executable, "-m", "faultlamp", *map(str, words)],
        input=given, capture_output=True, check=False, timeout=60, env={**os.environ, **environment},
    )


def test_json_is_the_default_when_piped(log: Path) -> None:
    """Machine output alone on standard output; the whole document as documented."""
    result = run("faults", log)
    assert (result.returncode, result.stderr) == (0, b"")
    document = json.loads(result.stdout)
    assert document == {
        "schema": 1,
        "capture": {"files": [str(log)], "frames": 3, "bad_lines": 0, "clock_steps": 0, "start": 1700000000.0,
                    "end": 1700000001.0, "channels": ["can0"]},
        "key_cycles": [{"channel": "can0", "start": 1700000000.0, "end": None, "engine_ran": True,
                        "max_engine_speed_rpm": 700.0}],
        "faults": [{
            "channel": "can0", "source_address": 0, "spn": 110, "fmi": 3, "occurrence_count": 2,
            "conversion_method": 0, "spn_name": "Engine Coolant Temperature 1",
            "fmi_meaning": "voltage above normal, or shorted to high source", "state": "active",
            "first_seen": 1700000000.0, "last_seen": 1700000001.0,
            "active_spans": [{"start": 1700000000.0, "end": None, "end_reason": "capture_end"}],
            "reported_in": ["DM1"],
        }],
        "lamps": [
            {"channel": "can0", "source_address": 0, "lamp": lamp,
             "spans": [{"start": 1700000000.0, "end": None, "state": state}]}
            for lamp, state in (("malfunction_indicator", "off"), ("red_stop", "off"), ("amber_warning", "on"),
                                ("protect", "off"))
        ],
        "transport": {"completed": 0, "aborted": 0, "timed_out": 0, "incomplete": 0, "out_of_order": 0, "malformed": 0},
    }


def test_standard_input(log: Path) -> None:
    """`-` reads what is piped in."""
    document = json.loads(run("faults", "-", given=log.read_bytes()).stdout)
    assert document["capture"]["files"] == ["-"]
    assert len(document["faults"]) == 1


def test_csv_has_a_row_a_fault(log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One header, one row, nulls empty."""
    assert main(["faults", str(log), "--format", "csv"]) == 0
    (row,) = csv.DictReader(io.StringIO(capsys.readouterr().out))
    assert (row["spn"], row["fmi"], row["state"], row["active_spans"], row["reported_in"]) == (
        "110", "3", "active", "1", "DM1",
    )


def test_table_says_what_a_person_needs(log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Fault, meaning, sender, lamp, key cycle, caution; no colour codes when it is not a terminal."""
    assert main(["faults", str(log), "--format", "table"]) == 0
    text = " ".join(capsys.readouterr().out.split())
    for part in ("SPN 110", "Engine Coolant Temperature 1", "1 active", "amber warning", "ran", "700 rpm", "Key off"):
        assert part in text
    assert "\x1b" not in text


def test_several_files_are_one_history(tmp_path: Path, log: Path) -> None:
    """The second file's earlier frames come first."""
    earlier = tmp_path / "b.log"
    earlier.write_text("(1699999999.000000) can0 18FECA00#00FF00000000FFFF\n")
    document = json.loads(run("faults", log, earlier).stdout)
    assert document["capture"]["start"] == 1699999999.0
    assert document["lamps"][2]["spans"][0]["end"] == 1700000000.0


@pytest.mark.parametrize(("words", "code"), [([], 0), (["--fail-on-active"], 3)], ids=["plain", "--fail-on-active"])
def test_fail_on_active(log: Path, words: list[str], code: int, capsys: pytest.CaptureFixture[str]) -> None:
    """3 only when asked for, after the usual output."""
    assert main(["faults", str(log), "--format", "json", *words]) == code
    assert json.loads(capsys.readouterr().out)["faults"]


def test_bad_lines_are_counted_and_strict_names_them(log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Skipped by default; an error with file and line when strict."""
    log.write_text(LOG + "\nnot a frame\n" + LOG)
    assert main(["faults", str(log), "--format", "json"]) == 0
    assert json.loads(capsys.readouterr().out)["capture"]["bad_lines"] == 1
    assert main(["faults", str(log), "--strict"]) == 1
    captured = capsys.readouterr()
    assert captured.out == ""
    assert captured.err.count("\n") == 1
    assert str(log) in captured.err
    assert "5" in captured.err


def failures(tmp_path: Path) -> dict[str, tuple[list[str], str]]:
    """Ways to go wrong: words of the command, and what the one line must name."""
    (tmp_path / "noise.bin").write_bytes(bytes(range(256)) * 50)
    (tmp_path / "cut.log.gz").write_bytes(b"\x1f\x8b\x08\x00\x00\x00\x00\x00\x00\x03")
    (tmp_path / "broken.blf").write_bytes(b"LOGG" + bytes(40))
    return {
        "missing": ([str(tmp_path / "none.log")], "none.log"),
        "a directory": ([str(tmp_path)], str(tmp_path)),
        "unknown format": ([str(tmp_path / "noise.bin")], "noise.bin"),
        "cut off": ([str(tmp_path / "cut.log.gz")], "cut.log.gz"),
        "damaged": ([str(tmp_path / "broken.blf")], "broken.blf"),
        "no such demo": (["demo:nothing-like-it"], "nothing-like-it"),
    }


@pytest.mark.parametrize("name", ["missing", "a directory", "unknown format", "cut off", "damaged", "no such demo"])
@pytest.mark.parametrize("command", ["faults", "values"])
def test_every_failure_is_one_line(
    tmp_path: Path, name: str, command: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """What, where, what to do: one line on standard error, exit 1, nothing else."""
    words, named = failures(tmp_path)[name]
    assert main([command, *words, "--format", "json"]) == 1
    captured = capsys.readouterr()
    assert named in captured.err
    assert captured.err.startswith("faultlamp: ")
    assert captured.err.count("\n") == 1


@pytest.mark.skipif(os.geteuid() == 0 and sys.platform != "linux", reason="needs a file that cannot be read")
def test_an_unreadable_file(log: Path) -> None:
    """No permission: said in one line (as root nothing is unreadable, so the test gives root away)."""
    log.chmod(0)
    words = [sys.executable, "-m", "faultlamp", "faults", str(log)]
    if os.geteuid() == 0:
        log.parent.chmod(0o755)
        words = ["setpriv", "--reuid=65534", "--clear-groups", *words]
        if subprocess.run(["setpriv", "--reuid=65534", "--clear-groups", sys.executable, "-c", "import faultlamp"],
                          capture_output=True, check=False).returncode:
            pytest.skip("another user cannot run this Python")
    result = subprocess.run(words, capture_output=True, check=False, timeout=60)
    assert result.returncode == 1
    assert result.stderr.count(b"\n") == 1
    assert b"a.log" in result.stderr


def test_an_empty_file_is_no_error(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """No frames: empty lists."""
    (tmp_path / "empty.log").touch()
    assert main(["faults", str(tmp_path / "empty.log"), "--format", "json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert (document["capture"]["frames"], document["faults"], document["capture"]["start"]) == (0, [], None)


WRONG_WORDS: list[Any] = [
    pytest.param(["faults"], id="no recording"),
    pytest.param(["faults", "x.log", "--format", "xml"], id="unknown format"),
    pytest.param(["faults", "x.log", "--spn-conversion", "0=5"], id="method 5"),
    pytest.param(["faults", "x.log", "--spn-conversion", "254=1"], id="address 254"),
    pytest.param(["faults", "x.log", "--engine-address", "x"], id="address is no number"),
    pytest.param(["values", "x.log", "--every", "0s"], id="interval of zero"),
    pytest.param(["values", "x.log", "--spn", "coolant"], id="SPN is no number"),
    pytest.param(["sing"], id="unknown command"),
    pytest.param([], id="no command"),
]


@pytest.mark.parametrize("words", WRONG_WORDS)
def test_wrong_usage(words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    """Exit 2, with the usage on standard error."""
    with pytest.raises(SystemExit) as stop:
        main(words)
    assert stop.value.code == 2
    assert "usage" in capsys.readouterr().err


def test_a_reader_that_goes_away(log: Path) -> None:
    """`| head` ends the command without a word."""
    log.write_text(LOG * 20000)
    script = f"'{sys.executable}' -m faultlamp values '{log}' --format csv | head -1"
    result = subprocess.run(["bash", "-c", script], capture_output=True, check=False, timeout=60)
    assert result.stdout.startswith(b"time,channel")
    assert result.stderr == b""


def test_a_full_disk(log: Path) -> None:
    """What cannot be written is said in one line."""
    script = f"'{sys.executable}' -m faultlamp faults '{log}' > /dev/full"
    result = subprocess.run(["bash", "-c", script], capture_output=True, check=False, timeout=60)
    assert result.returncode == 1
    assert result.stderr.count(b"\n") == 1


def test_ctrl_c_ends_without_a_traceback(tmp_path: Path) -> None:
    """Exit 130 and silence, while waiting for standard input."""
    process = subprocess.Popen(
        [sys.executable, "-m", "faultlamp", "faults", "-"], stdin=subprocess.PIPE, stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    time.sleep(1.5)
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=20)
    assert (process.returncode, out, err) == (130, b"", b"")


def test_control_characters_in_a_channel_name_never_reach_a_terminal(log: Path) -> None:
    """The table strips escape sequences and takes markup as plain text."""
    log.write_text("(1700000000.0) x\x1b[2J 18FECA00#04FF6E000302FFFF\n"
                   "(1700000001.0) [red] 18FECA00#04FF6E000302FFFF\n"
                   "(1700000002.0) can1 18FECA00#04FF6E000302FFFF\n")
    result = run("faults", log, "--format", "table")
    assert b"\x1b" not in result.stdout
    assert b"[red]" in result.stdout


@pytest.mark.parametrize("module", ["textual", "cantools", "can", "rich", "asyncio"])
def test_what_is_not_needed_is_not_loaded(log: Path, module: str) -> None:
    """`faults` on a candump log starts fast because it leaves the heavy libraries alone."""
    code = (
        "import sys; from faultlamp.cli.main import main; "
        f"main(['faults', {str(log)!r}, '--format', 'json']); sys.exit({module!r} in sys.modules)"
    )
    result = subprocess.run([sys.executable, "-c", code], capture_output=True, check=False, timeout=60)
    assert (result.returncode, result.stderr) == (0, b"")
