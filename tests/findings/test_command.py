"""`faultlamp faults` tells the findings: the table always, JSON when asked, and the fixed document stays as it is."""

import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from faultlamp.capture.writing import format_candump_line
from faultlamp.cli.main import main
from faultlamp.frames import Frame
from support.trouble import SECOND, START, frames_of, steady


def run(*words: str | Path) -> subprocess.CompletedProcess[str]:
    """The command as a process of its own."""
    return subprocess.run(
        [sys.executable, "-m", "faultlamp", *map(str, words)], capture_output=True, text=True, check=False, timeout=60
    )


def write(path: Path, frames: list[Frame]) -> Path:
    """A candump log of the frames."""
    path.write_text("".join(f"{format_candump_line(frame)}\n" for frame in frames), encoding="utf-8")
    return path


@pytest.fixture
def connector(tmp_path: Path) -> Path:
    """A recording in which three sensors are lost at once and a fourth fault comes half a minute later."""
    faults = [(0, spn, 3, 20.0) for spn in (100, 110, 175)] + [(0, 111, 1, 50.0)]
    return write(tmp_path / "connector.log", frames_of(steady(faults)))


def test_the_table_says_where_to_look_first(connector: Path) -> None:
    """The group stands before the faults, and every fault stands in the list below it."""
    text = run("faults", connector, "--format", "table").stdout
    hint, faults = text.split("Look here first")[1].split("\nActive")
    assert "These 3 began in the same report: look for one connector, ground or supply first." in hint
    assert "manual decides" in " ".join(hint.split())
    assert [spn for spn in ("100", "110", "175", "111") if f"SPN {spn}" not in faults] == []
    assert "SPN 111" not in hint
    assert "Do the readings agree" not in text


def test_own_names_stand_in_the_sentences(tmp_path: Path) -> None:
    """`--spn-table`: in the table's hint and its faults, and in the JSON document; the shipped name nowhere."""
    own = tmp_path / "own.csv"
    own.write_text("spn,name\n3509,Five Volts for Sensors\n1569,Pump Slows Down\n")
    supply = [(0, spn, 4, 20.0) for spn in (3509, 100, 175)] + [(0, 1569, 31, 21.0)]
    path = write(tmp_path / "supply.log", frames_of(steady(supply)))
    table = run("faults", path, "--format", "table", "--spn-table", own).stdout
    hint = " ".join(table.split("Look here first")[1].split("\nActive")[0].split())
    assert "Five Volts for Sensors is one of them" in hint
    assert "SPN 1569 FMI 31 Pump Slows Down" in hint
    assert "Sensor Supply Voltage" not in table
    document = run("faults", path, "--format", "json", "--with-findings", "--spn-table", own).stdout
    sentences = [one["sentence"] for one in json.loads(document)["findings"]["shared_causes"]]
    assert any("Five Volts for Sensors" in sentence for sentence in sentences)
    assert "Sensor Supply Voltage" not in " ".join(sentences)


def test_nothing_is_said_where_nothing_was_found(tmp_path: Path) -> None:
    """A single fault has no shared cause: no heading for nothing."""
    path = write(tmp_path / "one.log", frames_of(steady([(0, 110, 3, 20.0)])))
    assert "Look here first" not in run("faults", path, "--format", "table").stdout


def test_the_json_document_is_what_it_was(connector: Path) -> None:
    """Without the option no key is added; with it one, and the rest is the same."""
    plain, more = (json.loads(run("faults", connector, "--format", "json", *words).stdout)
                   for words in ((), ("--with-findings",)))
    assert sorted(plain) == ["capture", "faults", "key_cycles", "lamps", "schema", "transport"]
    findings = more.pop("findings")
    assert more == plain
    assert sorted(findings) == ["alone", "at", "plausibility", "shared_causes"]


def test_the_key_findings(connector: Path) -> None:
    """What docs/findings.md promises of it."""
    findings: dict[str, Any] = json.loads(run("faults", connector, "--with-findings").stdout)["findings"]
    (group,) = findings["shared_causes"]
    began = (START + 20 * SECOND) / 1e9
    assert group["kind"] == "electrical"
    assert group["faults"] == [
        {"channel": "can0", "source_address": 0, "spn": spn, "fmi": 3, "began": began} for spn in (100, 110, 175)
    ]
    assert group["leading"] is None
    assert group["evidence"]["seen_to_begin"] is True
    assert group["evidence"]["times"] == [began]
    assert group["evidence"]["active"] == 3
    assert findings["alone"] == [{"channel": "can0", "source_address": 0, "spn": 111, "fmi": 1}]
    assert {check["verdict"] for check in findings["plausibility"]} == {"not_judged"}


def test_plausibility_of_a_shipped_recording() -> None:
    """The pump set starts cold: its temperatures agree, and the table says by how much."""
    text = run("faults", "demo:pump-set", "--format", "table", "--with-findings").stdout
    assert "ok         coolant temperature: 14 degC; middle of the 5 others 16.53 degC" in text
    assert "doubtful" not in text


@pytest.mark.parametrize("words", [["--with-findings", "--format", "csv"], ["--format", "csv", "--with-findings"]])
def test_csv_has_no_room(connector: Path, capsys: pytest.CaptureFixture[str], words: list[str]) -> None:
    """Wrong usage, in one line that says what to do."""
    with pytest.raises(SystemExit) as caught:
        main(["faults", str(connector), *words])
    assert caught.value.code == 2
    assert "use --format table or json" in capsys.readouterr().err


def test_several_recordings_and_processes_give_the_same(tmp_path: Path, pump: Callable[..., list[Frame]]) -> None:
    """A recording cut in two, read by one process or two, has the findings of the whole."""
    frames = pump(("engine", 110, 3, "run+20"), ("engine", 100, 3, "run+20"), ("aftertreatment", 110, 19, "run+25"))
    whole = write(tmp_path / "whole.log", frames)
    half = len(frames) // 2
    parts = [write(tmp_path / f"{place}.log", part) for place, part in enumerate((frames[:half], frames[half:]))]
    expected = json.loads(run("faults", whole, "--with-findings").stdout)["findings"]
    assert len(expected["shared_causes"]) == 2
    for jobs in ("1", "2"):
        result = json.loads(run("faults", *parts, "--jobs", jobs, "--with-findings").stdout)["findings"]
        assert result == expected
    tables = {
        run("faults", *parts, "--format", "table", "--jobs", jobs).stdout.split("Look here first")[1]
        for jobs in ("1", "2")
    }
    assert len(tables) == 1


def test_an_empty_recording(tmp_path: Path) -> None:
    """No frame, no finding, no error."""
    path = tmp_path / "empty.log"
    path.write_text("")
    for form in ("table", "json"):
        result = run("faults", path, "--with-findings", "--format", form)
        assert (result.returncode, result.stderr) == (0, "")
