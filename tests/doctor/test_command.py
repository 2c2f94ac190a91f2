"""`faultlamp doctor` itself: on python-can's virtual bus, on adapters that misbehave, and with nothing plugged in."""

import errno
import json
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from importlib.metadata import version
from pathlib import Path
from typing import Any

import can
import pytest

from faultlamp.bus import offers
from faultlamp.bus.options import BusSettings
from faultlamp.bus.virtual_rig import VirtualRig
from faultlamp.cli import doctor
from faultlamp.cli.main import main
from faultlamp.doctor import adapters, listening
from faultlamp.doctor.adapters import Adapters
from faultlamp.doctor.drivers import Driver
from faultlamp.doctor.links import Link
from faultlamp.rig.generator import generate
from support.command import environment
from support.virtual_bus import check_that_sending_is_noted, note_sent

S = 1_000_000_000
# SAE J1939-73, section 5.7.1: amber lamp, SPN 110 FMI 3, one occurrence.
ONE_FAULT = bytes.fromhex("04FF6E000301FFFF")
# SAE J1939-81 NAME, from python-can-j1939's test_ca.py.
NAME = bytes.fromhex("87D6525382C9FE52")


@pytest.fixture
def quick_inventory(monkeypatch: pytest.MonkeyPatch) -> None:
    """No process that loads all drivers: other tests do that."""
    some = Adapters((Driver("slcan", False, "the Python package serial is missing", "pip install x"),
                     Driver("virtual", True)), (), ())
    monkeypatch.setattr(adapters, "look_for_adapters", lambda **_: some)


Run = Callable[..., tuple[int, dict[str, Any], str]]


@pytest.fixture
def run(quick_inventory: None, capsys: pytest.CaptureFixture[str]) -> Run:
    """The command in this process: exit code, JSON document, standard error."""

    def go(*words: str) -> tuple[int, dict[str, Any], str]:
        code = main(["doctor", *words, "--format", "json"])
        out, err = capsys.readouterr()
        return code, json.loads(out) if out else {}, err

    return go


def table(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str]:
    """The command as people see it; no line may be wider than their terminal."""
    code = main(["doctor", *words, "--format", "table"])
    out = capsys.readouterr().out
    assert max(map(len, out.splitlines())) < 80
    return code, out


class Traffic:
    """A thread that puts messages on a bus, over and over, until it is left."""

    def __init__(self, bus: can.BusABC, *messages: can.Message) -> None:
        self._bus, self._messages = bus, messages
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._send, daemon=True)

    def __enter__(self) -> "Traffic":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join(5)

    def _send(self) -> None:
        while not self._stop.wait(0.01):
            for message in self._messages:
                self._bus.send(message)


def words_for(settings: BusSettings, *more: str) -> list[str]:
    return ["-i", settings.interface or "", "-c", settings.channel or "", *more]


ENGINE_SPEED = can.Message(arbitration_id=0x0CF00400, data=bytes.fromhex("F39191AA1800F3FF"))
ERROR_FRAME = can.Message(arbitration_id=0x4, is_error_frame=True, data=bytes(8))


def test_the_rig_is_examined(run: Run) -> None:
    """The shipped scenario, live: who talks, how much, who reports faults."""
    with VirtualRig("quick-look") as rig:
        rig.start()
        code, document, err = run(*words_for(rig.settings, "-b", "250000", "--for", "2.5"))
        sent = list(generate(rig.scenario, 0))
    bus = document["bus"]
    assert code == 0
    assert "listening on" in err
    assert "sends nothing" in err
    assert bus["state"] == "alive"
    assert bus["bit_rate_looks"] == "right"
    heard = {sender["source_address"] for sender in bus["senders"]}
    assert {frame.can_id & 0xFF for frame in sent if S <= frame.time_ns < 2 * S} <= heard
    assert heard <= {frame.can_id & 0xFF for frame in sent}
    engine = next(sender for sender in bus["senders"] if sender["is_engine"])
    assert (engine["source_address"], engine["usual_device"], engine["sends_dm1"]) == (0, "engine 1", True)
    assert bus["engine"] == {"source_address": 0, "usual_device": "engine 1", "heard": True}
    # Engine speed alone comes every 10 to 20 ms; a loaded machine may be late, never early.
    assert 20 < engine["frames_per_s"] < 400
    assert bus["frames"] == bus["extended_frames"] == sum(sender["frames"] for sender in bus["senders"])
    assert bus["frames_per_s"] == pytest.approx(bus["frames"] / bus["listened_s"], rel=0.01)
    (load,) = bus["load"]
    assert (load["bit_rate"], load["assumed"]) == (250_000, False)
    # ISO 11898-1: 131 to 160 bits for eight data bytes; the rig's frames have no more.
    assert load["percent"] <= bus["frames_per_s"] * 131 * 1.1 / 2500 + 0.1
    assert load["least_percent"] < load["percent"] < load["most_percent"]


