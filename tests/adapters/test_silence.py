"""Nothing is transmitted by the commands that listen: what reaches the bus is counted, on each kind of bus.

While they listen the bus asks for answers: whoever took part in it would have to say something to these frames.
"""

import json
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from itertools import count
from pathlib import Path
from typing import Any

import can
import pytest
from can.interfaces.virtual import VirtualBus

from faultlamp.cli.main import main
from faultlamp.frames import Frame
from support.multicast import GROUP, Counter, free_port, participant
from support.serial_adapter import SerialAdapter
from support.socketcand import SocketcandDaemon

_numbers = count()

PROVOCATIONS = [
    # SAE J1939-21, section 5.4.2: requests to everybody for address claims, component identification, DM2, DM11.
    *(Frame(0, "", 0x18EAFF00, bytes.fromhex(pgn)) for pgn in ("00EE00", "EBFE00", "CBFE00", "D3FE00")),
    # The same to the address that a service tool takes, and to address 0.
    Frame(0, "", 0x18EAF900, bytes.fromhex("00EE00")), Frame(0, "", 0x18EA0003, bytes.fromhex("CAFE00")),
    # SAE J1939-81, section 4.5: somebody claims the service tool's address.
    Frame(0, "", 0x18EEFFF9, bytes(8)),
    # SAE J1939-21, section 5.10: a request to send, to be answered with CTS or abort; then packets of no session.
    Frame(0, "", 0x1CECF900, bytes.fromhex("100E0002FFCAFE00")),
    Frame(0, "", 0x1CEBF900, bytes.fromhex("0114FF6E00030264")),
    # A DM1 with an amber lamp: SAE J1939-73, section 5.7.1.
    Frame(0, "", 0x18FECA00, bytes.fromhex("04FF6E000301FFFF")),
]

COMMANDS = [
    pytest.param(("watch", "--for", "0.3", "--record", "FILE"), id="watch"),
    pytest.param(("record", "--for", "0.3", "-o", "FILE"), id="record"),
    pytest.param(("doctor", "--for", "0.3"), id="doctor"),
]


def words(command: tuple[str, ...], folder: Path, *bus: str) -> list[str]:
    """The command with its bus and its file."""
    return [*(str(folder / "bus.log") if word == "FILE" else word for word in command), *bus]


@contextmanager
def provoking(deliver: Callable[[Frame], None]) -> Iterator[list[Frame]]:
    """Say the frames again and again while the block runs; yields those said so far."""
    over = threading.Event()
    said: list[Frame] = []

    def run() -> None:
        while not over.is_set():
            for frame in PROVOCATIONS:
                deliver(frame)
                said.append(frame)
            over.wait(0.1)

    thread = threading.Thread(target=run)
    thread.start()
    try:
        yield said
    finally:
        over.set()
        thread.join()


def run_to_end(capsys: pytest.CaptureFixture[str], command: list[str]) -> str:
    """Run it; it must have worked. Returns what it said on both outputs."""
    code = main(command)
    out, err = capsys.readouterr()
    assert (code, "Traceback" in err) == (0, False), err
    return out + err


@pytest.mark.parametrize("command", COMMANDS)
def test_nothing_reaches_a_virtual_bus(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, command: tuple[str, ...]
) -> None:
    """Counted at the driver, for all buses but the one that provokes, and at a third participant."""
    channel = f"silence{next(_numbers)}"
    sent: list[can.Message] = []
    real = VirtualBus.send
    with (
        can.Bus(interface="virtual", channel=channel, ignore_config=True) as peer,
        can.Bus(interface="virtual", channel=channel, ignore_config=True) as counter,
    ):

        def note(bus: VirtualBus, message: can.Message, timeout: float | None = None) -> None:
            if bus is not peer:
                sent.append(message)
            real(bus, message, timeout)

        monkeypatch.setattr(VirtualBus, "send", note)
        with provoking(lambda frame: peer.send(can.Message(arbitration_id=frame.can_id, data=frame.data))) as said:
            assert main(words(command, tmp_path, "-i", "virtual", "-c", channel)) == 0
        heard = 0
        while counter.recv(0.05) is not None:
            heard += 1
        assert sent == []
        assert heard == len(said) > 0
        assert peer.recv(0.05) is None
        # The counting works: a bus that does send is noticed.
        counter.send(can.Message(arbitration_id=1))
        assert len(sent) == 1


