"""`faultlamp prove` as a tester and a script meet it: exit codes, formats, live and recorded, one line for failures."""

import csv
import gzip
import io
import json
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import can
import pytest
from can.interfaces.virtual import VirtualBus
from junitparser import JUnitXml

from faultlamp.bus.listener import Listener
from faultlamp.capture.writing import format_candump_line
from faultlamp.cli.main import main
from faultlamp.errors import BusError
from faultlamp.frames import Frame
from support.command import environment, start
from support.expecting import dm1, eec1, engine
from support.virtual_bus import check_that_sending_is_noted, note_sent, settings, unconfigured
from support.wire import EPOCH_S, frame

__all__ = ["settings", "unconfigured"]

EXAMPLE = Path(__file__).parents[2] / "docs" / "expectations-example.toml"
FAULT = '[[fault]]\nname = "the fault comes"\nspn = 110\nmust = "be_active"\n'
NEVER = '[[fault]]\nname = "no fault"\nmust = "never_be_active"\n'


@pytest.fixture
def log(tmp_path: Path) -> Path:
    """The script as a candump log."""
    return write(tmp_path / "a.log", engine())


def write(path: Path, frames: list[Frame]) -> Path:
    path.write_text("".join(f"{format_candump_line(one)}\n" for one in frames), encoding="utf-8")
    return path


@pytest.fixture
def expect(tmp_path: Path) -> Callable[[str], str]:
    """Writes a file of expectations and gives its name."""

    def write_it(text: str) -> str:
        path = tmp_path / "expect.toml"
        path.write_text(text, encoding="utf-8")
        return str(path)

    return write_it


def run(
    *words: str | Path, given: bytes = b"", home: Path = Path("/nonexistent")
) -> subprocess.CompletedProcess[bytes]:
    """The command as a process of its own, with a pipe for output."""
    return subprocess.run(
        [sys.executable, "-m", "faultlamp", "prove", *map(str, words)], input=given, capture_output=True, check=False,
        timeout=60, env=environment(home),
    )


def test_all_held_is_exit_code_0(log: Path, expect: Callable[[str], str]) -> None:
    """A pipe gets the table: a line, an empty one, a sentence; nothing on standard error."""
    result = run(expect('title = "T"\n' + FAULT), log)
    assert (result.returncode, result.stderr) == (0, b"")
    assert result.stdout.decode().splitlines() == [
        "held       the fault comes: engine 1 (0) SPN 110 FMI 3 active at 10.100 s", "",
        f"T: 1 of 1 expectation held on {log} (243 frames in 20.0 s). All is as expected.".replace(
            "243", str(len(engine()))),
    ]


@pytest.mark.parametrize(("text", "mark"), [(NEVER, "FAILED"), (FAULT + "address = 9", "not shown")])
def test_not_held_is_exit_code_3_after_the_usual_output(
    text: str, mark: str, log: Path, expect: Callable[[str], str]
) -> None:
    """Failed or not shown: the line says it, the next one what was expected."""
    result = run(expect(text), log)
    assert (result.returncode, result.stderr) == (3, b"")
    lines = result.stdout.decode().splitlines()
    assert lines[0].startswith(mark)
    assert lines[1].strip().startswith("expected: ")
    assert lines[-1].endswith("Not all is as expected.")


def test_the_json_document(log: Path, expect: Callable[[str], str]) -> None:
    """All fields, with times as the recording has them."""
    result = run(expect('title = "T"\n' + FAULT + NEVER), log, "--format", "json")
    assert result.returncode == 3
    assert json.loads(result.stdout) == {
        "schema": 1, "title": "T", "subject": str(log),
        "heard": {"frames": len(engine()), "bad_lines": 0, "clock_steps": 0, "start": float(EPOCH_S),
                  "end": EPOCH_S + 20.0, "length_s": 20.0, "channels": ["can0"]},
        "all_held": False, "held": 1, "failed": 1, "not_shown": 0,
        "results": [
            {"result": "held", "kind": "fault", "name": "the fault comes", "expected": "SPN 110: active at some time",
             "evidence": "engine 1 (0) SPN 110 FMI 3 active at 10.100 s", "time": EPOCH_S + 10.1,
             "since_start_s": 10.1, "counts_as_held": True},
            {"result": "failed", "kind": "fault", "name": "no fault", "expected": "any fault: never active",
             "evidence": "engine 1 (0) SPN 110 FMI 3 was active at 10.100 s", "time": EPOCH_S + 10.1,
             "since_start_s": 10.1, "counts_as_held": False},
        ],
    }


