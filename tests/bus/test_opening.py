"""Buses that cannot be opened: one line each, saying what, where and what to do."""

import errno
import inspect
import subprocess
import sys
from pathlib import Path
from typing import Any, NoReturn

import can
import can.interfaces
import pytest

from faultlamp.bus import offers
from faultlamp.bus.opening import open_bus, trouble
from faultlamp.bus.options import BusSettings
from faultlamp.errors import BusError


def refusal(settings: BusSettings) -> str:
    """The one line that opening the bus ends in."""
    with pytest.raises(BusError) as raised:
        open_bus(settings, listen_only=True)
    line = str(raised.value)
    assert "\n" not in line
    assert len(line) < 600
    return line


@pytest.mark.parametrize(
    ("settings", "parts"),
    [
        pytest.param(BusSettings(), ["no interface chosen", "-i socketcan -c can0", "CAN_INTERFACE", "can.conf"],
                     id="nothing-configured"),
        pytest.param(BusSettings(None, "can0"), ["no interface chosen for can0", "-i"], id="channel-alone"),
        pytest.param(BusSettings("socketcann", "can0"), ["unknown interface 'socketcann'", "did you mean socketcan?"],
                     id="misspelt-interface"),
        pytest.param(BusSettings("\x1b[31m", "x"), ["unknown interface", "·[31m"], id="hostile-interface"),
        pytest.param(BusSettings("slcan"), ["slcan needs a channel", "-c"], id="no-channel"),
        pytest.param(BusSettings("socketcand", "can0"), ["socketcand needs host and port", "configuration"],
                     id="more-arguments"),
        pytest.param(BusSettings("udp_multicast", "no.such.host.invalid"),
                     ["cannot open no.such.host.invalid (udp_multicast)", "check -c"], id="unknown-group"),
    ],
)
def test_a_wrong_choice_says_what_to_do(settings: BusSettings, parts: list[str]) -> None:
    """Real python-can, no adapter: each message names the mistake and the remedy."""
    line = refusal(settings)
    for part in parts:
        assert part in line


def test_an_unknown_interface_is_told_every_name_that_python_can_has() -> None:
    """The list is python-can's own, sorted, nothing left out."""
    line = refusal(BusSettings("nonsense", "x"))
    for name in can.interfaces.VALID_INTERFACES:
        assert name in line
    assert line.index("slcan") < line.index("socketcan") < line.index("virtual")


FAILURES = [
    pytest.param("socketcan", "can7", OSError(errno.ENODEV, "No such device"), ["no such device", "can0, vcan0"],
                 id="socketcan-no-device"),
    pytest.param("socketcan", "can0", OSError(errno.EAFNOSUPPORT, "Address family not supported"),
                 ["no SocketCAN", "modprobe can_raw"], id="no-socketcan"),
    pytest.param("socketcan", "can0", PermissionError(errno.EPERM, "Operation not permitted"),
                 ["not permitted", "access"], id="not-permitted"),
    pytest.param("slcan", "/dev/ttyUSB0", PermissionError(errno.EACCES, "Permission denied"),
                 ["not permitted", "group that owns the port"], id="serial-not-permitted"),
    pytest.param("slcan", "/dev/ttyUSB9", FileNotFoundError(errno.ENOENT, "could not open port"),
                 ["no such device", "/dev/ttyUSB0, /dev/ttyUSB1"], id="serial-port-missing"),
    pytest.param("slcan", "/dev/ttyUSB0", OSError(errno.EBUSY, "Device or resource busy"),
                 ["busy", "close the program"], id="busy"),
    pytest.param("slcan", "/dev/ttyUSB0", ValueError("Invalid bitrate, choose one of 10000, 20000."),
                 ["Invalid bitrate, choose one of 10000, 20000;", "check -c and -b"], id="bit-rate"),
    pytest.param("slcan", "/dev/ttyUSB0", can.CanInterfaceNotImplementedError("The serial module is not installed"),
                 ["serial module is not installed", "pip install 'python-can[serial]'"], id="package-missing"),
    pytest.param("kvaser", "0", NameError("name 'canGetNumberOfChannels' is not defined"),
                 ["driver is not installed", "install"], id="library-missing"),
    pytest.param("socketcan", "can0", can.CanInitializationError("first\nsecond \x1b[2J"), ["first second ·[2J"],
                 id="two-lines-and-an-escape"),
    pytest.param("socketcan", "can0", can.CanOperationError(""), ["CanOperationError"], id="no-words"),
    pytest.param("socketcan", "can0", can.CanTimeoutError("late", 7), ["late"], id="timeout"),
    pytest.param("socketcan", "can0", TypeError("unexpected keyword argument 'x'"), ["unexpected keyword"], id="type"),
    pytest.param("socketcan", "can0", RuntimeError("x" * 5000), ["xxx…"], id="endless"),
]


