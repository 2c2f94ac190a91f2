"""`faultlamp ask` as a person types it, over python-can's virtual bus, to made-up controllers."""

from __future__ import annotations

import json
import os
import signal
import socket
import threading
from pathlib import Path
from typing import Any

import can
import pytest
from can.interfaces.virtual import VirtualBus

from faultlamp.bus import offers
from faultlamp.bus.options import BusSettings
from faultlamp.cli.main import main
from faultlamp.doctor import links
from faultlamp.doctor.links import Link
from faultlamp.j1939.participant.events import Message
from support.controllers import MS, Controller, LiveControllers, silent

DM2, VIN, HOURS, ET1 = 65227, 65260, 65253, 65262
ONE_CODE = bytes.fromhex("04FF6E000302FFFF")
# Group numbers: SAE J1939-73, section 5.7, as the parameter group list of python-can-j1939 has them; J1939-71.
ASKED = {
    "stored": [DM2],
    "freeze-frame": [65229],
    "expanded-freeze-frame": [64950, 64951],
    "readiness": [65230, 49408, 64952, 49664],
    "pending": [65231, 64898],
    "emissions": [65236, 64949],
    "permanent": [64896],
    "counts": [40448],
    "test-results": [65234, 64950],
    "identity": [60928, VIN, 65259, 65242, 64965, 54016, HOURS],
}


@pytest.fixture(autouse=True)
def _quickly(monkeypatch: pytest.MonkeyPatch) -> None:
    """Shorter waits; the tests in simulated time have the real ones."""
    monkeypatch.setattr("faultlamp.asking.intake.LOOK_NS", 300_000_000)
    monkeypatch.setattr("faultlamp.asking.intake.PAUSE_NS", 1_000_000)


def bus(settings: BusSettings) -> list[str]:
    """The options that choose the test's own channel."""
    return ["-i", "virtual", "-c", settings.channel or ""]


def asked_groups(document: dict[str, Any]) -> list[int]:
    """Groups that were asked for, from the transmitted requests (PGN 59904: id 18EAxxF9)."""
    return [
        int.from_bytes(bytes.fromhex(frame["data"]), "little") for frame in document["transmitted"]
        if frame["id"].startswith("18EA")
    ]


@pytest.mark.parametrize(
    ("options", "spn"), [((), 354340), (("--spn-conversion", "0=1"), 74565), (("--spn-conversion", "3=1"), 354340)],
    ids=["present", "order-1", "of-another"],
)
def test_the_order_of_an_old_code_is_the_users(
    settings: BusSettings, capsys: pytest.CaptureFixture[str], options: tuple[str, ...], spn: int
) -> None:
    """The published code 2468A583 (python-can-j1939, test_dtc_conversion_methods) is SPN 74565 in order 1."""
    answers = {DM2: bytes.fromhex("04FF2468A583FFFF")}
    with LiveControllers(settings.channel or "", Controller(0, answers)):
        assert main(["ask", "stored", "--to", "0", *options, *bus(settings)]) == 0
    (answer,) = json.loads(capsys.readouterr().out)["controllers"][0]["answers"]
    (code,) = answer["message"]["codes"]
    assert (code["spn"], code["fmi"], code["conversion_method"]) == (spn, 5, 1)


def test_stored_codes_as_json(settings: BusSettings, capsys: pytest.CaptureFixture[str]) -> None:
    """The document on standard output; what is sent, where, to whom and the caution on standard error before it."""
    with LiveControllers(settings.channel or "", Controller(0, {DM2: ONE_CODE})):
        assert main(["ask", "stored", "--to", "0", *bus(settings)]) == 0
    out, told = capsys.readouterr()
    document = json.loads(out)
    (controller,) = document["controllers"]
    (answer,) = controller["answers"]
    assert (controller["address"], controller["usual_name"], controller["heard"]) == (0, "engine 1", True)
    assert (answer["key"], answer["outcome"], answer["tries"]) == ("DM2", "answered", 1)
    assert answer["raw"] == ONE_CODE.hex().upper()
    (code,) = answer["message"]["codes"]
    assert (code["spn"], code["fmi"], code["occurrence_count"]) == (110, 3, 2)
    assert [(frame["id"], frame["data"]) for frame in document["transmitted"]][1:] == [("18EA00F9", "CBFE00")]
    assert document["transmitted"][0]["id"] == "18EEFFF9"
    first, second = told.splitlines()
    assert (settings.channel or "") in first
    assert "DM2" in first
    assert "engine 1 (0)" in first
    assert "caution" in second