def test_csv_is_inert_in_a_spreadsheet(log: Path, expect: Callable[[str], str]) -> None:
    """A name that a spreadsheet would take for a formula is quoted."""
    result = run(expect(FAULT.replace("the fault comes", "=1+1 [red]")), log, "--format", "csv")
    head, row = csv.reader(io.StringIO(result.stdout.decode()))
    assert head == ["result", "kind", "name", "expected", "evidence", "time", "since_start_s", "counts_as_held"]
    assert row[:3] == ["held", "fault", "'=1+1 [red]"]


def test_markup_in_names_is_text(log: Path, expect: Callable[[str], str]) -> None:
    """Neither the table nor the XML takes a name for its own."""
    result = run(expect(FAULT.replace("the fault comes", "[bold]<b>&amp; {0} %s")), log)
    assert b"held       [bold]<b>&amp; {0} %s: " in result.stdout


def test_junit_takes_the_place_of_its_own_earlier_report_and_of_nothing_else(
    log: Path, expect: Callable[[str], str], tmp_path: Path
) -> None:
    """A second run replaces the first's; a file of another kind stays, exit code 1; a run that breaks leaves none."""
    xml = tmp_path / "out.xml"
    assert run(expect(FAULT), log, "--junit", xml).returncode == 0
    assert JUnitXml.fromfile(str(xml)).failures == 0
    assert run(expect(NEVER), log, "--junit", xml).returncode == 3
    assert JUnitXml.fromfile(str(xml)).failures == 1
    before = log.read_bytes()
    result = run(expect(FAULT), log, "--junit", log)
    assert result.returncode == 2
    other = tmp_path / "notes.txt"
    other.write_text("mine")
    result = run(expect(FAULT), log, "--junit", other)
    assert (result.returncode, result.stdout, log.read_bytes(), other.read_text()) == (1, b"", before, "mine")
    assert result.stderr.decode() == (
        f"faultlamp: {other} exists and is no JUnit XML: choose another name or remove it\n"
    )
    assert run(expect(FAULT), tmp_path / "missing.log", "--junit", xml).returncode == 1
    assert not xml.exists()


def test_standard_input_compression_and_words_in_any_order(log: Path, expect: Callable[[str], str]) -> None:
    """`-`, `.gz`, and the options before, between and behind."""
    text = expect(FAULT)
    assert run(text, "-", given=log.read_bytes()).returncode == 0
    assert run("--format", "json", text, "-", "--strict", given=log.read_bytes()).returncode == 0
    packed = log.with_suffix(".log.gz")
    packed.write_bytes(gzip.compress(log.read_bytes()))
    assert run("--strict", text, packed).returncode == 0


def test_several_recordings_are_one(expect: Callable[[str], str], tmp_path: Path) -> None:
    """Merged by time: the fault begins in the second."""
    first = write(tmp_path / "1.log", [*dm1(0), *dm1(1)])
    second = write(tmp_path / "2.log", [*dm1(2, (110, 3, 1)), *dm1(3, (110, 3, 1))])
    result = run(expect(FAULT + "from_s = 2\n"), second, first)
    assert b"active at 2.000 s" in result.stdout
    assert result.returncode == 0


@pytest.mark.parametrize("form", ["table", "json", "csv"])
def test_a_reader_that_goes_away_is_exit_code_141(form: str, log: Path, expect: Callable[[str], str]) -> None:
    """As of a shell's `| head`: no traceback, and neither 0 nor 3."""
    process = subprocess.Popen(
        [sys.executable, "-m", "faultlamp", "prove", expect(FAULT), str(log), "--format", form],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=environment(log.parent),
    )
    assert process.stdout is not None
    process.stdout.close()
    assert process.stderr is not None
    with process.stderr as errors:
        assert errors.read() == b""
    assert process.wait(30) == 141


def test_bad_lines_are_counted(log: Path, expect: Callable[[str], str]) -> None:
    """As `faults` counts them; --strict makes the first an error."""
    log.write_text(log.read_text() + "nonsense\n\nmore\n")
    text = expect('[[bus]]\nname = "clean"\nbad_lines = 1\n')
    result = run(text, log)
    assert result.returncode == 3
    assert b"FAILED     clean: 2 bad lines" in result.stdout
    assert run(text, log, "--strict").returncode == 1


def test_an_empty_recording_shows_nothing(expect: Callable[[str], str], tmp_path: Path) -> None:
    """Not an error, and not held."""
    empty = tmp_path / "empty.log"
    empty.write_text("")
    result = run(expect(NEVER), empty, "--format", "json")
    document = json.loads(result.stdout)
    assert (result.returncode, document["not_shown"], document["heard"]["start"]) == (3, 1, None)


