"""`faultlamp watch` where there is no terminal: the whole live road."""

import calendar
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import can
import pytest

from faultlamp.bus.listener import Listener
from faultlamp.bus.options import BusSettings
from faultlamp.bus.pump import LivePump
from faultlamp.bus.recorder import Recorder
from faultlamp.bus.virtual_rig import VirtualRig
from faultlamp.capture import Capture
from faultlamp.cli.main import main
from faultlamp.errors import ScenarioError
from faultlamp.frames import Frame
from faultlamp.history.history import History
from faultlamp.rig.generator import generate
from faultlamp.rig.loading import load_scenario
from faultlamp.rig.shipped import find_scenario
from support.command import environment
from support.wire import document

START_NS = 1_700_000_000_000_000_000
S = 1_000_000_000
EVENT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z \S+ \S.*")


def command(*words: str) -> list[str]:
    """The command as a person starts it."""
    return [sys.executable, "-m", "faultlamp", "watch", *words]


def watch(home: Path, *words: str, **more: str) -> subprocess.CompletedProcess[str]:
    """Run it to its end."""
    return subprocess.run(
        command(*words), env=environment(home) | more, stdin=subprocess.DEVNULL, capture_output=True, text=True,
        timeout=60, check=False,
    )


def test_a_live_history_equals_that_of_its_recording(
    settings: BusSettings, send: Callable[[Frame], None], tmp_path: Path
) -> None:
    """A minute of the shipped scenario, a silence, and a clock that steps back, over a real python-can bus."""
    scenario = load_scenario(find_scenario("quick-look"))
    sent = [
        *generate(scenario, START_NS),
        *generate(scenario, START_NS + scenario.duration_ns + 7 * S),
        *generate(scenario, START_NS + 20 * S),
    ]
    path = tmp_path / "live.log"
    live = History()
    with Listener(settings) as listener:
        pump = LivePump(listener, recorder=Recorder(str(path)))
        pump.start()

        def feed() -> None:
            for block in pump.take():
                live.feed_block(block)
            settled_ns = pump.settled_ns()
            if settled_ns is not None:
                live.advance(settled_ns)

        for number, frame in enumerate(sent):
            send(frame)
            if number % 500 == 0:
                feed()
        deadline = time.monotonic() + 30
        while pump.frames < len(sent) and time.monotonic() < deadline:
            time.sleep(0.01)
        pump.close()
        feed()
    replayed = History()
    capture = Capture([str(path)])
    for block in capture.blocks():
        replayed.feed_block(block)
    assert (pump.lost, capture.stats.bad_lines) == (0, 0)
    assert live.clock_steps == 1
    assert len(live.key_cycles[settings.channel or ""].cycles) > 2
    assert live.frames == len(sent)
    assert document(live) == document(replayed)


def test_silence_is_noticed_without_another_frame(settings: BusSettings, send: Callable[[Frame], None]) -> None:
    """Key off 2 s after the engine's last frame, fault silent 5 s after the last DM1, though nothing more comes."""
    clock_ns = [0]
    history = History()
    with Listener(settings) as listener:
        pump = LivePump(listener, clock=lambda: clock_ns[0])
        pump.start()

        def settle(at_least_ns: int) -> None:
            deadline = time.monotonic() + 10
            while (pump.settled_ns() or 0) < at_least_ns and time.monotonic() < deadline:
                for block in pump.take():
                    history.feed_block(block)
                time.sleep(0.01)
            history.advance(pump.settled_ns() or 0)

        # SAE J1939-73, section 5.7.1: amber lamp, SPN 110 FMI 3, one occurrence.
        send(Frame(START_NS, "", 0x18FECA00, bytes.fromhex("04FF6E000301FFFF")))
        settle(START_NS)
        controller = history.controllers[settings.channel or "", 0]
        assert len(controller.active_faults) == 1
        clock_ns[0] = 4 * S
        settle(START_NS + 4 * S - 50_000_000)
        assert history.key_cycles[settings.channel or ""].current is None
        assert len(controller.active_faults) == 1
        clock_ns[0] = 6 * S
        settle(START_NS + 6 * S - 50_000_000)
        assert controller.active_faults == []
        assert controller.faults[110, 3].spans[0].end_ns == START_NS
        pump.close()


