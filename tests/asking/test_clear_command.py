"""`faultlamp clear` as a person types it, over python-can's virtual bus, to made-up controllers."""

from __future__ import annotations

import json
import os
import pty
import select
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import Any

import can
import pytest
from can.interfaces.virtual import VirtualBus

from faultlamp.bus.options import BusSettings
from faultlamp.cli.main import main
from faultlamp.cli.saving import free_names
from faultlamp.errors import CaptureError
from faultlamp.j1939.participant.events import Message
from faultlamp.j1939.requests import Answer
from faultlamp.rig.shipped import find_scenario
from support.command import environment
from support.controllers import DM2, DM3, DM11, DM22, Controller, Engine, LiveControllers, says, silent

COOLANT, OIL = (110, 3), (100, 1)
FORCED = ["--although-engine-may-run", "--although-machine-may-move"]


@pytest.fixture(autouse=True)
def _elsewhere(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Files without a name of the user's go into an empty folder."""
    monkeypatch.chdir(tmp_path)


@pytest.fixture(autouse=True)
def _quickly(monkeypatch: pytest.MonkeyPatch) -> None:
    """Shorter waits; the tests in simulated time have the real ones."""
    monkeypatch.setattr("faultlamp.asking.clearing.SETTLE_NS", 200_000_000)
    monkeypatch.setattr("faultlamp.asking.clearing.COMMAND_NS", 200_000_000)
    monkeypatch.setattr("faultlamp.asking.clearing.LISTEN_NS", 100_000_000)
    monkeypatch.setattr("faultlamp.asking.clearing.LOOK_NS", 150_000_000)
    monkeypatch.setattr("faultlamp.asking.intake.LOOK_NS", 300_000_000)
    monkeypatch.setattr("faultlamp.asking.intake.PAUSE_NS", 1_000_000)


def clear(settings: BusSettings, engine: Engine, *words: str) -> int:
    """`faultlamp clear WORDS` on that channel, with that engine on it."""
    with LiveControllers(settings.channel or "", engine):
        return main(["clear", *words, "-i", "virtual", "-c", settings.channel or "", "--timeout", "0.2"])


def last_line(capsys: pytest.CaptureFixture[str]) -> str:
    """The last line on standard error."""
    return capsys.readouterr().err.splitlines()[-1]


def saved(tmp_path: Path) -> dict[str, Any]:
    """The one document in the folder."""
    (path,) = tmp_path.glob("*.json")
    document: dict[str, Any] = json.loads(path.read_text())
    return document


def test_all_is_saved_then_cleared(
    settings: BusSettings, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What was there is in the file, what is lost and what stays was shown, and the verdict is on standard output."""
    permanent = bytes.fromhex("03FF64000101FFFF")
    readiness = bytes.fromhex("0101140600800080")  # DM5: three monitors supported, one of them not complete
    engine = Engine(active=[COOLANT], stored=[OIL], answers={64896: permanent, 65230: readiness})
    assert clear(settings, engine, "all", "--yes", "--format", "table") == 0
    out, told = capsys.readouterr()
    assert engine.commands == [DM11]
    assert out == "engine 1 (0): cleared\n"
    for part in (
        "lost: SPN 110 FMI 3", "lost: SPN 100 FMI 1", "readiness; 2 self-tests that are complete",
        "stays: permanent code SPN 100 FMI 1",
    ):
        assert part in told
    document = saved(tmp_path)
    (before,) = document["before"]
    assert [code["spn"] for code in before["DM1"]["codes"]] == [110]
    stored = next(answer for answer in before["answers"] if answer["key"] == "DM2")
    assert [code["spn"] for code in stored["message"]["codes"]] == [100]
    assert {"DM4", "DM5", "DM28", "VIN", "component"} <= {answer["key"] for answer in before["answers"]}
    assert [(one["address"], one["verdict"]) for one in document["result"]] == [(0, "cleared")]
    assert document["after"][0]["DM1"]["codes"] == []
    assert document["forced"] == []


def test_every_transmitted_frame_is_logged(settings: BusSettings, tmp_path: Path) -> None:
    """The document lists them, and the log beside it, read by python-can, has the same ones among those heard."""
    engine = Engine(stored=[OIL])
    assert clear(settings, engine, "stored", "--yes", "--save", "job.json") == 0
    document = json.loads((tmp_path / "job.json").read_text())
    listed = [(frame["id"], frame["data"]) for frame in document["transmitted"]]
    own = [(f"{message.arbitration_id:08X}", bytes(message.data).hex().upper())
           for message in can.CanutilsLogReader(tmp_path / "job.log") if message.arbitration_id & 0xFF == 249]
    assert listed == own
    assert ("18EA00F9", DM3.to_bytes(3, "little").hex().upper()) in listed


def test_one_code(settings: BusSettings, capsys: pytest.CaptureFixture[str]) -> None:
    """`code SPN FMI`, its words anywhere between the options: only that one is cleared."""
    engine = Engine(active=[], stored=[COOLANT, OIL])
    assert clear(settings, engine, "code", "--yes", "110", "3") == 0
    document = json.loads(capsys.readouterr().out)
    assert (engine.commands, engine.stored) == ([DM22], [OIL])
    assert (document["command"]["what"], document["command"]["code"]["spn"]) == ("code", 110)


def test_a_code_that_nobody_lists(settings: BusSettings, capsys: pytest.CaptureFixture[str]) -> None:
    """There is nothing to say about it to anybody: exit code 1."""
    engine = Engine(stored=[OIL])
    assert clear(settings, engine, "code", "110", "3", "--yes") == 1
    assert "does not list SPN 110 FMI 3" in last_line(capsys)
    assert engine.commands == []


def test_an_old_code_is_named_as_the_user_has_it_read(
    settings: BusSettings, capsys: pytest.CaptureFixture[str]
) -> None:
    """2468A583 is SPN 74565 FMI 5 in order 1 (python-can-j1939, test_dtc_conversion_methods), and only there."""
    engine = Engine(stored=[OIL], answers={DM2: bytes.fromhex("04FF2468A583FFFF")})
    assert clear(settings, engine, "code", "74565", "5", "--yes") == 1
    assert "does not list SPN 74565 FMI 5" in last_line(capsys)
    assert engine.commands == []
    clear(settings, engine, "code", "74565", "5", "--yes", "--spn-conversion", "0=1")
    assert engine.commands == [DM22]


def test_nothing_to_clear(settings: BusSettings, capsys: pytest.CaptureFixture[str]) -> None:
    """No codes, no command, no failure."""
    engine = Engine()
    assert clear(settings, engine, "all", "--yes") == 0
    assert "nothing to clear" in last_line(capsys)
    assert engine.commands == []


@pytest.mark.parametrize(
    ("rpm", "kmh", "words", "options"),
    [
        pytest.param(900.0, 0.0, [], ["--although-engine-may-run"], id="engine-runs"),
        pytest.param(None, 0.0, [], ["--although-engine-may-run"], id="engine-unknown"),
        pytest.param(0.0, 3.0, [], ["--although-machine-may-move"], id="machine-moves"),
        pytest.param(0.0, None, [], ["--although-machine-may-move"], id="pump-set-without-wheels"),
        pytest.param(0.0, None, ["--although-machine-may-move"], [], id="pump-set-without-wheels-forced"),
        pytest.param(900.0, 3.0, FORCED, [], id="all-forced"),
    ],
)
def test_a_machine_that_may_move(
    settings: BusSettings, tmp_path: Path, capsys: pytest.CaptureFixture[str], rpm: float | None, kmh: float | None,
    words: list[str], options: list[str],
) -> None:
    """Refused with a line that names the option; saved all the same. Forced, it is cleared and the force is noted."""
    engine = Engine(active=[COOLANT], rpm=rpm, kmh=kmh)
    assert clear(settings, engine, "all", "--yes", *words) == (1 if options else 0)
    assert saved(tmp_path)["forced"] == [word.removeprefix("--") for word in words]
    if options:
        line = last_line(capsys)
        assert "nothing was cleared" in line
        assert [option for option in FORCED if option in line] == options
        assert engine.commands == []
    else:
        assert engine.commands == [DM11]


@pytest.mark.parametrize(
    ("behaviour", "part"),
    [
        pytest.param(says(Answer.REFUSED), "engine 1 (0) refused", id="refused"),
        pytest.param(says(Answer.ACCESS_DENIED), "access denied", id="denied"),
        pytest.param(silent, "no answer", id="silent"),
        pytest.param(says(Answer.ACKNOWLEDGED), "came back", id="only-says-so"),
    ],
)
def test_what_was_not_cleared(
    settings: BusSettings, capsys: pytest.CaptureFixture[str], behaviour: Any, part: str
) -> None:
    """Exit code 1, the controller and what it said in the last line, and what is left in the output."""
    engine = Engine(active=[COOLANT], answers={DM11: behaviour})
    assert clear(settings, engine, "all", "--yes") == 1
    out, told = capsys.readouterr()
    assert part in told.splitlines()[-1]
    assert [code["spn"] for code in json.loads(out)["result"][0]["left"]] == [110]


def test_without_a_terminal_it_needs_yes(settings: BusSettings, capsys: pytest.CaptureFixture[str]) -> None:
    """Nobody could type the confirmation, so nothing at all is sent."""
    engine = Engine(active=[COOLANT])
    assert clear(settings, engine, "all") == 1
    assert "--yes" in last_line(capsys)
    assert engine.asked == []


@pytest.mark.parametrize("taken", ["job.json", "job.log"])
def test_an_existing_file_is_not_touched(
    settings: BusSettings, tmp_path: Path, capsys: pytest.CaptureFixture[str], taken: str
) -> None:
    """Neither the document nor the log beside it overwrites anything; nothing is sent."""
    (tmp_path / taken).write_text("mine\n")
    engine = Engine(active=[COOLANT])
    assert clear(settings, engine, "all", "--yes", "--save", "job.json") == 1
    assert taken in last_line(capsys)
    assert (tmp_path / taken).read_text() == "mine\n"
    assert engine.asked == []


@pytest.mark.parametrize("name", ["", ".", "/"])
def test_a_name_that_is_no_files(settings: BusSettings, capsys: pytest.CaptureFixture[str], name: str) -> None:
    """It is one line, before anything is sent."""
    engine = Engine(active=[COOLANT])
    assert clear(settings, engine, "all", "--yes", "--save", name) == 1
    assert "is not a file's name" in last_line(capsys)
    assert engine.asked == []


def test_a_file_beside_the_saved_one_is_not_touched(settings: BusSettings, tmp_path: Path) -> None:
    """What came of it is completed by way of a file of our own, also when somebody has one of that name."""
    (tmp_path / "before.json.new").write_text("mine")
    assert clear(settings, Engine(active=[COOLANT]), "all", "--yes", "--save", "before.json") == 0
    assert (tmp_path / "before.json.new").read_text() == "mine"
    assert json.loads((tmp_path / "before.json").read_text())["result"][0]["verdict"] == "cleared"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["before.json", "before.json.new", "before.log"]


def test_a_polite_end_after_the_command_completes_the_file(
    settings: BusSettings, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """SIGTERM while the controller erases: the file says what was sent, and so does the last line."""

    def erases(_: Controller, message: Message, pgn: int) -> None:
        os.kill(os.getpid(), signal.SIGTERM)

    assert clear(settings, Engine(active=[COOLANT], answers={DM11: erases}), "all", "--yes") == 130
    assert last_line(capsys) == "faultlamp: stopped; the command may have been sent: ask again what is there now"
    sent = saved(tmp_path)["transmitted"]
    assert sent[-1]["data"] == "D3FE00"
    assert "D3FE00" in next(tmp_path.glob("*.log")).read_text().splitlines()[-1]


def test_a_place_that_cannot_be_written(settings: BusSettings, capsys: pytest.CaptureFixture[str]) -> None:
    """What cannot be saved is not cleared, and not even asked."""
    engine = Engine(active=[COOLANT])
    assert clear(settings, engine, "all", "--yes", "--save", "nowhere/job.json") == 1
    assert "nowhere" in last_line(capsys)
    assert engine.asked == []


def test_default_names_do_not_collide(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """A second clearing in the same second gets a name of its own; a name of the user's must be free."""
    first, _ = free_names(None, None)
    Path(first).touch()
    second = free_names(None, None)
    assert first not in second
    with pytest.raises(CaptureError, match=r"\.json"):
        free_names("job.log", None)


def test_a_disk_that_refuses_stops_it(
    settings: BusSettings, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The document cannot be written after asking: no command goes out."""

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("faultlamp.cli.saving._write", full)
    engine = Engine(active=[COOLANT])
    assert clear(settings, engine, "all", "--yes") == 1
    assert "No space left" in last_line(capsys)
    assert engine.commands == []


def test_nobody_answers(settings: BusSettings, capsys: pytest.CaptureFixture[str]) -> None:
    """As with `ask`: one line, nothing cleared."""
    assert main(["clear", "all", "--yes", "-i", "virtual", "-c", settings.channel or "", "--timeout", "0.05"]) == 1
    assert "nothing at all was heard" in last_line(capsys)


def test_an_adapter_that_goes_after_the_command(
    settings: BusSettings, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """What was sent is in the document all the same, and the line says that the command is out."""
    engine, real = Engine(active=[COOLANT]), VirtualBus._recv_internal

    def going(bus: VirtualBus, timeout: float | None) -> Any:
        if engine.commands and threading.current_thread() is threading.main_thread():
            raise OSError(19, "No such device")
        return real(bus, timeout)

    monkeypatch.setattr(VirtualBus, "_recv_internal", going)
    assert clear(settings, engine, "all", "--yes") == 1
    line = last_line(capsys)
    assert "No such device" in line
    assert "the command may have been sent" in line
    document = saved(tmp_path)
    assert ("18EA00F9", "D3FE00") in [(frame["id"], frame["data"]) for frame in document["transmitted"]]
    assert [code["spn"] for code in document["before"][0]["DM1"]["codes"]] == [110]


@pytest.mark.skipif(sys.platform == "win32", reason="needs a pseudo-terminal")
@pytest.mark.parametrize(
    ("typed", "code", "part"),
    [
        pytest.param(b"clear\n", 0, "engine 1 (0): cleared", id="typed"),
        pytest.param(b"yes\n", 1, "not confirmed", id="another-word"),
        pytest.param(b"\x04", 1, "not confirmed", id="end-of-input"),
        pytest.param(b"\x03", 130, "type \"clear\"", id="interrupted"),
    ],
)
def test_the_typed_confirmation(tmp_path: Path, typed: bytes, code: int, part: str) -> None:
    """On a terminal, the word clears and everything else leaves all as it is (a simulated engine in a process)."""
    # The shipped scenario, with an engine that lets itself be cleared while it runs.
    scenario = tmp_path / "yielding.toml"
    shipped = find_scenario("quiet-pump").read_text(encoding="utf-8")
    scenario.write_text(shipped.replace("address = 0\n", 'address = 0\nclears = "always"\n', 1), encoding="utf-8")
    shown, ended = at_a_terminal(tmp_path, scenario, typed)
    assert ended == code
    assert part in shown


def test_what_was_typed_before_the_question_is_no_answer(tmp_path: Path) -> None:
    """Keys that were pressed while it still asked do not confirm what nobody has read yet."""
    scenario = tmp_path / "yielding.toml"
    shipped = find_scenario("quiet-pump").read_text(encoding="utf-8")
    scenario.write_text(shipped.replace("address = 0\n", 'address = 0\nclears = "always"\n', 1), encoding="utf-8")
    shown, ended = at_a_terminal(tmp_path, scenario, b"no\n", ahead=b"clear\n")
    assert ended == 1
    assert "nothing was cleared: not confirmed" in shown


def at_a_terminal(tmp_path: Path, scenario: Path, typed: bytes, *, ahead: bytes = b"") -> tuple[str, int]:
    """`clear all` with a terminal; `typed` as soon as it asks, `ahead` before. What was shown and the exit code."""
    master, slave = pty.openpty()
    words = ["clear", "all", "--rig", str(scenario), "--to", "0", *FORCED, "--timeout", "0.3"]
    process = subprocess.Popen(
        [sys.executable, "-m", "faultlamp", *words], env=environment(tmp_path), cwd=tmp_path, stdin=slave,
        stdout=slave, stderr=slave, start_new_session=True,
        preexec_fn=_own_terminal,
    )
    os.close(slave)
    if ahead:
        os.write(master, ahead)
    shown, answered, deadline = b"", False, time.monotonic() + 60
    while time.monotonic() < deadline:
        if select.select([master], [], [], 0.2)[0]:
            try:
                shown += os.read(master, 65536)
            except OSError:
                break
        elif process.poll() is not None:
            break
        if not answered and b'type "clear"' in shown:
            answered = True
            os.write(master, typed)
    os.close(master)
    return shown.decode(), process.wait(10)


def _own_terminal() -> None:
    """Make the pseudo-terminal on standard input the process's own, so that Ctrl-C reaches it."""
    import fcntl
    import termios

    fcntl.ioctl(0, termios.TIOCSCTTY, 0)