FAILURES: dict[str, tuple[list[str], int, str]] = {
    "no expectations": ([], 2, "EXPECTATIONS"),
    "missing expectations": (["nowhere.toml", "demo:quick-look"], 1, "nowhere.toml: cannot read the file: No such"),
    "missing recording": (["EXPECT", "nowhere.log"], 1, "nowhere.log"),
    "how long": (["EXPECT", "--rig", "quick-look"], 2, "give --for SECONDS"),
    "how long, without a bus": (["EXPECT"], 2, "or name a recording"),
    "recording and bus": (["EXPECT", "demo:quick-look", "-c", "can0"], 2, "one of the two"),
    "recording and rig": (["EXPECT", "demo:quick-look", "--rig", "quick-look"], 2, "one of the two"),
    "recording and --for": (["EXPECT", "demo:quick-look", "--for", "3"], 2, "--for is about a live bus"),
    "recording and --record": (["EXPECT", "demo:quick-look", "--record", "x"], 2, "--record is about a live bus"),
    "rig and bus": (["EXPECT", "--rig", "quick-look", "-i", "virtual", "--for", "1"], 2, "--rig brings its own bus"),
    "strict on a bus": (["EXPECT", "--rig", "quick-look", "--for", "1", "--strict"], 2, "--strict is about recordings"),
    "no such scenario": (["EXPECT", "--rig", "nonsense", "--for", "1"], 1, "no such scenario"),
    "no such bus": (["EXPECT", "-i", "socketcan", "-c", "nonsense9", "--for", "1"], 1, "nonsense9"),
    "no such folder": (["EXPECT", "demo:quick-look", "--junit", "no/where.xml"], 1, "there is no folder no"),
    "junit to standard output": (["EXPECT", "demo:quick-look", "--junit", "-"], 2, "--junit needs a file name"),
    "compression without a recording": (
        ["EXPECT", "--rig", "quick-look", "--for", "1", "--compress", "gz"], 2, "--record"),
    "zero seconds": (["EXPECT", "--rig", "quick-look", "--for", "0"], 2, "'0' is not a number of seconds above 0"),
}