def test_the_rig_repeats_until_closed() -> None:
    """Its frames come in real time on a channel of its own, and closing ends them."""
    with VirtualRig("quick-look") as rig, VirtualRig("quick-look") as other, Listener(rig.settings) as listener:
        assert rig.settings.channel != other.settings.channel
        rig.start()
        frames: list[Frame] = []
        deadline = time.monotonic() + 10
        while len(frames) < 50 and time.monotonic() < deadline:
            frames += listener.read(0.1)
        assert len(frames) >= 50
        assert {frame.channel for frame in frames} == {rig.settings.channel}
        assert abs(frames[-1].time_ns - time.time_ns()) < 5 * S
        rig.close()
        listener.read(0.01)
        assert listener.read(0.2) == []


def test_an_unknown_scenario_names_the_shipped_ones() -> None:
    """One line, and no bus is left open."""
    with pytest.raises(ScenarioError, match="quick-look"):
        VirtualRig("no-such-scenario")


def test_a_pipe_gets_one_line_an_event(tmp_path: Path) -> None:
    """The simulated engine for five seconds: events alone on standard output, the rest on standard error."""
    began = time.monotonic()
    done = watch(tmp_path, "--rig", "quick-look", "--for", "5")
    assert done.returncode == 0, done.stderr
    assert 5 <= time.monotonic() - began < 15
    lines = done.stdout.splitlines()
    assert all(EVENT.fullmatch(line) for line in lines)
    assert any("key on: engine 1 (0)" in line for line in lines)
    assert any("engine running: engine 1 (0)" in line for line in lines)
    said = done.stderr.splitlines()
    assert "sends nothing" in said[0]
    assert re.fullmatch(r"faultlamp: \d+ frames in 5\.\d s, 0 faults active", said[-1])
    assert "\x1b" not in done.stdout + done.stderr


def test_events_come_at_once(tmp_path: Path) -> None:
    """A line is out, unbuffered, soon after its frame, while the watch still runs."""
    with subprocess.Popen(
        command("--rig", "quick-look", "--for", "30"), env=environment(tmp_path), stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
    ) as process:
        assert process.stdout is not None
        line = process.stdout.readline()
        now_s = time.time()
        assert process.poll() is None
        process.send_signal(signal.SIGTERM)
        process.wait(10)
    stamp = time.strptime(line[:19], "%Y-%m-%dT%H:%M:%S")
    assert now_s - (calendar.timegm(stamp) + float(line[19:23])) < 2.0


@pytest.mark.skipif(os.name == "nt", reason="needs signals between processes")
@pytest.mark.parametrize(("number", "code"), [(signal.SIGINT, 130), (signal.SIGTERM, 143)], ids=["ctrl-c", "terminate"])
def test_stopping_is_clean(tmp_path: Path, number: signal.Signals, code: int) -> None:
    """The recording is whole, the summary is there, and there is no traceback."""
    path = tmp_path / "a.log"
    with subprocess.Popen(
        command("--rig", "quick-look", "--record", str(path)), env=environment(tmp_path), stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    ) as process:
        assert process.stdout is not None
        process.stdout.readline()
        process.send_signal(number)
        _, said = process.communicate(timeout=20)
    assert process.returncode == code
    assert "Traceback" not in said
    counted = re.search(r"faultlamp: (\d+) frames in .*; (\d+) frames recorded in ", said)
    assert counted is not None
    with can.CanutilsLogReader(path) as reader:
        assert int(counted[1]) == int(counted[2]) == len(list(reader)) > 0


def test_a_closed_pipe_ends_it_quietly(tmp_path: Path) -> None:
    """`| head -1`: no traceback."""
    with subprocess.Popen(
        command("--rig", "quick-look", "--for", "20"), env=environment(tmp_path), stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    ) as process:
        assert process.stdout is not None
        process.stdout.readline()
        process.stdout.close()
        assert process.stderr is not None
        said = process.stderr.read()
    assert "Traceback" not in said
    assert "Exception" not in said