@pytest.mark.parametrize(("interface", "channel", "failure", "parts"), FAILURES)
def test_whatever_a_driver_raises_becomes_one_line(
    monkeypatch: pytest.MonkeyPatch, interface: str, channel: str, failure: Exception, parts: list[str]
) -> None:
    """Each kind of failure python-can documents (can/exceptions.py), and the system's own, name place and remedy."""

    def fail(**_: Any) -> NoReturn:
        raise failure

    monkeypatch.setattr(can, "Bus", fail)
    monkeypatch.setattr(offers, "can_links", lambda: ["can0", "vcan0"])
    monkeypatch.setattr(offers, "serial_ports", lambda: ["/dev/ttyUSB0", "/dev/ttyUSB1"])
    line = refusal(BusSettings(interface, channel))
    assert line.startswith(f"cannot open {channel} ({interface}): ")
    for part in parts:
        assert part in line


def test_every_exception_of_python_can_is_in_the_table() -> None:
    """A kind of error that python-can adds must be thought about here."""
    kinds = {
        kind for _, kind in inspect.getmembers(can.exceptions, inspect.isclass)
        if issubclass(kind, can.CanError) and kind is not can.CanError
    }
    tried = {type(case.values[2]) for case in FAILURES}
    assert kinds <= tried


@pytest.mark.parametrize(
    ("name", "content", "parts"),
    [
        pytest.param("CAN_CONFIG", "{", ["CAN_CONFIG is not JSON", "unset"], id="not-json"),
        pytest.param("CAN_CONFIG", "[]", ["configuration makes no sense"], id="no-object"),
        pytest.param("CAN_CONFIG", '{"interface": "virtual", "port": "x"}', ["Port config must be a number"],
                     id="port"),
        pytest.param("CAN_INTERFACE", "bogus", ["unknown interface 'bogus'"], id="interface"),
    ],
)
def test_a_wrong_environment_is_named(
    monkeypatch: pytest.MonkeyPatch, name: str, content: str, parts: list[str]
) -> None:
    """Environment variables as python-can's documentation has them, with nonsense in them."""
    monkeypatch.setenv(name, content)
    line = refusal(BusSettings())
    for part in parts:
        assert part in line


@pytest.mark.parametrize("content", [b"interface = virtual\n", b"[default]\ninterface = \xff\xfe\n"])
def test_a_damaged_configuration_file_is_named(tmp_path: Path, content: bytes) -> None:
    """No section, or no text: the line says which files python-can reads."""
    (tmp_path / "can.conf").write_bytes(content)
    line = refusal(BusSettings())
    assert "configuration cannot be read" in line
    assert str(tmp_path / "can.conf") in line


