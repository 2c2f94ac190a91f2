"""Listening through a daemon on the network: python-can's socketcand driver on the loopback interface."""

import json
import os
import signal
import socket
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from faultlamp.bus import daemon_line
from faultlamp.bus.line import Line
from faultlamp.bus.listener import Listener
from faultlamp.bus.options import BusSettings
from faultlamp.cli.main import main
from faultlamp.errors import BusError
from faultlamp.frames import Frame
from support.command import start
from support.hearing import hear, hear_to_the_end
from support.socketcand import SocketcandDaemon, text_of

SETTINGS = BusSettings("socketcand", "can0")
STAMP_NS = 1_700_000_000_123_456_000
# SAE J1939-73, section 5.7.1: amber lamp, SPN 110 FMI 3, one occurrence.
DM1 = Frame(STAMP_NS, "can0", 0x18FECA00, bytes.fromhex("04FF6E000301FFFF"))
OTHER = Frame(STAMP_NS + 1_000_000, "can0", 0x7DF, b"\x02\x01", 0)


@pytest.fixture
def daemon(monkeypatch: pytest.MonkeyPatch) -> Iterator[SocketcandDaemon]:
    """A daemon, and python-can's configuration for it."""
    with SocketcandDaemon() as daemon:
        monkeypatch.setenv("CAN_CONFIG", json.dumps({"host": "127.0.0.1", "port": daemon.port}))
        yield daemon


def test_frames_arrive_exactly_and_nothing_is_sent(daemon: SocketcandDaemon) -> None:
    """With the daemon's time stamps; all that the daemon is asked is to open the channel and to talk."""
    sent = [DM1, OTHER] * 50
    with Listener(SETTINGS) as listener:
        daemon.wait_for_client()
        for frame in sent:
            daemon.deliver(frame)
        assert hear(listener, len(sent)) == sent
    assert daemon.commands == ["open can0", "rawmode"]
    assert not listener.hardware_listen_only


@pytest.mark.parametrize(
    "rubbish",
    [
        pytest.param(b"< frame XYZ 1.0 00 >", id="identifier"),
        pytest.param(b"< frame 123 now 00 >", id="time"),
        pytest.param(b"< frame 123 1.0 0 >", id="half-a-byte"),
        pytest.param(b"< frame 123 >", id="short"),
        pytest.param(b"< frame FFFFFFFF 1.0 00 >", id="identifier-too-long"),
        pytest.param(b"< frame 123 1.0 001122334455667788 >", id="nine-bytes"),
        pytest.param(b"\xff\xfe >", id="not-text"),
        pytest.param(b"no message at all", id="no-message"),
        pytest.param(b"< echo >", id="unknown"),
        pytest.param(b"< " + b"x" * 3000, id="no-end"),
    ],
)
def test_rubbish_costs_no_later_frame_and_repeats_none(daemon: SocketcandDaemon, rubbish: bytes) -> None:
    """A frame before it arrives once, frames after it arrive. What is no ASCII takes its neighbours along."""
    expected = [DM1] if rubbish.isascii() else []
    with Listener(SETTINGS) as listener:
        daemon.wait_for_client()
        daemon.say(text_of(DM1) + rubbish)
        assert hear(listener, len(expected)) == expected
        assert hear(listener, 0) == []
        daemon.say(b" >")
        assert hear(listener, 0) == []
        for _ in range(3):
            daemon.deliver(OTHER)
            assert hear(listener, 1) == [OTHER]


def test_a_daemon_that_ends_is_one_line(daemon: SocketcandDaemon) -> None:
    """python-can itself would wait for ever; what came before is handed over first."""
    with Listener(SETTINGS) as listener:
        daemon.wait_for_client()
        daemon.deliver(DM1)
        daemon.hang_up()
        frames, said = hear_to_the_end(listener)
    assert frames == [DM1]
    assert said.startswith("cannot read from can0 (socketcand): the other side closed the connection; ")
    assert "\n" not in said


def test_a_daemon_that_refuses_is_one_line(daemon: SocketcandDaemon, monkeypatch: pytest.MonkeyPatch) -> None:
    """Another greeting than the protocol's."""
    monkeypatch.setattr(SocketcandDaemon, "_serve", lambda _, client: client.sendall(b"220 mail ready\r\n"))
    with pytest.raises(BusError, match=r"cannot open can0 \(socketcand\): .*; does the daemon run") as raised:
        Listener(SETTINGS)
    assert "\n" not in str(raised.value)


@pytest.mark.parametrize(
    ("answers", "instead_of"), [(0, "< hi >"), (1, "< ok >"), (2, "< ok >")], ids=["greeting", "open", "rawmode"]
)
def test_a_daemon_that_falls_silent_is_one_line(
    monkeypatch: pytest.MonkeyPatch, answers: int, instead_of: str
) -> None:
    """It accepts the connection and then says nothing more: that is told after some seconds."""
    monkeypatch.setattr(daemon_line, "STEP_S", 0.3)
    began_s = time.monotonic()
    # One greeting goes to the attempt to connect.
    with SocketcandDaemon(silent_after=answers + 1 if answers else 0) as silent:
        monkeypatch.setenv("CAN_CONFIG", json.dumps({"host": "127.0.0.1", "port": silent.port}))
        with pytest.raises(BusError) as raised:
            Listener(SETTINGS)
    said = f"the other side said nothing in 0.3 s instead of {instead_of!r}; does the daemon run"
    assert str(raised.value).startswith(f"cannot open can0 (socketcand): {said}")
    assert "\n" not in str(raised.value)
    assert time.monotonic() - began_s < 10