@pytest.mark.parametrize(
    ("words", "parts"),
    [
        pytest.param((), ["no interface chosen", "-i socketcan -c can0"], id="nothing-configured"),
        pytest.param(("-i", "nonsense", "-c", "x"), ["unknown interface 'nonsense'", "socketcan", "virtual"],
                     id="unknown-interface"),
        pytest.param(("-i", "slcan"), ["slcan needs a channel"], id="no-channel"),
        pytest.param(("-i", "socketcan", "-c", "nosuchcan7"), ["cannot open nosuchcan7 (socketcan)"], id="no-device"),
        pytest.param(("--rig", "no-such"), ["no-such", "quick-look"], id="no-scenario"),
        pytest.param(("--rig", "quick-look", "--record", "/no/such/folder/a.log"), ["cannot record to"],
                     id="no-folder"),
        pytest.param(("--rig", "quick-look", "--dbc", "/no/such.dbc"), ["/no/such.dbc"], id="no-dbc"),
    ],
)
def test_a_failure_is_one_line(tmp_path: Path, words: tuple[str, ...], parts: list[str]) -> None:
    """Exit code 1, nothing on standard output, one line on standard error that says what to do."""
    done = watch(tmp_path, *words)
    assert (done.returncode, done.stdout) == (1, "")
    last = done.stderr.splitlines()[-1]
    assert len([line for line in done.stderr.splitlines() if line]) == 1
    assert last.startswith("faultlamp: ")
    for part in parts:
        assert part in last


@pytest.mark.parametrize(
    "words",
    [
        pytest.param(("--rig", "quick-look", "-c", "can0"), id="rig-and-bus"),
        pytest.param(("--record", "a.blf"), id="another-format"),
        pytest.param(("--record", "a.log.xz"), id="compressed-another-way"),
        pytest.param(("--record", "a.log.gz", "--compress", "zst"), id="compressed-two-ways"),
        pytest.param(("--rotate-size", "1MB"), id="rotation-of-nothing"),
        pytest.param(("--record", "a.log", "--rotate-size", "1kB"), id="files-too-small"),
        pytest.param(("--record", "a.log", "--rotate-every", "soon"), id="no-age"),
        pytest.param(("--for", "0"), id="no-time"),
        pytest.param(("--engine-address", "255"), id="address"),
    ],
)
def test_wrong_usage_is_exit_code_2(tmp_path: Path, words: tuple[str, ...]) -> None:
    """argparse's message, no bus opened."""
    done = watch(tmp_path, *words)
    assert (done.returncode, done.stdout) == (2, "")
    assert "error: " in done.stderr


def test_an_existing_recording_stays(tmp_path: Path) -> None:
    """Refused before anything is watched."""
    path = tmp_path / "a.log"
    path.write_bytes(b"precious")
    done = watch(tmp_path, "--rig", "quick-look", "--record", str(path), "--for", "1")
    assert done.returncode == 1
    assert "is there already" in done.stderr
    assert path.read_bytes() == b"precious"


def test_a_silent_bus_gets_a_hint(tmp_path: Path) -> None:
    """A virtual channel without anybody: what a technician checks, in order, marked for what it is."""
    done = watch(tmp_path, "-i", "virtual", "-c", "nobody", "--for", "3.5")
    assert (done.returncode, done.stdout) == (0, "")
    assert "listening on nobody (virtual); sends nothing" in done.stderr
    hint = next(line for line in done.stderr.splitlines() if "nothing heard yet" in line)
    assert "common practice" in hint
    assert hint.index("key on") < hint.index("connector") < hint.index("bit rate") < hint.index("60 ohm")


def test_python_cans_configuration_is_used(tmp_path: Path) -> None:
    """Environment variables as python-can documents them stand in for the options."""
    done = watch(tmp_path, "--for", "0.3", CAN_INTERFACE="virtual", CAN_CHANNEL="set")
    assert done.returncode == 0
    assert "listening on set (virtual)" in done.stderr