def test_what_is_left_out_comes_from_python_cans_configuration(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """File, environment and options, the later before the earlier, as python-can's documentation says."""
    (tmp_path / "can.conf").write_text("[default]\ninterface = virtual\nchannel = from-file\nbitrate = 125000\n")
    monkeypatch.setenv("CAN_CHANNEL", "from-environment")
    opened = open_bus(BusSettings(), listen_only=True)
    opened.bus.shutdown()
    assert opened.settings == BusSettings("virtual", "from-environment", 125000)
    opened = open_bus(BusSettings(None, "7", 250000), listen_only=True)
    opened.bus.shutdown()
    assert opened.settings == BusSettings("virtual", "7", 250000)


LISTEN_ONLY = [
    pytest.param("slcan", {"listen_only": True}, id="slcan"),
    pytest.param("vector", {"listen_only": True}, id="vector"),
    pytest.param("cantact", {"monitor": True}, id="cantact"),
    pytest.param("kvaser", {"driver_mode": False}, id="kvaser"),
    pytest.param("nixnet", {"listen_only": True}, id="nixnet"),
    pytest.param("pcan", {"state": "PASSIVE"}, id="pcan"),
    pytest.param("seeedstudio", {"operation_mode": "silent"}, id="seeedstudio"),
    pytest.param("socketcan", {}, id="socketcan"),
    pytest.param("virtual", {}, id="virtual"),
    pytest.param("udp_multicast", {}, id="udp_multicast"),
]


@pytest.mark.parametrize(("interface", "argument"), LISTEN_ONLY)
def test_listen_only_is_asked_for_in_the_drivers_own_words(interface: str, argument: dict[str, object]) -> None:
    """The argument exists in the installed python-can: in the signature, or read from the keyword arguments."""
    cls = offers.bus_class(interface)
    assert offers.listen_only_argument(interface, cls) == argument
    for name in argument:
        source = inspect.getsource(cls.__init__)
        assert name in inspect.signature(cls).parameters or f'kwargs.get("{name}"' in source


def test_listen_only_values_mean_silence_to_the_drivers() -> None:
    """The values are those that the drivers' own constants and docstrings give."""
    from can.interfaces.kvaser import canlib
    from can.interfaces.seeedstudio import SeeedBus

    assert offers.LISTEN_ONLY_ARGUMENT["kvaser"][1] is canlib.DRIVER_MODE_SILENT
    assert offers.LISTEN_ONLY_ARGUMENT["seeedstudio"][1] in SeeedBus.OPERATIONMODE
    assert can.BusState[str(offers.LISTEN_ONLY_ARGUMENT["pcan"][1])] is can.BusState.PASSIVE
    assert "If true, operate in listen-only monitoring mode" in inspect.getsource(offers.bus_class("cantact").__init__)


@pytest.mark.parametrize(
    ("interface", "asked"),
    [("slcan", {"listen_only": True}), ("pcan", {"state": can.BusState.PASSIVE}), ("socketcan", {})],
)
def test_a_listener_asks_for_silence_and_a_speaker_does_not(
    monkeypatch: pytest.MonkeyPatch, interface: str, asked: dict[str, object]
) -> None:
    """The argument reaches python-can when listening, and only then, whatever the configuration says."""
    calls: list[dict[str, Any]] = []
    monkeypatch.setattr(can, "Bus", lambda **arguments: calls.append(arguments))
    monkeypatch.setenv("CAN_CONFIG", '{"listen_only": false}' if interface == "slcan" else "{}")
    opened = open_bus(BusSettings(interface, "c"), listen_only=True)
    assert opened.hardware_listen_only is bool(asked)
    assert {name: calls[0].get(name) for name in asked} == asked
    opened = open_bus(BusSettings(interface, "c"), listen_only=False)
    assert opened.hardware_listen_only is False
    assert not {name for name in asked if calls[1].get(name) == asked[name]}


def test_can_links_are_found_by_their_type(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """ARPHRD_CAN of linux/if_arp.h is 280; Ethernet is 1."""
    for name, kind in (("eth0", "1"), ("vcan0", "280"), ("can0", "280")):
        (tmp_path / name).mkdir()
        (tmp_path / name / "type").write_text(f"{kind}\n")
    monkeypatch.setattr(offers, "_NET", tmp_path)
    assert offers.can_links() == ["can0", "vcan0"]
    assert offers.channel_list("socketcan") == "channels here: can0, vcan0"
    monkeypatch.setattr(offers, "_NET", tmp_path / "nowhere")
    assert "no CAN interface" in offers.channel_list("socketcan")


def test_many_channels_are_not_all_listed(monkeypatch: pytest.MonkeyPatch) -> None:
    """The line stays readable."""
    monkeypatch.setattr(offers, "can_links", lambda: [f"can{number}" for number in range(30)])
    assert offers.channel_list("socketcan").endswith("can7 and 22 more")


@pytest.mark.parametrize(
    ("error", "parts"),
    [
        # python-can's socketcan raises CanOperationError from the kernel's OSError (can/interfaces/socketcan).
        pytest.param(OSError(errno.ENETDOWN, "Network is down"), ["interface is down", "ip link set can0 up"],
                     id="down"),
        pytest.param(OSError(errno.ENOBUFS, "No buffer space"), ["no room to send", "acknowledge"], id="no-room"),
        pytest.param(OSError(errno.EIO, "Input/output error"), ["Input/output error", "plugged in"], id="unplugged"),
    ],
)
def test_a_bus_that_fails_later_says_so(error: OSError, parts: list[str]) -> None:
    """The cause decides, wherever python-can wraps it."""
    wrapped = can.CanOperationError("Error receiving")
    wrapped.__cause__ = error
    for tried in (wrapped, error):
        line = str(trouble(tried, BusSettings("socketcan", "can0"), "cannot read from"))
        assert line.startswith("cannot read from can0 (socketcan): ")
        assert "\n" not in line
        for part in parts:
            if tried is error or part != "Input/output error":
                assert part in line


def test_drivers_do_not_write_to_standard_error() -> None:
    """python-can's driver modules log warnings while they load; the one line is all that a user sees."""
    program = (
        "from faultlamp.bus.opening import open_bus; from faultlamp.bus.options import BusSettings\n"
        "try: open_bus(BusSettings('nonsense', 'x'), listen_only=True)\n"
        "except Exception as error: print(error)"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.startswith("unknown interface 'nonsense'")
    assert done.stderr == ""