@pytest.fixture
def configured(monkeypatch: pytest.MonkeyPatch) -> Callable[..., None]:
    """Set python-can's options beside -i, -c and -b."""

    def configure(**config: Any) -> None:
        monkeypatch.setenv("CAN_CONFIG", json.dumps(config))

    return configure


@pytest.mark.parametrize("command", COMMANDS)
def test_nothing_reaches_a_multicast_group(
    configured: Callable[..., None], capsys: pytest.CaptureFixture[str], tmp_path: Path, command: tuple[str, ...]
) -> None:
    """Counted by a bare socket in the group: as many datagrams as the one participant sent."""
    port = free_port()
    configured(port=port, hop_limit=0)
    with Counter(port) as counter, participant(port) as peer:
        with provoking(lambda frame: peer.send(can.Message(arbitration_id=frame.can_id, data=frame.data))) as said:
            run_to_end(capsys, words(command, tmp_path, "-i", "udp_multicast", "-c", GROUP))
        assert counter.count() == len(said) > 0


@pytest.mark.parametrize(
    "command", [*COMMANDS, pytest.param(("doctor", "--for", "0.3", "--try-bitrates"), id="doctor-try-bitrates")]
)
def test_a_serial_adapter_is_told_to_send_nothing(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, command: tuple[str, ...]
) -> None:
    """Its commands, all of them: closed, bit rate, listen-only. `O`, which would acknowledge, is never among them."""
    bit_rate = () if "--try-bitrates" in command else ("-b", "250000")
    with SerialAdapter() as adapter:
        with provoking(adapter.deliver):
            run_to_end(capsys, words(command, tmp_path, "-i", "slcan", "-c", adapter.port, *bit_rate))
        adapter.wait_for(lambda one: not one.mode)
        assert adapter.transmitted == []
        rates = {"S5"} if bit_rate else {"S5", "S6", "S8"}
        assert set(adapter.commands) == {"C", "", "L", *rates}


@pytest.mark.parametrize("command", COMMANDS)
def test_an_adapter_without_listen_only_sends_no_frame_either(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, command: tuple[str, ...]
) -> None:
    """It is opened with `O`, in which it would send what it is given: it is given nothing. That it acknowledges is
    said."""
    with SerialAdapter(refuses="L") as old:
        with provoking(old.deliver):
            bus = ("-i", "slcan", "-c", old.port, "-b", "250000")
            table = ("--format", "table") if command[0] == "doctor" else ()
            said = run_to_end(capsys, words(command, tmp_path, *bus, *table))
        old.wait_for(lambda one: not one.mode)
        assert old.transmitted == []
        assert set(old.commands) == {"C", "", "L", "O", "S5"}
    without = "listen-only mode could not be had; doctor sends no frame"
    assert (without if table else "sends nothing but the acknowledge bit (no listen-only mode could be had)") in said


def test_bit_rates_are_not_tried_with_an_adapter_that_acknowledges(capsys: pytest.CaptureFixture[str]) -> None:
    """At a wrong bit rate it would disturb the bus: it is never opened, and the reason is said."""
    with SerialAdapter(refuses="L") as old:
        assert main(["doctor", "-i", "slcan", "-c", old.port, "--for", "0.3", "--try-bitrates"]) == 1
        out, err = capsys.readouterr()
        assert "the adapter has no listen-only mode; set the bit rate with -b" in err
        assert "Traceback" not in out + err
        assert set(old.commands) == {"C", "", "L", "S5", "S6", "S8"}


@pytest.mark.parametrize("command", COMMANDS)
def test_a_daemon_is_asked_to_send_nothing(
    configured: Callable[..., None], capsys: pytest.CaptureFixture[str], tmp_path: Path, command: tuple[str, ...]
) -> None:
    """The daemon's protocol has `send`; all that it hears is that the channel be opened and heard."""
    with SocketcandDaemon() as daemon:
        configured(host="127.0.0.1", port=daemon.port)

        def deliver(frame: Frame) -> None:
            if daemon.listened_to:
                daemon.deliver(Frame(time.time_ns(), "", frame.can_id, frame.data))

        with provoking(deliver):
            run_to_end(capsys, words(command, tmp_path, "-i", "socketcand", "-c", "can0"))
        assert daemon.commands == ["open can0", "rawmode"]


def test_looking_for_adapters_opens_none(capsys: pytest.CaptureFixture[str]) -> None:
    """`doctor` without a bus only looks: a serial adapter on this machine hears no command from it."""
    with SerialAdapter() as adapter:
        run_to_end(capsys, ["doctor"])
        assert adapter.commands == []