def test_the_doctor_sends_nothing(
    monkeypatch: pytest.MonkeyPatch, settings: BusSettings, peer: can.BusABC, run: Run
) -> None:
    """Not one frame, busy bus or silent, counted at every driver object and at a second participant."""
    sent = note_sent(monkeypatch, peer)
    assert run(*words_for(settings, "--for", "0.3"))[0] == 1
    claim = can.Message(arbitration_id=0x18EEFF80, data=NAME)
    request = can.Message(arbitration_id=0x18EAFFF9, data=b"\x00\xee\x00")
    with Traffic(peer, claim, request, ENGINE_SPEED, can.Message(arbitration_id=0x18FECA00, data=ONE_FAULT)):
        assert run(*words_for(settings, "--for", "0.5"))[0] == 0
    assert peer.recv(0.1) is None
    assert sent == []
    check_that_sending_is_noted(sent, peer, settings)


def test_faults_and_names_are_told(settings: BusSettings, peer: can.BusABC, run: Run) -> None:
    """A fault report, an address claim with a published NAME, an engine that is missing."""
    messages = (
        can.Message(arbitration_id=0x18FECA3D, data=ONE_FAULT),
        can.Message(arbitration_id=0x18EEFF80, data=NAME),
        can.Message(arbitration_id=0x123, data=b"\x01", is_extended_id=False),
        ERROR_FRAME,
    )
    with Traffic(peer, *messages):
        code, document, _ = run(*words_for(settings, "--for", "0.5"))
    bus = document["bus"]
    assert code == 0
    one, other = bus["senders"]
    assert (one["source_address"], one["sends_dm1"], one["active_faults"]) == (0x3D, True, 1)
    assert (other["source_address"], other["sends_dm1"], other["active_faults"]) == (0x80, False, None)
    assert other["names"] == [{
        "function": 201, "function_instance": 16, "ecu_instance": 2, "vehicle_system": 127,
        "vehicle_system_instance": 2, "industry_group": 5, "industry": "industrial", "manufacturer_code": 666,
        "identity_number": 1234567, "arbitrary_address_capable": False,
    }]
    assert bus["engine"]["heard"] is False
    assert bus["error_frames"] > 0
    assert bus["base_frames"] > 0
    assert {finding["code"] for finding in bus["findings"]} == {"errors", "no_engine", "faults_active"}
    # The rate is not known on a virtual bus: both usual ones are given, and marked.
    assert [(load["bit_rate"], load["assumed"]) for load in bus["load"]] == [(250_000, True), (500_000, True)]
    assert bus["load"][0]["percent"] == pytest.approx(2 * bus["load"][1]["percent"], abs=0.02)


def test_the_engine_may_have_another_address(settings: BusSettings, peer: can.BusABC, run: Run) -> None:
    """`--engine-address` moves the expectation."""
    with Traffic(peer, can.Message(arbitration_id=0x0CF00401, data=bytes(8))):
        bus = run(*words_for(settings, "--for", "0.3", "--engine-address", "0x01"))[1]["bus"]
    assert bus["engine"] == {"source_address": 1, "usual_device": "engine 2", "heard": True}
    assert [sender["is_engine"] for sender in bus["senders"]] == [True]


def test_only_error_frames_look_like_a_wrong_bit_rate(settings: BusSettings, peer: can.BusABC, run: Run) -> None:
    """Exit code 1, the report and one line on standard error."""
    with Traffic(peer, ERROR_FRAME):
        code, document, err = run(*words_for(settings, "--for", "0.3"))
    bus = document["bus"]
    assert code == 1
    assert (bus["state"], bus["bit_rate_looks"], bus["frames"]) == ("errors_only", "wrong", 0)
    assert bus["error_frames"] > 0
    assert [check["source"] for check in bus["checks"]] == ["common practice, no source"] * 7
    assert "bit rate looks wrong" in err.splitlines()[-1]


def test_a_silent_bus_gets_the_checks(
    settings: BusSettings, quick_inventory: None, capsys: pytest.CaptureFixture[str]
) -> None:
    """In their order, on a page of 79 columns; exit code 1 and one line on standard error."""
    code, out = table(capsys, *words_for(settings, "--for", "0.2"))
    assert code == 1
    assert "The bus is silent." in out
    assert "common practice, no source" in out
    places = [out.index(f"{number}. ") for number in range(1, 8)]
    assert places == sorted(places)
    for part in ("1. Key on", "60 ohm", "120 ohm:", "40 ohm:", "Near 0 ohm:", "Open:", "Fuse", "lamp"):
        assert part in out