class Dying:
    """A bus that delivers a DM1 three times, a second apart, and then loses its adapter."""

    def __init__(self, first_s: int = 1_700_000_000) -> None:
        # SAE J1939-73, section 5.7.1: amber lamp, SPN 110 FMI 3, one occurrence.
        data = bytes.fromhex("04FF6E000301FFFF")
        self.messages = [
            can.Message(arbitration_id=0x18FECA00, data=data, timestamp=first_s + second) for second in range(3)
        ]

    def recv(self, timeout_s: float) -> can.Message:
        if self.messages:
            return self.messages.pop(0)
        raise can.CanOperationError("Could not read") from OSError(5, "Input/output error")

    def shutdown(self) -> None:
        raise OSError(5, "Input/output error")


def test_an_adapter_that_goes_and_comes_back(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """It is said when, why and for how long, the faults go on, all is recorded; only the time given ends it."""
    adapters = [Dying(), None, Dying(1_700_000_010)]

    def open_next(**_: object) -> Dying:
        adapter = adapters.pop(0) if adapters else None
        if adapter is None:
            raise can.CanInitializationError("No such device") from OSError(19, "No such device")
        return adapter

    monkeypatch.setattr(can, "Bus", open_next)
    path = tmp_path / "a.log"
    code = main(["watch", "-i", "socketcan", "-c", "can0", "-b", "250000", "--record", str(path), "--for", "2.3"])
    out, err = capsys.readouterr()
    assert code == 0
    told = [line.split(" ", 2)[2] for line in out.splitlines()]
    assert all(EVENT.fullmatch(line) for line in out.splitlines())
    assert [line.split(":")[0] for line in told] == [
        "key on", "lamp amber warning on", "fault active", "bus lost", told[4],
        # 5 s without a DM1 by the frames' own time: nobody knows what was meanwhile.
        "key unknown, the bus was lost", "key on", "fault unknown, the bus was lost", "lamp amber warning on",
        "fault active", "bus lost",
    ]
    assert told[3].startswith("bus lost: cannot read from can0 (socketcan) at 250000 bit/s: ")
    assert told[3].endswith("; trying again")
    assert re.fullmatch(r"bus back after \d+\.\d s", told[4])
    first, summary = err.splitlines()
    assert "-b does nothing here" in first
    assert "6 frames in" in summary
    assert "6 frames recorded in" in summary
    assert "2 gaps in which the bus was lost, the last one to the end" in summary
    assert path.read_text().splitlines() == [
        f"({1_700_000_000 + second}.000000) can0 18FECA00#04FF6E000301FFFF" for second in (0, 1, 2, 10, 11, 12)
    ]


def test_an_adapter_that_is_not_there_at_the_start_ends_it(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """One that opens and fails at its first read is not there either: one line, nothing recorded."""
    dying = Dying()

    def recv(timeout_s: float) -> None:
        raise can.CanOperationError("down") from OSError(100, "Network is down")

    dying.recv = recv  # type: ignore[method-assign,assignment]
    monkeypatch.setattr(can, "Bus", lambda **_: dying)
    path = tmp_path / "a.log"
    assert main(["watch", "-i", "socketcan", "-c", "can0", "--record", str(path)]) == 1
    out, err = capsys.readouterr()
    assert out == ""
    assert len(err.splitlines()) == 1
    assert "cannot read from can0 (socketcan)" in err
    assert not path.exists()


@pytest.mark.parametrize(
    ("interface", "words"),
    [
        pytest.param("slcan", "sends nothing, not even the acknowledge bit", id="had"),
        pytest.param("robotell", "sends nothing but the acknowledge bit (no listen-only mode could be had)",
                     id="not to be had"),
    ],
)
def test_hardware_listen_only_is_told(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], interface: str, words: str
) -> None:
    """Whether the adapter could be asked to be silent itself, the first line says."""
    monkeypatch.setattr(can, "Bus", lambda **_: Dying())
    assert main(["watch", "-i", interface, "-c", "/dev/ttyUSB0", "--for", "0.2"]) == 0
    assert words in capsys.readouterr().err.splitlines()[0]
