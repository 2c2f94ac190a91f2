"""`faultlamp report` as a person meets it: the list of faults, files, units, and one line for every failure."""

import errno
import hashlib
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from faultlamp.cli import report
from faultlamp.cli.main import main
from support.papers import found, parsed, rows, section, words, write_log
from tui.scene import dm1, pump_job, second

STATES = {"stored": "previously_active", "silent": "inactive"}


def run(*arguments: str | Path, given: bytes = b"") -> subprocess.CompletedProcess[bytes]:
    """The command in a process of its own."""
    return subprocess.run(
        [sys.executable, "-m", "faultlamp", *map(str, arguments)], input=given, capture_output=True, check=False,
        timeout=60, env=dict(os.environ),
    )


@pytest.fixture
def log(tmp_path: Path) -> Path:
    """The invented pump set, 30 s."""
    return write_log(tmp_path / "pump.log", pump_job(30))


@pytest.mark.parametrize("name", ["pump-set", "quick-look", "kernel-j1939"])
def test_the_faults_are_those_of_the_json_document(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each once, with the same state; key cycles and transport counts too."""
    assert main(["faults", f"demo:{name}", "--format", "json"]) == 0
    document = json.loads(capsys.readouterr().out)
    out = tmp_path / "page.html"
    assert main(["report", f"demo:{name}", "-o", str(out)]) == 0
    tree = parsed(out.read_text())
    shown = sorted(
        (row.get("data-channel"), int(row.get("data-address") or -1), int(row.get("data-spn") or -1),
         int(row.get("data-fmi") or -1), STATES.get(row.get("data-state") or "", row.get("data-state")))
        for row in tree.iter("tr") if row.get("data-spn")
    )
    assert shown == [
        (one["channel"], one["source_address"], one["spn"], one["fmi"], one["state"]) for one in document["faults"]
    ]
    cycles = rows(section(tree, "Key cycles")) if document["key_cycles"] else []
    assert [row[4] for row in cycles] == ["yes" if one["engine_ran"] else "no" for one in document["key_cycles"]]
    counts = ", ".join(f"{count:,} {key.replace('_', ' ')}" for key, count in document["transport"].items())
    assert counts in words(section(tree, "Where this comes from"))


def test_what_people_say_is_on_the_page(log: Path, tmp_path: Path) -> None:
    """Title, names, notes from options and from a file; metric and US."""
    (tmp_path / "n.txt").write_text("2023-11-14 22:13:50  (1700000025.000000)  loose plug\nHose changed.\n")
    out = tmp_path / "page.html"
    assert main([
        "report", "-o", str(out), "--title", "Pump 7", "--technician", "T. Example", "--note", "Rain.", str(log),
        "--customer", "Field & Sons", "--notes", str(tmp_path / "n.txt"), "--units", "us", "--note", "Mud.",
    ]) == 0
    tree = parsed(out.read_text())
    assert words(next(tree.iter("h1"))) == "Pump 7"
    facts = [words(one) for one in tree.iter("dd")]
    assert {"T. Example", "Field & Sons", "loose plug"} <= set(facts)
    assert words(section(tree, "Notes")).startswith("Notes Rain. Mud. Hose changed. ")
    assert [row[2] for row in rows(section(tree, "Readings")) if row[0].endswith("SPN 100")] == ["psi"]


def test_provenance(log: Path, tmp_path: Path) -> None:
    """SHA-256 of the file's bytes as hashlib has it, size, frames, bad lines."""
    log.write_text(log.read_text() + "rubbish\n")
    out = tmp_path / "page.html"
    assert main(["report", str(log), "-o", str(out)]) == 0
    text = words(section(parsed(out.read_text()), "Where this comes from"))
    assert hashlib.sha256(log.read_bytes()).hexdigest() in text
    assert f"{log.stat().st_size:,} bytes" in text
    assert "Lines that are no frame 1" in text.replace("frame1", "frame 1")


def test_standard_input_to_standard_output(log: Path) -> None:
    """The page alone on standard output; what was piped in has no fingerprint, and that is said."""
    result = run("report", "-", "-o", "-", given=log.read_bytes())
    assert (result.returncode, result.stderr) == (0, b"")
    text = words(section(parsed(result.stdout.decode()), "Where this comes from"))
    assert "standard input no SHA-256: not a file" in text.replace("inputno", "input no")


def test_several_files_are_one_history(tmp_path: Path) -> None:
    """Merged by time, both named; a compressed one too."""
    first = write_log(tmp_path / "a.log", second(0))
    other = write_log(tmp_path / "b.log", dm1(5, "04FF", "6E000301", source="3D", channel="can1"))
    out = tmp_path / "page.html"
    assert main(["report", str(other), str(first), "-o", str(out)]) == 0
    tree = parsed(out.read_text())
    assert [row.get("data-channel") for row in found(tree, "tr", data_spn="110")] == ["can1"]
    assert words(next(tree.iter("h1"))) == "Fault report: b.log and 1 more"


@pytest.mark.parametrize(
    ("words_given", "said"),
    [
        pytest.param(["pump.log", "-o", "there.html"], "there.html exists and is not overwritten", id="taken"),
        pytest.param(["pump.log", "-o", "no/page.html"], "there is no folder no", id="no folder"),
        pytest.param(["pump.log", "-o", "."], "is not a file's name", id="a folder"),
        pytest.param(["pump.log", "-o", "new/"], "'new/' is not a file's name", id="a folder to be"),
        pytest.param(["pump.log", "-o", ""], "is not a file's name", id="nothing"),
        pytest.param(["none.log", "-o", "page.html"], "none.log: no such file", id="no recording"),
        pytest.param(["pump.log", "-o", "page.html", "--notes", "none.txt"], "--notes none.txt: cannot be read",
                     id="no notes"),
        pytest.param(["pump.log", "-o", "page.html", "--notes", "binary"], "binary: is no text", id="binary notes"),
        pytest.param(["pump.log", "-o", "page.html", "--crosswalk", "none.csv"], "none.csv", id="no crosswalk"),
        pytest.param(["bad.log", "-o", "page.html", "--strict"], "bad.log", id="strict"),
    ],
)
def test_failures_are_one_line(
    words_given: list[str], said: str, log: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Exit code 1, what and where; nothing is left behind, nothing is overwritten."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "there.html").write_text("mine")
    (tmp_path / "binary").write_bytes(b"\0\1")
    (tmp_path / "bad.log").write_text("rubbish\n")
    before = sorted(os.listdir())
    assert main(["report", *words_given]) == 1
    err = capsys.readouterr().err
    assert said in err
    assert len(err.splitlines()) == 1
    assert sorted(os.listdir()) == before
    assert (tmp_path / "there.html").read_text() == "mine"


@pytest.mark.parametrize(
    "option", [[], ["--units", "furlongs"], ["--title", "x" * 1001]], ids=["no -o", "units", "too long"]
)
def test_wrong_usage(option: list[str], log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Exit code 2."""
    output = ["-o", "-"] if option else []
    with pytest.raises(SystemExit) as left:
        main(["report", str(log), *output, *option])
    assert left.value.code == 2
    capsys.readouterr()


def test_a_full_disk_leaves_nothing(
    log: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The unfinished file goes, the name stays free, the reason is told."""
    def full(_: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", full)
    before = sorted(tmp_path.iterdir())
    assert main(["report", str(log), "-o", str(tmp_path / "page.html")]) == 1
    assert "No space left on device" in capsys.readouterr().err
    assert sorted(tmp_path.iterdir()) == before


def test_a_name_that_is_taken_meanwhile_is_left_alone(tmp_path: Path) -> None:
    """Even when another program makes the file at the last moment; also where a file has one name only."""
    out = tmp_path / "page.html"
    out.write_text("mine")
    with pytest.raises(report.CaptureError, match="not overwritten"):
        report._write_whole(str(out), b"page")
    assert out.read_text() == "mine"
    assert list(tmp_path.iterdir()) == [out]


def test_without_hard_links(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Some file systems have none: the file is renamed then, and still replaces nothing."""
    def refuse(*_: str) -> None:
        raise PermissionError(errno.EPERM, os.strerror(errno.EPERM))

    monkeypatch.setattr(os, "link", refuse)
    out = tmp_path / "page.html"
    report._write_whole(str(out), b"page")
    with pytest.raises(report.CaptureError, match="not overwritten"):
        report._write_whole(str(out), b"other")
    assert out.read_bytes() == b"page"
    assert list(tmp_path.iterdir()) == [out]


def test_an_empty_recording_is_a_page(tmp_path: Path) -> None:
    """Exit code 0, as for `faults`."""
    (tmp_path / "empty.log").write_text("")
    assert main(["report", str(tmp_path / "empty.log"), "-o", str(tmp_path / "page.html")]) == 0
    assert "Nothing was recorded" in (tmp_path / "page.html").read_text()