@pytest.mark.parametrize(("what", "groups"), ASKED.items(), ids=ASKED)
def test_what_each_word_asks_for(
    settings: BusSettings, capsys: pytest.CaptureFixture[str], what: str, groups: list[int]
) -> None:
    """Every word sends the requests of its groups to the target, and nothing else but the claim."""
    with LiveControllers(settings.channel or "", Controller(0)):
        assert main(["ask", what, "--to", "0", *bus(settings)]) == 0
    document = json.loads(capsys.readouterr().out)
    assert asked_groups(document) == groups
    assert len(document["transmitted"]) == len(groups) + 1
    assert {answer["outcome"] for answer in document["controllers"][0]["answers"]} <= {"refused", "answered"}


def test_all_asks_for_everything(settings: BusSettings, capsys: pytest.CaptureFixture[str]) -> None:
    """Active codes, and every group that any other word asks for, each once."""
    with LiveControllers(settings.channel or "", Controller(0)):
        assert main(["ask", "all", "--to", "0", *bus(settings)]) == 0
    groups = asked_groups(json.loads(capsys.readouterr().out))
    assert len(groups) == len(set(groups))
    assert set(groups) == {65226} | {group for some in ASKED.values() for group in some}


@pytest.mark.parametrize(
    ("number", "payload", "expected"),
    [
        # Laixer J1939, engine_temperature_1_message_1: coolant 26 degC, fuel 19 degC, the rest not available.
        pytest.param("65262", "423BFFFFFFFFFFFF", {110: 26, 174: 19, 175: None}, id="known"),
        pytest.param("0xFEEE", "423BFFFFFFFFFFFF", {110: 26}, id="hexadecimal"),
    ],
)
def test_one_group_with_a_layout(
    settings: BusSettings, capsys: pytest.CaptureFixture[str], number: str, payload: str,
    expected: dict[int, int | None],
) -> None:
    """`pgn N` is decoded where a layout is known, wherever the words stand between the options."""
    with LiveControllers(settings.channel or "", Controller(0, {ET1: bytes.fromhex(payload)})):
        assert main(["ask", *bus(settings), "pgn", "--to", "0", number]) == 0
    document = json.loads(capsys.readouterr().out)
    (answer,) = document["controllers"][0]["answers"]
    values = {reading["spn"]: reading["value"] for reading in answer["message"]["readings"]}
    assert {spn: values[spn] for spn in expected} == expected
    assert document["asked"] == "pgn 65262"


def test_one_group_without_a_layout(settings: BusSettings, capsys: pytest.CaptureFixture[str]) -> None:
    """Bytes are there, a message is not."""
    with LiveControllers(settings.channel or "", Controller(0, {65300: b"\x01\x02\x03"})):
        assert main(["ask", "pgn", "65300", "--to", "0", *bus(settings)]) == 0
    (answer,) = json.loads(capsys.readouterr().out)["controllers"][0]["answers"]
    assert (answer["outcome"], answer["raw"], answer["message"]) == ("answered", "010203", None)


