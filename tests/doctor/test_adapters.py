"""Drivers that load, fail, hang and crash: real python-can in a process of its own, with interfaces of a test package.

python-can's documentation, "Plugin Interface": a package declares an interface by an entry point of the group
`can.interface`.
"""

import importlib.util
import socket
import sys
import time
from pathlib import Path

import can.interfaces
import pytest

from faultlamp.bus import offers
from faultlamp.doctor import adapters, drivers
from faultlamp.doctor.adapters import Channel, look_for_adapters, read_facts
from faultlamp.doctor.drivers import Driver, examine_driver
from faultlamp.doctor.links import Link


def install(monkeypatch: pytest.MonkeyPatch, folder: Path, **modules: str) -> None:
    """Interfaces by name, each with its module's source, for python-can in a process started from here."""
    metadata = folder / "made_up-1.0.dist-info"
    metadata.mkdir()
    (metadata / "METADATA").write_text("Metadata-Version: 2.1\nName: made-up\nVersion: 1.0\n")
    lines = [f"{name} = made_up_{name}:Bus" for name in modules]
    (metadata / "entry_points.txt").write_text("\n".join(["[can.interface]", *lines, ""]))
    for name, source in modules.items():
        (folder / f"made_up_{name}.py").write_text(source)
    monkeypatch.setenv("PYTHONPATH", str(folder))


BUS = """
import can

class Bus(can.BusABC):
    @staticmethod
    def _detect_available_configs():
        {body}
"""


def by_name(found: adapters.Adapters) -> dict[str, Driver]:
    return {driver.name: driver for driver in found.drivers}


def test_every_interface_of_python_can_is_judged() -> None:
    """All names, in order; each that cannot be opened says why."""
    found = look_for_adapters(search=False)
    assert [driver.name for driver in found.drivers] == sorted(can.interfaces.VALID_INTERFACES)
    assert by_name(found)["virtual"] == Driver("virtual", True)
    assert all(driver.usable != bool(driver.why) for driver in found.drivers)
    assert found.troubles == ()
    if sys.platform == "linux":
        assert by_name(found)["usb2can"] == Driver("usb2can", False, "for Windows only", None)


@pytest.mark.parametrize(
    ("interface", "package", "extra"),
    [
        # Provides-Extra of python-can's metadata, and what its drivers import.
        pytest.param("slcan", "serial", "serial", id="slcan"),
        pytest.param("cantact", "cantact", "cantact", id="cantact"),
        pytest.param("neovi", "ics", "neovi", id="neovi"),
        pytest.param("nixnet", "nixnet", "nixnet", id="nixnet"),
        pytest.param("udp_multicast", "msgpack", "multicast", id="udp_multicast"),
    ],
)
def test_a_missing_package_is_named_with_its_pip_line(
    monkeypatch: pytest.MonkeyPatch, interface: str, package: str, extra: str
) -> None:
    """Whether or not it is installed here."""
    real = importlib.util.find_spec
    monkeypatch.setattr(drivers, "find_spec", lambda name: None if name == package else real(name))
    driver = examine_driver(interface)
    assert not driver.usable
    assert driver.why == f"the Python package {package} is missing"
    assert driver.remedy is not None
    assert f"pip install 'python-can[{extra}]'" in driver.remedy


def test_a_driver_that_fails_on_import_is_told_in_its_own_words(monkeypatch: pytest.MonkeyPatch) -> None:
    """Harmless and short; a missing module by its name."""

    def fail(_: str) -> type:
        raise error

    monkeypatch.setattr(offers, "bus_class", fail)
    error: Exception = ModuleNotFoundError("No module named 'usb'", name="usb")
    assert examine_driver("gs_usb").why == "the Python package usb is missing"
    error = RuntimeError("first\nsecond \x1b[2J" + "x" * 500)
    why = examine_driver("gs_usb").why
    assert why is not None
    assert why.startswith("first second ·[2J")
    assert len(why) == 100
    error = OSError()
    assert examine_driver("gs_usb").why == "OSError"


def test_socketcan_is_usable_where_the_system_has_it() -> None:
    """The system's own answer to opening a raw CAN socket."""
    try:
        socket.socket(socket.AF_CAN, socket.SOCK_RAW, socket.CAN_RAW).close()
    except (OSError, AttributeError):
        assert examine_driver("socketcan").why == "this system has no SocketCAN"
    else:
        assert examine_driver("socketcan") == Driver("socketcan", True)