def test_standard_error_of_a_silent_bus(settings: BusSettings, run: Run) -> None:
    """What is going on, then what came of it: two lines, and standard output holds the document alone."""
    code, document, err = run(*words_for(settings, "--for", "0.2"))
    name = f"{settings.channel} (virtual)"
    first, last = err.splitlines()
    assert code == 1
    assert first == f"faultlamp: listening on {name} for 0.2 s; sends nothing"
    assert last.startswith(f"faultlamp: nothing heard on {name} in 0.")
    assert document["bus"]["state"] == "silent"
    assert document["bus"]["load"][0]["percent"] == 0


def test_an_adapter_that_cannot_be_opened_still_gets_a_report(
    monkeypatch: pytest.MonkeyPatch, run: Run, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit code 1; the reason is in the report and on standard error, once each."""

    def fail(**_: Any) -> None:
        raise OSError(errno.ENODEV, "No such device \x1b[2J")

    monkeypatch.setattr(can, "Bus", fail)
    code, document, err = run("-i", "socketcan", "-c", "can7")
    bus = document["bus"]
    assert code == 1
    assert (bus["state"], bus["frames"], bus["load"], bus["findings"]) == ("not_opened", 0, [], [])
    assert bus["error"].startswith("cannot open can7 (socketcan): no such device")
    assert err == f"faultlamp: {bus['error']}\n"
    assert document["packages"]
    code, out = table(capsys, "-i", "socketcan", "-c", "can7")
    assert code == 1
    assert "The bus could not be opened." in out
    assert "no such device" in out


class Dying:
    """A bus that delivers one frame and then loses its adapter."""

    def __init__(self, **_: Any) -> None:
        self._messages = [can.Message(arbitration_id=0x18FECA00, data=ONE_FAULT, timestamp=1_700_000_000)]

    def recv(self, timeout_s: float) -> can.Message:
        if self._messages:
            return self._messages.pop(0)
        raise can.CanOperationError("Could not read") from OSError(5, "Input/output error")

    def shutdown(self) -> None:
        """Nothing is left to close."""


def test_an_adapter_that_goes_while_listening_is_told(
    monkeypatch: pytest.MonkeyPatch, run: Run, capsys: pytest.CaptureFixture[str]
) -> None:
    """What was heard before is in the report; exit code 1 with the reason."""
    monkeypatch.setattr(can, "Bus", Dying)
    code, document, err = run("-i", "slcan", "-c", "/dev/ttyUSB0", "-b", "250000")
    bus = document["bus"]
    assert code == 1
    assert (bus["frames"], bus["senders"][0]["active_faults"], bus["hardware_listen_only"]) == (1, 1, True)
    assert "cannot read from /dev/ttyUSB0 (slcan) at 250000 bit/s" in bus["error"]
    assert err.splitlines()[-1] == f"faultlamp: {bus['error']}"
    # Gone within a moment: no rate can be told, on the page either.
    assert (bus["frames_per_s"], bus["load"]) == (None, [])
    code, out = table(capsys, "-i", "slcan", "-c", "/dev/ttyUSB0", "-b", "250000")
    assert code == 1
    assert "1 frames and 0 error frames, then the adapter was gone" in out


class Adapter:
    """An adapter on a bus of 500 kbit/s: frames at that rate, errors at 250 kbit/s, nothing at others."""

    opened: list[dict[str, Any]]

    def __init__(self, **config: Any) -> None:
        self.opened.append(config)
        self._rate = config["bitrate"]

    def recv(self, timeout_s: float) -> can.Message | None:
        time.sleep(min(timeout_s, 0.01))
        if self._rate == 500_000:
            return can.Message(arbitration_id=0x18FECA00, data=ONE_FAULT, timestamp=1_700_000_000)
        return can.Message(is_error_frame=True) if self._rate == 250_000 else None

    def shutdown(self) -> None:
        """Nothing to close."""


@pytest.fixture
def adapter(monkeypatch: pytest.MonkeyPatch) -> list[dict[str, Any]]:
    """What python-can was asked to open."""
    Adapter.opened = []
    monkeypatch.setattr(can, "Bus", Adapter)
    monkeypatch.setattr(listening, "DISCARD_S", 0.0)
    return Adapter.opened


def test_bit_rates_are_tried_in_silence(adapter: list[dict[str, Any]], run: Run) -> None:
    """Three rates, each listen-only; the one with frames and no errors is reported, and its bus."""
    code, document, err = run("-i", "slcan", "-c", "/dev/ttyUSB0", "--try-bitrates", "--for", "0.3")
    assert code == 0
    assert [(config["bitrate"], config["listen_only"]) for config in adapter] == [
        (250_000, True), (500_000, True), (1_000_000, True)
    ]
    assert [(trial["bit_rate"], trial["state"], trial["right"]) for trial in document["bit_rate_trials"]] == [
        (250_000, "errors_only", False), (500_000, "alive", True), (1_000_000, "silent", False),
    ]
    assert document["bus"]["bit_rate"] == 500_000
    assert document["bus"]["hardware_listen_only"] is True
    assert len(err.splitlines()) == 3


def test_tried_bit_rates_as_people_see_them(
    adapter: list[dict[str, Any]], quick_inventory: None, capsys: pytest.CaptureFixture[str]
) -> None:
    """One line a rate, the right one marked."""
    code, out = table(capsys, "-i", "slcan", "-c", "/dev/ttyUSB0", "--try-bitrates", "--for", "0.2")
    assert code == 0
    marked = [line for line in out.splitlines() if "<- this one" in line]
    assert len(marked) == 1
    assert marked[0].split()[:2] == ["500000", "bit/s"]


def test_no_bit_rate_fits(adapter: list[dict[str, Any]], monkeypatch: pytest.MonkeyPatch, run: Run) -> None:
    """Errors tell more than silence: they are what the report is about. Exit code 1."""
    monkeypatch.setattr(listening, "TRIED_BIT_RATES", (1_000_000, 250_000))
    code, document, _ = run("-i", "slcan", "-c", "/dev/ttyUSB0", "--try-bitrates", "--for", "0.2")
    assert code == 1
    assert [trial["right"] for trial in document["bit_rate_trials"]] == [False, False]
    assert (document["bus"]["state"], document["bus"]["bit_rate"]) == ("errors_only", 250_000)


@pytest.mark.parametrize(
    ("words", "parts"),
    [
        pytest.param(("-i", "socketcan", "-c", "can0"), ["sudo ip link set can0", "bitrate", "listen-only on"],
                     id="socketcan"),
        pytest.param(("-i", "virtual", "-c", "x"), ["cannot make virtual listen-only", "disturbs the bus"],
                     id="no-listen-only"),
        pytest.param((), ["--try-bitrates needs a bus", "-i"], id="no-bus"),
        pytest.param(("-i", "nonsense"), ["unknown interface"], id="unknown-interface"),
    ],
)
def test_where_bit_rates_cannot_be_tried(
    adapter: list[dict[str, Any]], run: Run, words: tuple[str, ...], parts: list[str]
) -> None:
    """One line, exit code 1, and no adapter was opened: at a wrong rate an acknowledging one disturbs the bus."""
    code, document, err = run(*words, "--try-bitrates")
    assert (code, document, adapter) == (1, {}, [])
    assert len(err.splitlines()) == 1
    for part in parts:
        assert part in err


@pytest.mark.parametrize(
    "words",
    [
        pytest.param(("-i", "slcan", "-c", "x", "-b", "250000", "--try-bitrates"), id="rate-and-rates"),
        pytest.param(("--for", "0"), id="no-time"),
        pytest.param(("--engine-address", "255"), id="address"),
        pytest.param(("--format", "csv"), id="format"),
    ],
)
def test_wrong_usage_is_exit_code_2(words: tuple[str, ...]) -> None:
    """argparse's message, no bus opened."""
    with pytest.raises(SystemExit) as ended:
        main(["doctor", *words])
    assert ended.value.code == 2


def test_a_socketcan_link_has_its_own_bit_rate(
    adapter: list[dict[str, Any]], monkeypatch: pytest.MonkeyPatch, run: Run
) -> None:
    """Linux tells rate and listen-only mode; what -b says does nothing there."""
    monkeypatch.setattr(offers, "can_links", lambda: ["can0"])
    monkeypatch.setattr(
        listening, "read_link", lambda name: Link(name, True, "can", 250_000, "ERROR-PASSIVE", False)
    )
    bus = run("-i", "socketcan", "-c", "can0", "-b", "500000", "--for", "0.2")[1]["bus"]
    assert (bus["bit_rate"], bus["hardware_listen_only"]) == (250_000, False)
    assert bus["link"] == {
        "up": True, "kind": "can", "bit_rate": 250_000, "state": "ERROR-PASSIVE", "listen_only": False
    }
    assert [load["bit_rate"] for load in bus["load"]] == [250_000]
    assert "controller_errors" in {finding["code"] for finding in bus["findings"]}


def test_the_page_and_the_document_say_the_same(
    monkeypatch: pytest.MonkeyPatch, settings: BusSettings, peer: can.BusABC, quick_inventory: None,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """One listening, shown both ways: every figure of the document's bus stands on the page."""
    printed: list[dict[str, Any]] = []
    real = doctor._print
    monkeypatch.setattr(doctor, "_print", lambda document, form: (printed.append(document), real(document, form)))
    messages = (ENGINE_SPEED, can.Message(arbitration_id=0x18EEFF80, data=NAME), ERROR_FRAME,
                can.Message(arbitration_id=0x18FECA00, data=ONE_FAULT))
    with Traffic(peer, *messages):
        code, out = table(capsys, *words_for(settings, "-b", "250000", "--for", "0.5"))
    (document,) = printed
    bus, flat = document["bus"], " ".join(out.split())
    assert code == 0
    assert f"{bus['frames_per_s']:.1f} frames/s in {bus['listened_s']:.1f} s" in flat
    assert f"{bus['extended_frames_per_s']:.1f} of them 29-bit; {bus['error_frames']} error frames" in flat
    assert f"{bus['load'][0]['percent']:.1f} % at 250000 bit/s" in flat
    assert "an estimate" in flat
    assert f"0 engine 1 {bus['senders'][0]['frames_per_s']:.1f} 1 active" in flat
    assert f"128 - {bus['senders'][1]['frames_per_s']:.1f} none heard" in flat
    assert "NAME: function 201, instance 16, ECU 2, industry group 5 (industrial), maker code 666" in flat
    assert "Engine at address 0 (engine 1): heard." in flat
    for finding in bus["findings"]:
        assert finding["text"] in flat
    for package in document["packages"]:
        assert package["version"] is None or f"{package['name']} {package['version']}" in flat


@pytest.mark.parametrize(
    ("name", "value", "code"),
    [
        pytest.param("CAN_INTERFACE", "virtual", 1, id="a-bus"),
        pytest.param("CAN_CONFIG", "{", 1, id="broken"),
        pytest.param("CAN_BITRATE", "250000", 0, id="no-bus"),
    ],
)
def test_python_cans_configuration_chooses_the_bus(
    monkeypatch: pytest.MonkeyPatch, run: Run, name: str, value: str, code: int
) -> None:
    """As python-can documents its variables; one that names no interface asks for the inventory only."""
    monkeypatch.setenv(name, value)
    done, document, _ = run("--for", "0.2")
    assert done == code
    assert (document["bus"] is not None) == bool(code)
    assert document["configuration"]["variables"] == [name]


def test_a_configuration_file_is_named(monkeypatch: pytest.MonkeyPatch, tmp_path: Path, run: Run) -> None:
    """The one that is there, and the bus that it chooses is examined."""
    path = tmp_path / "can.conf"
    monkeypatch.setattr("can.util.CONFIG_FILES", [str(path), str(tmp_path / "none")])
    path.write_text("[default]\ninterface = virtual\nchannel = from_file\n")
    code, document, err = run("--for", "0.2")
    assert code == 1
    assert document["configuration"]["files"] == [str(path)]
    assert document["bus"]["channel"] == "from_file"
    assert "from_file (virtual)" in err


def test_a_channel_alone_is_no_bus(run: Run) -> None:
    """It names no interface: one line says what to add, and the report is there."""
    code, document, err = run("-c", "can0")
    assert code == 1
    assert document["bus"]["state"] == "not_opened"
    assert "no interface chosen for can0" in err


def test_the_inventory_as_a_script_gets_it(tmp_path: Path) -> None:
    """A process of its own, no bus chosen: JSON by itself in a pipe, versions as their metadata have them, exit 0."""
    done = subprocess.run(
        [sys.executable, "-m", "faultlamp", "doctor"], env=environment(tmp_path),
        stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=60, check=False,
    )
    document = json.loads(done.stdout)
    assert done.returncode == 0
    assert done.stderr == "faultlamp: looking for adapters, 8 s at most\n"
    assert (document["schema"], document["bus"], document["bit_rate_trials"]) == (1, None, None)
    found = {package["name"]: package["version"] for package in document["packages"]}
    for name in ("numpy", "python-can", "cantools", "textual", "zstandard"):
        assert found[name] == version(name)
    assert sys.version.split()[0] in document["python"]
    assert {"name": "virtual", "usable": True, "why": None, "remedy": None} in document["interfaces"]
    assert document["configuration"] == {"files": [], "variables": []}