def test_a_table_for_people(settings: BusSettings, capsys: pytest.CaptureFixture[str]) -> None:
    """Names, numbers and words; a controller's text cannot command the terminal."""
    nasty = Controller(0, {VIN: b"TEST\x1b[2JVIN*", DM2: ONE_CODE})
    with LiveControllers(settings.channel or "", nasty, Controller(3)):
        assert main(["ask", "identity", "--format", "table", *bus(settings)]) == 0
        identity = capsys.readouterr().out
        assert main(["ask", "stored", "--format", "table", *bus(settings)]) == 0
        stored = capsys.readouterr().out
    assert "vin: TEST·[2JVIN" in identity
    assert "\x1b" not in identity
    assert "Engine 1 (address 0)" in stored
    assert "SPN 110 FMI 3: Engine Coolant Temperature 1" in stored
    assert "Transmission 1 (address 3)" in stored
    assert "Refused" in stored


def test_the_recording_holds_both_sides(
    settings: BusSettings, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Every frame that was sent or heard is in the candump log, as python-can and faultlamp read it."""
    path = tmp_path / "talk.log"
    with LiveControllers(settings.channel or "", Controller(0, {DM2: ONE_CODE})):
        assert main(["ask", "stored", "--to", "0", "-o", str(path), *bus(settings)]) == 0
    capsys.readouterr()
    read = [(message.arbitration_id, bytes(message.data)) for message in can.CanutilsLogReader(path)]
    assert [can_id for can_id, _ in read] == [0x18EEFFF9, 0x18EA00F9, 0x18FECB00]
    assert read[1:] == [(0x18EA00F9, b"\xcb\xfe\x00"), (0x18FECB00, ONE_CODE)]
    assert main(["faults", str(path)]) == 0
    (fault,) = json.loads(capsys.readouterr().out)["faults"]
    assert (fault["spn"], fault["state"], fault["reported_in"]) == (110, "previously_active", ["DM2"])


def test_another_address_of_our_own(settings: BusSettings, capsys: pytest.CaptureFixture[str]) -> None:
    """`--address` is what is claimed and asked from."""
    with LiveControllers(settings.channel or "", Controller(0, {DM2: ONE_CODE})):
        assert main(["ask", "stored", "--to", "0", "--address", "0xFA", *bus(settings)]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["address"] == 250
    assert [frame["id"] for frame in document["transmitted"]] == ["18EEFFFA", "18EA00FA"]


def test_several_targets_one_of_them_silent(settings: BusSettings, capsys: pytest.CaptureFixture[str]) -> None:
    """Who answered is enough for exit code 0; who did not is named."""
    with LiveControllers(settings.channel or "", Controller(0, {DM2: ONE_CODE}), Controller(3, {DM2: silent})):
        words = ["ask", "stored", "--to", "0", "--to", "3", "--timeout", "0.1", *bus(settings)]
        assert main(words) == 0
    out, told = capsys.readouterr()
    assert [one["answers"][0]["outcome"] for one in json.loads(out)["controllers"]] == ["answered", "no_answer"]
    assert "transmission 1 (3) did not answer" in told


def test_the_simulated_engine_answers(capsys: pytest.CaptureFixture[str]) -> None:
    """`--rig` brings a bus and an engine of its own."""
    assert main(["ask", "identity", "--rig", "pump-set", "--to", "0"]) == 0
    document = json.loads(capsys.readouterr().out)
    answers = {answer["key"]: answer for answer in document["controllers"][0]["answers"]}
    assert answers["VIN"]["message"]["texts"]["vin"].startswith("INVENTED")


def failure(capsys: pytest.CaptureFixture[str]) -> str:
    """The last line on standard error."""
    return capsys.readouterr().err.splitlines()[-1]


def test_nobody_there(settings: BusSettings, capsys: pytest.CaptureFixture[str]) -> None:
    """A bus on which nothing is heard: exit code 1 and one line with what to check."""
    assert main(["ask", "stored", "--timeout", "0.05", *bus(settings)]) == 1
    line = failure(capsys)
    assert "nothing at all was heard" in line
    assert "bit rate" in line


def test_nobody_at_that_address(settings: BusSettings, capsys: pytest.CaptureFixture[str]) -> None:
    """A wrong address: the line says who is there instead."""
    engine = Controller(0, periodic=[(20 * MS, ET1, lambda: bytes(8))])
    with LiveControllers(settings.channel or "", engine):
        assert main(["ask", "stored", "--to", "77", "--timeout", "0.1", *bus(settings)]) == 1
    line = failure(capsys)
    assert "address 77" in line
    assert "heard: engine 1 (0)" in line


def test_somebody_who_does_not_answer(settings: BusSettings, capsys: pytest.CaptureFixture[str]) -> None:
    """It talks and does not answer: that is another line."""
    mute = Controller(0, {DM2: silent}, [(20 * MS, ET1, lambda: bytes(8))])
    with LiveControllers(settings.channel or "", mute):
        assert main(["ask", "stored", "--to", "0", "--timeout", "0.1", *bus(settings)]) == 1
    assert "engine 1 (0) talks, but did not answer" in failure(capsys)


def test_no_address_left_for_us(settings: BusSettings, capsys: pytest.CaptureFixture[str]) -> None:
    """With every address we may use taken by a stronger NAME nothing is asked (SAE J1939-81, section 4.4.3)."""
    everybody = [Controller(one) for one in (249, 250, *range(128, 248))]
    with LiveControllers(settings.channel or "", *everybody):
        assert main(["ask", "stored", "--to", "0", *bus(settings)]) == 1
    assert "no address is free" in failure(capsys)


@pytest.mark.parametrize(
    "command", [["ask", "all"], ["clear", "all", "--yes"], ["rig", "quick-look"]], ids=["ask", "clear", "rig"]
)
def test_listen_only_refuses(
    settings: BusSettings, capsys: pytest.CaptureFixture[str], command: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """`--listen-only` opens no bus, sends nothing and says so."""
    monkeypatch.setattr(can, "Bus", lambda *_, **__: pytest.fail("a bus was opened"))
    assert main([*command, "--listen-only", *bus(settings)]) == 1
    line = failure(capsys)
    assert line.startswith("faultlamp: --listen-only: nothing was sent")


@pytest.mark.parametrize("command", [["ask", "all"], ["clear", "all", "--yes"]], ids=["ask", "clear"])
def test_a_link_in_listen_only_mode_is_refused(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], command: list[str]
) -> None:
    """Linux says that can0 does not acknowledge: nothing is opened, and the line has the commands that change it."""
    monkeypatch.setattr(offers, "can_links", lambda: ["can0"])
    monkeypatch.setattr(links, "read_link", lambda name: Link(name, True, "can", 500_000, "ERROR-ACTIVE", True))
    monkeypatch.setattr("faultlamp.bus.line.open_bus", lambda *_, **__: pytest.fail("a bus was opened"))
    assert main([*command, "-i", "socketcan", "-c", "can0"]) == 1
    line = failure(capsys)
    assert "listen-only mode" in line
    assert "sudo ip link set can0 up type can bitrate 500000 listen-only off" in line


@pytest.mark.parametrize(
    ("words", "part"),
    [
        (["ask"], "WHAT"),
        (["ask", "everything"], "WHAT"),
        (["ask", "pgn"], "which group"),
        (["ask", "stored", "65227"], "takes no number"),
        (["ask", "pgn", "262144"], "not a parameter group"),
        (["ask", "pgn", "-1"], "not a parameter group"),
        (["ask", "pgn", "59905"], "did you mean 59904"),
        (["ask", "pgn", "FECA"], "not a parameter group"),
        (["ask", "pgn", "65228"], "clears codes"),
        (["ask", "pgn", "0xFED3"], "clears codes"),
        (["ask", "stored", "--to", "255"], "not a source address"),
        (["ask", "stored", "--to", "249"], "own address"),
        (["ask", "stored", "--timeout", "0"], "seconds"),
        (["ask", "stored", "-o", "talk.blf"], "candump"),
        (["ask", "stored", "--rig", "quick-look", "-c", "can0"], "leave out"),
        (["clear"], "WHAT"),
        (["clear", "code", "110"], "two numbers"),
        (["clear", "code", "110", "x"], "two numbers"),
        (["clear", "code", "524288", "3"], "524287"),
        (["clear", "code", "110", "32"], "31"),
        (["clear", "stored", "110", "3"], "code SPN FMI"),
    ],
    ids=" ".join,
)
def test_wrong_usage(capsys: pytest.CaptureFixture[str], words: list[str], part: str) -> None:
    """Exit code 2, and words about what is wrong."""
    with pytest.raises(SystemExit) as caught:
        main(words)
    assert caught.value.code == 2
    assert part in capsys.readouterr().err


def test_a_recording_is_never_overwritten(
    settings: BusSettings, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The file is there: nothing is sent."""
    path = tmp_path / "talk.log"
    path.write_text("mine\n")
    engine = Controller(0, {DM2: ONE_CODE})
    with LiveControllers(settings.channel or "", engine):
        assert main(["ask", "stored", "--to", "0", "--record", str(path), *bus(settings)]) == 1
    assert "talk.log" in failure(capsys)
    assert path.read_text() == "mine\n"
    assert engine.asked == []


def test_a_channel_that_is_not_there(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The opening's own line, exit code 1, and no empty recording left behind."""
    if not hasattr(socket, "PF_CAN"):
        pytest.skip("this Python knows no SocketCAN")
    path = tmp_path / "talk.log"
    assert main(["ask", "stored", "-i", "socketcan", "-c", "nosuchcan9", "-o", str(path)]) == 1
    assert "nosuchcan9" in failure(capsys)
    assert not path.exists()


def test_what_was_answered_before_the_adapter_went_is_printed(
    settings: BusSettings, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Unplugged between two questions: the first answer is in the document, the line says what happened."""
    engine, real = Controller(0, {65236: ONE_CODE, 64949: silent}), VirtualBus._recv_internal

    def going(bus: VirtualBus, timeout: float | None) -> Any:
        if len(engine.asked) > 1 and threading.current_thread() is threading.main_thread():
            raise OSError(19, "No such device")
        return real(bus, timeout)

    monkeypatch.setattr(VirtualBus, "_recv_internal", going)
    with LiveControllers(settings.channel or "", engine):
        assert main(["ask", "emissions", "--to", "0", *bus(settings)]) == 1
    out, told = capsys.readouterr()
    (answer,) = json.loads(out)["controllers"][0]["answers"]
    assert (answer["key"], answer["outcome"]) == ("DM12", "answered")
    assert "No such device" in told.splitlines()[-1]


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP], ids=lambda one: one.name)
def test_stopped_in_the_middle_of_a_transfer_it_hangs_up(
    settings: BusSettings, tmp_path: Path, capsys: pytest.CaptureFixture[str], number: signal.Signals
) -> None:
    """The controller gets an abort (SAE J1939-21, section 5.10.1: control byte 255) and need not wait; it is logged."""

    def begins(controller: Controller, message: Message, pgn: int) -> None:
        controller.put(60416, message.source, bytes.fromhex("10 13 00 03 FF CB FE 00"))
        controller.later(message.time_ns + 100 * MS, lambda _: os.kill(os.getpid(), number))

    path, before = tmp_path / "talk.log", signal.getsignal(number)
    with LiveControllers(settings.channel or "", Controller(0, {DM2: begins})):
        assert main(["ask", "stored", "--to", "0", "-o", str(path), *bus(settings)]) == 130
    last = json.loads(capsys.readouterr().out)["transmitted"][-1]
    assert (last["id"], last["data"]) == ("1CEC00F9", "FF02FFFFFFCBFE00")
    assert path.read_text().splitlines()[-1].endswith("1CEC00F9#FF02FFFFFFCBFE00")
    assert signal.getsignal(number) is before