@pytest.mark.parametrize(("words", "code", "complaint"), FAILURES.values(), ids=FAILURES)
def test_every_failure_is_one_line(
    words: list[str], code: int, complaint: str, expect: Callable[[str], str], tmp_path: Path,
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Exit code 1 or 2, nothing on standard output."""
    monkeypatch.chdir(tmp_path)
    given = [expect(FAULT) if word == "EXPECT" else word for word in words]
    try:
        found: Any = main(["prove", *given])
    except SystemExit as usage:
        found = usage.code
    out, err = capsys.readouterr()
    assert (found, out) == (code, "")
    assert complaint in err.splitlines()[-1]
    assert "Traceback" not in err


def test_live_and_recorded_give_the_same_verdicts(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The rig on the live road, and the recording that was made meanwhile."""
    recording, xml = tmp_path / "live.log", tmp_path / "live.xml"
    text = tmp_path / "few.toml"
    text.write_text("""
for_s = 4
[[controller]]
name = "engine"
address = 0
claim = { function = 0 }
first_dm1_within_s = 1
[[lamp]]
name = "check"
address = 0
lamp = "red_stop"
check_s = [1.5, 3]
[[key_cycles]]
name = "not yet"
engine_ran = true
[[reading]]
name = "voltage"
spn = 168
low = 11
high = 13
to_s = 2.5
[[no_other_faults]]
name = "nothing"
to_s = 4
[[reading]]
name = "too much"
spn = 168
low = 13
""")
    code = main(["prove", str(text), "--rig", "quick-look", "--format", "json", "--record", str(recording),
                 "--junit", str(xml)])
    live = json.loads(capsys.readouterr().out)
    assert main(["prove", str(text), str(recording), "--format", "json"]) == code == 3
    recorded = json.loads(capsys.readouterr().out)
    assert live["results"] == recorded["results"]
    # The scenario cranks from 3 s to 4.2 s: 240 rpm at most, and 10.3 V.
    assert [(one["name"], one["result"]) for one in live["results"]] == [
        ("engine", "held"), ("not yet", "failed"), ("check", "held"), ("nothing", "held"), ("voltage", "held"),
        ("too much", "failed"),
    ]
    assert live["heard"] == recorded["heard"]
    assert JUnitXml.fromfile(str(xml)).failures == live["failed"]


def test_nothing_is_sent_to_the_bus(
    settings: Any, expect: Callable[[str], str], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """On a virtual bus whose peer asks for answers: what the driver is told to send is counted, and nothing is."""
    with can.Bus(interface="virtual", channel=settings.channel, ignore_config=True) as peer:
        sent = note_sent(monkeypatch, peer)
        stop = threading.Event()

        def talk() -> None:
            # A request for address claims to everybody (SAE J1939-21, section 5.4.2), and an RTS to a tool (5.10).
            asks = [frame(0, "18EAFF00", "00EE00"), frame(0, "1CECF900", "100E0002FFCAFE00"), eec1(0, 800), *dm1(0)]
            while not stop.wait(0.05):
                for one in asks:
                    VirtualBus.send(peer, can.Message(arbitration_id=one.can_id, data=one.data, is_extended_id=True))

        thread = threading.Thread(target=talk)
        thread.start()
        try:
            code = main(["prove", expect(NEVER), "-i", "virtual", "-c", settings.channel, "--for", "0.5"])
        finally:
            stop.set()
            thread.join()
        assert code == 0, capsys.readouterr()
        assert sent == []
        while peer.recv(0) is not None:
            pass
        check_that_sending_is_noted(sent, peer, settings)


def test_a_bus_that_is_lost_proves_nothing(
    settings: Any, expect: Callable[[str], str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """One line, exit code 1, no report: what was missed meanwhile nobody knows."""
    reads = iter([[eec1(0, 0)], [eec1(0.1, 0)]])

    def read(_: Listener, timeout_s: float) -> list[Frame]:
        time.sleep(min(timeout_s, 0.01))
        try:
            return next(reads)
        except StopIteration:
            raise BusError("the cable is out") from None

    monkeypatch.setattr(Listener, "read", read)
    xml = tmp_path / "out.xml"
    words = ["-i", "virtual", "-c", settings.channel, "--for", "9", "--junit", str(xml)]
    assert main(["prove", expect(NEVER), *words]) == 1
    out, err = capsys.readouterr()
    assert (out, xml.exists()) == ("", False)
    assert err.splitlines()[-1] == (
        "faultlamp: nothing is proved, because the bus was lost meanwhile: the cable is out; start again"
    )


def test_ctrl_c_shows_what_there_is_and_writes_no_report(expect: Callable[[str], str], tmp_path: Path) -> None:
    """Exit code 130, never 0: the time was not over."""
    xml = tmp_path / "out.xml"
    with start(
        tmp_path, "prove", expect(NEVER), "--rig", "quick-look", "--for", "30", "--junit", str(xml)
    ) as process:
        assert process.stderr is not None
        assert "listening to simulated engine" in process.stderr.readline()
        time.sleep(0.5)
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=20)
    assert (process.returncode, xml.exists()) == (130, False)
    assert "no fault: " in out
    assert f"stopped before the time was over: this is about what was heard until then; {xml} was not written" in err


def test_a_silent_bus_proves_nothing_and_does_not_hang(
    settings: Any, expect: Callable[[str], str], capsys: pytest.CaptureFixture[str]
) -> None:
    """After the time it says that nothing was heard."""
    began_s = time.monotonic()
    assert main(["prove", expect(NEVER), "-i", "virtual", "-c", settings.channel, "--for", "0.3"]) == 3
    assert time.monotonic() - began_s < 5
    assert "not shown  no fault: nothing was heard" in capsys.readouterr().out


def test_what_is_expected_reads_well(expect: Callable[[str], str], capsys: pytest.CaptureFixture[str]) -> None:
    """No allowed fault twice, and `lit` as the file has it."""
    text = (
        '[[fault]]\nname = "a"\nspn = 111\nmust = "be_active"\n[[fault]]\nname = "b"\nspn = 111\nspans = 7\n'
        '[[no_other_faults]]\nname = "c"\n[[lamp]]\nname = "d"\nlamp = "protect"\nat_end = "lit"\n'
    )
    assert main(["prove", expect(text), "demo:quick-look"]) == 3
    out = capsys.readouterr().out
    assert "expected: faults of any controller: none active but SPN 111\n" in out
    assert "expected: protect lamp of any controller: lit at the end\n" in out


def test_standard_input_is_called_so(
    expect: Callable[[str], str], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The sentence at the end names it in words."""
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(b"(1700000000.0) can0 18FECA00#00FF00000000FFFF\n")))
    assert main(["prove", expect(NEVER), "-"]) == 0
    assert "on standard input (1 frame in 0.0 s)" in capsys.readouterr().out
