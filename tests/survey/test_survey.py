"""`faultlamp survey` as a script meets it: tables that join, work that is not done twice, bad recordings listed."""

import contextlib
import gzip
import json
import os
import pty
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import duckdb
import pandas
import polars
import pyarrow.parquet
import pytest

from faultlamp.cli.main import main
from faultlamp.survey.tables import SCHEMAS

TABLES = ("captures", "faults", "fault_spans", "lamps", "key_cycles", "readings", "identities")


def rows(survey: Path, table: str, **wanted: Any) -> list[dict[str, Any]]:
    """Rows of a table with these values, in the order of their files and in them."""
    found = []
    for file in sorted((survey / table).iterdir()):
        found += pyarrow.parquet.read_table(file).to_pylist()
    return [row for row in found if all(row[column] == value for column, value in wanted.items())]


def stamps(survey: Path) -> dict[str, int]:
    """When each file of the survey was written."""
    return {str(file.relative_to(survey)): file.stat().st_mtime_ns for file in survey.rglob("*.parquet")}


def test_every_recording_has_a_row_and_bad_ones_say_why(survey: Path, recordings: Path) -> None:
    """24 good, three damaged with one line each, and the text file is none."""
    good, bad = rows(survey, "captures", status="ok"), rows(survey, "captures", status="failed")
    names = {str(path) for path in recordings.rglob("*") if path.is_file() and path.suffix != ".txt"}
    assert {row["path"] for row in good + bad} == names
    assert len(good) == 24
    assert all(row["error"] is None for row in good)
    reasons = {Path(row["path"]).name: row["error"] for row in bad}
    assert reasons["cut.log.gz"].startswith("cut off after 0 readable frames")
    assert reasons["noise.blf"].startswith("damaged or not a .blf recording")
    assert reasons["noise.log.zst"].startswith("damaged")
    assert all(row["frames"] is None for row in bad)