def test_a_missing_library_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """python-can 4.6 sets the library to None and fails when a bus is opened; with it the interface is usable."""
    from can.interfaces.kvaser import canlib

    monkeypatch.setattr(canlib, "__canlib", None)
    assert examine_driver("kvaser").why == "the driver's library is missing"
    monkeypatch.setattr(canlib, "__canlib", object())
    assert examine_driver("kvaser") == Driver("kvaser", True)


def test_the_places_looked_at_exist() -> None:
    """A python-can that keeps a library elsewhere must be noticed: each module of the table assigns the name."""
    for interface, (module, attribute) in drivers._LIBRARY.items():
        assert interface in can.interfaces.VALID_INTERFACES
        spec = importlib.util.find_spec(module)
        assert spec is not None
        assert spec.origin is not None
        source = Path(spec.origin).read_text(encoding="utf-8")
        assert f"{attribute} = " in source or f"import {attribute}" in source
    assert set(drivers._PACKAGE) <= set(can.interfaces.VALID_INTERFACES)


def test_drivers_that_answer_fail_and_hang(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Channels of one that works and prints, the words of one that fails, and a third that never answers: in time."""
    install(
        monkeypatch, tmp_path,
        good=BUS.format(body='print("noise"); return [{"channel": 3}, {"channel": "\\x1b[31mA"}]'),
        failing=BUS.format(body='raise OSError("no firmware \\x07")'),
        zz=BUS.format(body="import time; time.sleep(600)"),
    )
    began_s = time.monotonic()
    found = look_for_adapters(search=True, limit_s=4.5)
    assert time.monotonic() - began_s < 30
    assert Channel("good", "3") in found.channels
    assert Channel("good", "·[31mA") in found.channels
    assert "failing: the search for channels failed: OSError: no firmware ·" in found.troubles
    assert "zz: no answer within 4.5 s; a driver crashed or hangs" in found.troubles
    assert by_name(found)["failing"].usable
    assert by_name(found)["zz"].usable


@pytest.mark.parametrize(
    "source",
    [
        pytest.param("import time; time.sleep(600)", id="hangs"),
        pytest.param("import os; os.abort()", id="crashes"),
    ],
)
def test_a_driver_that_breaks_while_loading_is_named(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, source: str
) -> None:
    """The limit holds, the driver is named, and all that was told before stays."""
    install(monkeypatch, tmp_path, zz=source)
    began_s = time.monotonic()
    found = look_for_adapters(search=False, limit_s=3.0)
    assert time.monotonic() - began_s < 30
    assert found.troubles == ("zz: its driver crashed or hangs; interfaces after it were not looked at",)
    assert by_name(found)["virtual"].usable
    assert not by_name(found)["zz"].usable


def test_lines_may_end_anywhere() -> None:
    """A process that is ended in the middle of a line loses that line alone."""
    whole = [
        '{"trying": "a"}', '{"driver": {"name": "a", "usable": true, "why": null, "remedy": null}}', '{"search": "a"}',
        '{"search": "b"}', '{"found": "a", "channels": ["1"]}', '{"found": "b", "chan',
    ]
    found, channels, troubles = read_facts(whole, 3.0)
    assert (found, channels) == ([Driver("a", True)], [Channel("a", "1")])
    assert troubles == ["b: no answer within 3 s; a driver crashed or hangs"]
    assert read_facts([], 3.0) == ([], [], ["the drivers were not looked at: the process that does it ended at once"])


def test_links_and_ports_come_first(monkeypatch: pytest.MonkeyPatch) -> None:
    """What the system itself lists, with what it knows of the links; the computer's own ports last."""
    monkeypatch.setattr(offers, "can_links", lambda: ["can0"])
    monkeypatch.setattr(offers, "serial_ports", lambda: ["/dev/ttyS0", "/dev/ttyUSB0"])
    monkeypatch.setattr(adapters, "read_link", lambda name: Link(name, True, "can", 250_000, "ERROR-ACTIVE", True))
    assert look_for_adapters(search=False).channels == (
        Channel("socketcan", "can0", Link("can0", True, "can", 250_000, "ERROR-ACTIVE", True)),
        Channel("serial", "/dev/ttyUSB0"),
        Channel("serial", "/dev/ttyS0"),
    )