def test_a_daemon_that_never_greets_ends_the_command(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """One line and exit code 1; the real time limit is a few seconds."""
    assert daemon_line.STEP_S <= 5
    monkeypatch.setattr(daemon_line, "STEP_S", 0.3)
    with SocketcandDaemon(silent_after=0) as silent:
        monkeypatch.setenv("CAN_CONFIG", json.dumps({"host": "127.0.0.1", "port": silent.port}))
        assert main(["watch", "-i", "socketcand", "-c", "can0"]) == 1
    out, err = capsys.readouterr()
    assert (out, len(err.splitlines())) == ("", 1)
    assert "the other side said nothing in 0.3 s" in err


@pytest.mark.skipif(os.name == "nt", reason="sends the signal that Ctrl-C sends elsewhere")
@pytest.mark.parametrize("command", [("record", "-o", "FILE"), ("doctor",)], ids=lambda words: words[0])
def test_ctrl_c_ends_the_wait_for_a_greeting(tmp_path: Path, command: tuple[str, ...]) -> None:
    """At once, with the exit code of Ctrl-C and no traceback."""
    words = [str(tmp_path / "a.log") if word == "FILE" else word for word in command]
    with SocketcandDaemon(silent_after=0) as silent:
        config = {"host": "127.0.0.1", "port": silent.port}
        with start(tmp_path, *words, "-i", "socketcand", "-c", "can0", **config) as process:
            assert silent.connected.wait(20)
            time.sleep(0.3)
            process.send_signal(signal.SIGINT)
            began_s = time.monotonic()
            _, err = process.communicate(timeout=30)
    assert (process.returncode, "Traceback" in err) == (130, False), err
    assert time.monotonic() - began_s < 2.5


def ask_on(line: Line, count: int) -> None:
    """That many requests for DM2 (SAE J1939-21, section 5.4.2)."""
    for _ in range(count):
        line.send(0x18EA00F9, bytes.fromhex("CBFE00"))


def test_a_daemon_that_reads_no_more_ends_the_sending(monkeypatch: pytest.MonkeyPatch) -> None:
    """What the connection holds is soon used up; then one line tells it, and nothing more is tried on it."""
    assert daemon_line.SEND_S <= 2
    monkeypatch.setattr(daemon_line, "SEND_S", 0.3)
    with SocketcandDaemon(deaf=True) as deaf:
        monkeypatch.setenv("CAN_CONFIG", json.dumps({"host": "127.0.0.1", "port": deaf.port}))
        with Line(SETTINGS) as line:
            deaf.wait_for_client()
            began_s = time.monotonic()
            with pytest.raises(BusError) as raised:
                ask_on(line, 100_000)
            assert time.monotonic() - began_s < 10
            assert 0 < len(line.sent) < 5000
            deaf.say(text_of(DM1))
            assert line.read(2.0) == [DM1]
            began_s = time.monotonic()
            with pytest.raises(BusError, match="takes nothing"):
                ask_on(line, 1)
            assert time.monotonic() - began_s < 0.2
    assert str(raised.value) == (
        "cannot send on can0 (socketcand): the other side takes nothing, for 0.3 s; does the daemon still run? start "
        "it again"
    )


def test_a_daemon_that_reads_no_more_ends_the_rig(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """`faultlamp rig` sends all the time: it ends with one line and exit code 1 instead of hanging."""
    monkeypatch.setattr(daemon_line, "SEND_S", 0.3)
    with SocketcandDaemon(deaf=True) as deaf:
        monkeypatch.setenv("CAN_CONFIG", json.dumps({"host": "127.0.0.1", "port": deaf.port}))
        assert main(["rig", "quick-look", "-i", "socketcand", "-c", "can0", "--speed", "50"]) == 1
    err = capsys.readouterr().err
    assert "cannot send on can0 (socketcand): the other side takes nothing" in err.splitlines()[-1]
    assert "Traceback" not in err


def test_nobody_there_is_told_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """python-can alone knocks for ten seconds."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
    monkeypatch.setenv("CAN_CONFIG", json.dumps({"host": "127.0.0.1", "port": port}))
    began_s = time.monotonic()
    with pytest.raises(BusError, match=r"cannot open can0 \(socketcand\): .*refused; does the daemon run"):
        Listener(SETTINGS)
    assert time.monotonic() - began_s < 5


def test_frames_in_one_piece_with_the_last_answer_are_heard(monkeypatch: pytest.MonkeyPatch) -> None:
    """As it comes on a busy bus; python-can alone takes it for a wrong answer."""
    with SocketcandDaemon(at_once=text_of(DM1) + text_of(OTHER)) as busy:
        monkeypatch.setenv("CAN_CONFIG", json.dumps({"host": "127.0.0.1", "port": busy.port}))
        with Listener(SETTINGS) as listener:
            assert hear(listener, 2) == [DM1, OTHER]


def test_without_a_host_the_missing_options_are_named(monkeypatch: pytest.MonkeyPatch) -> None:
    """They go into python-can's configuration."""
    monkeypatch.delenv("CAN_CONFIG")
    with pytest.raises(BusError, match="socketcand needs host and port too"):
        Listener(SETTINGS)