def test_bad_recordings_are_listed_at_the_end(
    recordings: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A line each on standard error, what was not there among them, then the counts; nothing on standard output."""
    good = recordings / "yard-0" / "machine-04.log"
    words = [str(good), str(recordings / "bad"), str(tmp_path / "none.log"), str(tmp_path / "*.log"), "-"]
    assert main(["survey", *words, "-o", str(tmp_path / "s"), "--jobs", "1"]) == 0
    captured = capsys.readouterr()
    assert captured.out == ""
    lines = captured.err.splitlines()
    assert len(lines) == 7
    assert all(line.startswith("faultlamp: failed: ") for line in lines[:-1])
    assert lines[-1] == f"faultlamp: 1 recordings read, 0 done before, 6 failed; tables in {tmp_path / 's'}"
    assert sum("none.log: cannot be read (No such file or directory)" in line for line in lines) == 1
    assert len(rows(tmp_path / "s", "captures")) == 4


@pytest.mark.parametrize("path", ["bad", "nothing", "."])
def test_nothing_to_do_is_an_error(recordings: Path, tmp_path: Path, path: str) -> None:
    """Only when no recording at all could be read: damaged ones alone, no such path, an empty directory."""
    words = str(recordings / path) if path == "bad" else str(tmp_path / path)
    assert main(["survey", words, "-o", str(tmp_path / "s"), "--jobs", "1"]) == 1


def joined(row: dict[str, Any], columns: tuple[str, ...]) -> dict[str, Any]:
    return {column: row[column] for column in columns}


def test_the_rows_are_those_of_the_json_document(
    survey: Path, recordings: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """For every recording: capture, faults, spans, lamps and key cycles as `faults --format json` prints them."""
    compared = 0
    for capture in rows(survey, "captures", status="ok"):
        assert main(["faults", capture["path"], "--format", "json"]) == 0
        document = json.loads(capsys.readouterr().out)
        at = {"capture_id": capture["capture_id"]}
        expected = document["capture"] | {f"transport_{key}": value for key, value in document["transport"].items()}
        del expected["files"]
        assert {key: capture[key] for key in expected} == expected
        assert rows(survey, "key_cycles", **at) == [at | cycle for cycle in document["key_cycles"]]
        assert rows(survey, "faults", **at) == [
            at | fault | {"active_spans": len(fault["active_spans"])} for fault in document["faults"]
        ]
        who = ("channel", "source_address")
        assert rows(survey, "fault_spans", **at) == [
            at | joined(fault, (*who, "spn", "fmi")) | span
            for fault in document["faults"] for span in fault["active_spans"]
        ]
        assert rows(survey, "lamps", **at) == [
            at | joined(lamp, (*who, "lamp")) | span for lamp in document["lamps"] for span in lamp["spans"]
        ]
        compared += len(document["faults"])
    assert compared == 10 + 2 * 3 + 1


def test_readings_and_identities(survey: Path) -> None:
    """Engine speed 700 rpm throughout (as the frame's source says), and the texts without their counts and stars."""
    (capture,) = [row for row in rows(survey, "captures", status="ok") if "machine-13" in row["path"]]
    at = {"capture_id": capture["capture_id"], "channel": "can0", "source_address": 0}
    (speed,) = rows(survey, "readings", spn=190, **at)
    assert speed == at | {
        "pgn": 61444, "spn": 190, "name": "Engine Speed", "unit": "rpm", "n_ok": 40, "n_not_available": 0, "n_error": 0,
        "min": 700.0, "mean": 700.0, "max": 700.0, "first": 700.0, "last": 700.0,
    }
    texts = [(row["kind"], row["text"], row["fields"]) for row in rows(survey, "identities", **at)]
    assert texts == [
        ("software", "INVENTED ENGINE 2.0", ["INVENTED ENGINE 2.0"]),
        ("vin", "INVENTEDPUMP00013", ["INVENTEDPUMP00013"]),
    ]


def test_every_table_has_its_types_in_every_file(survey: Path) -> None:
    """Also where there is no row, as for a recording without a fault or one that cannot be read."""
    assert tuple(SCHEMAS) == TABLES
    names = {file.name for file in (survey / "captures").iterdir()}
    for table in TABLES:
        assert {file.name for file in (survey / table).iterdir()} == names
        for file in (survey / table).iterdir():
            assert pyarrow.parquet.read_schema(file).equals(SCHEMAS[table])


def test_duckdb_polars_and_pandas_read_it(survey: Path) -> None:
    """The same rows in each, with numbers as numbers; directories and patterns both work."""
    for table in TABLES:
        count = len(rows(survey, table))
        (in_duckdb,) = duckdb.sql(f"SELECT count(*) FROM '{survey}/{table}/*.parquet'").fetchall()
        assert in_duckdb == (count,)
        assert polars.read_parquet(f"{survey}/{table}/*.parquet").height == count
        assert len(pandas.read_parquet(survey / table)) == count
    one = polars.read_parquet(f"{survey}/fault_spans/*.parquet")
    assert (one.schema["source_address"], one.schema["spn"]) == (polars.UInt8, polars.Int32)
    assert pandas.read_parquet(survey / "lamps")["start"].dtype == "float64"


def test_what_is_done_is_not_done_again(recordings: Path, survey: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The second time only the damaged ones are tried; not one byte of the others is written."""
    before = stamps(survey)
    assert main(["survey", str(recordings), "-o", str(survey), "--jobs", "1"]) == 0
    assert "0 recordings read, 24 done before, 3 failed" in capsys.readouterr().err
    good = {row["capture_id"] for row in rows(survey, "captures", status="ok")}
    again = {name for name, stamp in stamps(survey).items() if stamp != before[name]}
    assert not {Path(name).stem for name in again} & good


def test_changes_are_surveyed_and_replace_what_was(
    make_fleet: Callable[[Path], Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A changed, a new, a mended and a spoilt recording, and those alone; other options change them all."""
    yard = make_fleet(tmp_path / "fleet") / "yard-0"
    words = ["survey", str(yard), "-o", str(tmp_path / "s"), "--jobs", "1"]
    assert main(words) == 0
    before = stamps(tmp_path / "s")
    (yard / "machine-00.log").write_bytes((yard / "machine-04.log").read_bytes())
    (yard / "new.log").write_bytes((yard / "machine-20.log").read_bytes())
    (yard / "machine-08.log").unlink()
    (yard / "machine-06.log.gz").write_bytes(b"spoilt")
    assert main(words) == 0
    assert "2 recordings read, 9 done before, 1 failed" in capsys.readouterr().err
    ids = {Path(row["path"]).name: row["capture_id"] for row in rows(tmp_path / "s", "captures")}
    changed = {name for name, stamp in stamps(tmp_path / "s").items() if stamp != before.get(name)}
    touched = ("machine-00.log", "new.log", "machine-06.log.gz")
    assert {Path(name).stem for name in changed} == {ids[name] for name in touched}
    assert [row["spn"] for row in rows(tmp_path / "s", "faults", capture_id=ids["machine-00.log"])] == [168]
    assert [row["spn"] for row in rows(tmp_path / "s", "faults", capture_id=ids["new.log"])] == [3509]
    assert rows(tmp_path / "s", "faults", capture_id=ids["machine-06.log.gz"]) == []
    assert len(rows(tmp_path / "s", "faults", capture_id=ids["machine-08.log"])) == 1

    assert main([*words, "--engine-address", "3", "--no-values"]) == 0
    assert "11 recordings read, 0 done before, 1 failed" in capsys.readouterr().err
    gone = ids["machine-08.log"]
    assert {row["capture_id"] for row in rows(tmp_path / "s", "readings")} == {gone}
    assert {row["capture_id"] for row in rows(tmp_path / "s", "key_cycles")} == {gone}


def test_a_users_dbc_and_an_older_code_order(tmp_path: Path) -> None:
    """--dbc adds a group; --spn-conversion 1 takes the SPN's high byte first (SAE J1939-73, section 5.7.1)."""
    (tmp_path / "own.dbc").write_text('VERSION ""\nNS_ :\nBS_:\nBU_: X\nBO_ 2566848766 OWN: 8 X\n'
                                      ' SG_ Flow : 0|16@1+ (0.1,0) [0|0] "L/s" X\n')
    (tmp_path / "a.log").write_text("(1700000000.000000) can0 18FF0000#6400FFFFFFFFFFFF\n"
                                    "(1700000000.500000) can0 18FECA00#04FF00138381FFFF\n")
    words = ["survey", str(tmp_path / "a.log"), "-o", str(tmp_path / "s"), "--jobs", "1"]
    assert main([*words, "--dbc", str(tmp_path / "own.dbc"), "--spn-conversion", "0=1"]) == 0
    (reading,) = rows(tmp_path / "s", "readings", pgn=65280)
    assert (reading["name"], reading["spn"], reading["unit"], reading["last"]) == ("Flow", None, "L/s", 10.0)
    (fault,) = rows(tmp_path / "s", "faults")
    assert (fault["spn"], fault["fmi"], fault["conversion_method"]) == (156, 3, 1)


def test_what_a_dbc_has_for_nothing_is_a_warning_and_not_too_many(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Identifiers of 11 bits are none of J1939 (SAE J1939-21, section 5.2): 20 lines, then how many more."""
    standard = "".join(f"BO_ {number} OWN{number}: 8 X\n" for number in range(1, 31))
    (tmp_path / "own.dbc").write_text(f'VERSION ""\nNS_ :\nBS_:\nBU_: X\n{standard}')
    (tmp_path / "a.log").write_text("(1700000000.000000) can0 18FF0000#6400FFFFFFFFFFFF\n")
    words = ["survey", str(tmp_path / "a.log"), "-o", str(tmp_path / "s"), "--jobs", "1"]
    assert main([*words, "--dbc", str(tmp_path / "own.dbc")]) == 0
    warnings = [line for line in capsys.readouterr().err.splitlines() if "warning: " in line]
    assert len(warnings) == 21
    assert "11-bit identifier" in warnings[0]
    assert "and 10 more" in warnings[-1]


def test_a_directory_with_other_columns_is_left_alone(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Rows of two layouts in one table would help nobody."""
    (tmp_path / "s" / "faults").mkdir(parents=True)
    file = tmp_path / "s" / "faults" / "old.parquet"
    pyarrow.parquet.write_table(pyarrow.table({"capture_id": ["x"]}), file)
    (tmp_path / "a.log").write_text("")
    assert main(["survey", str(tmp_path / "a.log"), "-o", str(tmp_path / "s")]) == 1
    assert capsys.readouterr().err == (
        f"faultlamp: {tmp_path / 's'}: its faults have other columns than now: name a new directory\n"
    )


def test_without_pyarrow_one_line_says_what_to_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """It is an optional extra."""
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    assert main(["survey", str(tmp_path), "-o", str(tmp_path / "s")]) == 1
    assert 'pip install "faultlamp[parquet]"' in capsys.readouterr().err


@pytest.mark.parametrize("target", ["file", "s3://bucket/out"])
def test_an_output_that_is_no_directory(
    tmp_path: Path, target: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """One line, and nothing is made."""
    monkeypatch.chdir(tmp_path)
    Path("file").write_text("")
    assert main(["survey", "demo:quick-look", "-o", target]) == 1
    assert capsys.readouterr().err.count("\n") == 1
    assert os.listdir() == ["file"]


def test_a_terminal_sees_how_far_it_is(recordings: Path, tmp_path: Path) -> None:
    """A bar while it reads, which is gone when the last line is written."""
    ours, theirs = pty.openpty()
    words = ["survey", str(recordings / "yard-1"), "-o", str(tmp_path / "s"), "--jobs", "1"]
    with subprocess.Popen([sys.executable, "-m", "faultlamp", *words], stderr=theirs) as process:
        os.close(theirs)
        shown = b""
        # Linux ends the reading of a terminal that nobody has open with EIO.
        with contextlib.suppress(OSError):
            while some := os.read(ours, 65536):
                shown += some
    os.close(ours)
    assert process.returncode == 0
    assert b"12 to read" in shown
    assert shown.rstrip().endswith(f"12 recordings read, 0 done before, 0 failed; tables in {tmp_path / 's'}".encode())


@pytest.fixture
def long_survey(tmp_path: Path) -> Iterator[tuple[subprocess.Popen[bytes], Path]]:
    """A survey in a process of its own: three short recordings, and one that takes long."""
    line = b"(1700000000.000000) can0 0CF00400#F07D7DE015FFF0FF\n"
    # Several members in one file (RFC 1952, section 2.2): 400 million frames in a few megabytes.
    (tmp_path / "long.log.gz").write_bytes(gzip.compress(line * 100_000) * 4000)
    for number in range(3):
        (tmp_path / f"{number}.log").write_bytes(line)
    process = subprocess.Popen(
        [sys.executable, "-m", "faultlamp", "survey", str(tmp_path), "-o", str(tmp_path / "s"), "--jobs", "2"],
        stderr=subprocess.PIPE, start_new_session=True,
    )
    yield process, tmp_path / "s"
    process.kill()
    process.wait()


def until_done(survey: Path, count: int) -> None:
    """Wait until so many recordings are kept."""
    deadline = time.monotonic() + 60
    while len(list((survey / "captures").glob("*.parquet"))) < count:
        assert time.monotonic() < deadline
        time.sleep(0.005)


def workers(process: subprocess.Popen[bytes]) -> list[int]:
    """The processes that a survey started to read recordings."""
    children = Path(f"/proc/{process.pid}/task/{process.pid}/children").read_text().split()
    return [int(pid) for pid in children if b"spawn_main" in Path(f"/proc/{pid}/cmdline").read_bytes()]


@pytest.mark.skipif(not Path("/proc/self/cmdline").exists(), reason="finds its children in /proc")
def test_a_process_that_dies_is_one_failed_recording(long_survey: tuple[subprocess.Popen[bytes], Path]) -> None:
    """The one that read the long recording is killed, as the system does when memory runs out."""
    process, survey = long_survey
    until_done(survey, 3)
    for pid in workers(process):
        os.kill(pid, signal.SIGKILL)
    _, err = process.communicate(timeout=60)
    assert process.returncode == 0
    lines = err.decode().splitlines()
    assert len(lines) == 2
    assert "long.log.gz: the process that read it was ended by signal 9" in lines[0]
    assert "3 recordings read, 0 done before, 1 failed" in lines[1]
    assert [Path(row["path"]).name for row in rows(survey, "captures", status="failed")] == ["long.log.gz"]


def test_ctrl_c_keeps_what_is_done(long_survey: tuple[subprocess.Popen[bytes], Path]) -> None:
    """The interrupt goes to the whole process group, as from a terminal: one line, exit 130, nothing half written."""
    process, survey = long_survey
    until_done(survey, 3)
    time.sleep(0.2)  # the third may be kept but not yet counted
    os.killpg(process.pid, signal.SIGINT)
    _, err = process.communicate(timeout=60)
    assert process.returncode == 130
    assert err.decode().splitlines() == [
        "faultlamp: stopped; 3 recordings are read and stay: the same command goes on"
    ]
    assert len(rows(survey, "captures", status="ok")) == 3
    assert not list(survey.glob(".*.part"))
