"""What python-can offers on this machine: interfaces, what they lack, channels, and how to ask for silence.

The names are python-can's own. A controller in listen-only mode (ISO 11898-1 calls it bus monitoring) sends no
acknowledge bit either; which constructor argument asks for that differs from driver to driver.
"""

from __future__ import annotations

import inspect
import logging
import sys
from collections.abc import Iterable
from contextlib import suppress
from glob import glob
from importlib import import_module
from pathlib import Path
from typing import Any

from faultlamp.text import printable

SERIAL_INTERFACES = frozenset({"robotell", "seeedstudio", "serial", "slcan"})

# From the constructors of python-can 4.6. An interface that is not here but has a parameter `listen_only` gets that.
LISTEN_ONLY_ARGUMENT: dict[str, tuple[str, object]] = {
    "cantact": ("monitor", True),
    "kvaser": ("driver_mode", False),
    "nixnet": ("listen_only", True),
    "pcan": ("state", "PASSIVE"),
    "seeedstudio": ("operation_mode", "silent"),
    "systec": ("state", "PASSIVE"),
}

# Where ours is taken in place of python-can's own: module and class.
_OWN_DRIVERS = {
    "slcan": ("faultlamp.bus.serial_line", "SerialLine"),
    "socketcand": ("faultlamp.bus.daemon_line", "DaemonLine"),
}

# python-can's extras (Provides-Extra of its metadata) that bring an interface's Python package.
_EXTRA = {
    "canalystii": "canalystii", "cantact": "cantact", "gs_usb": "gs-usb", "neovi": "neovi", "nixnet": "nixnet",
    "robotell": "serial", "seeedstudio": "seeedstudio", "serial": "serial", "slcan": "serial",
    "udp_multicast": "multicast",
}

_ARPHRD_CAN = "280"  # linux/if_arp.h
_MOST_NAMED = 8
_NET = Path("/sys/class/net")
# Loggers of python-can's drivers. Nobody configures logging here, so warnings would land on standard error.
_LOGGERS = ("can", "seeedbus")


def hush_drivers() -> None:
    """Keep python-can's log lines off standard error: what matters of them is in our one line."""
    for name in _LOGGERS:
        logger = logging.getLogger(name)
        if not logger.hasHandlers():
            logger.addHandler(logging.NullHandler())


def bus_class(interface: str) -> type[Any]:
    """The class behind a name that python-can knows. Raises whatever its import raises."""
    from can.interfaces import BACKENDS

    module, name = BACKENDS[interface]
    found: type[Any] = getattr(import_module(module), name)
    return found


def driver_name(interface: str) -> str:
    """The interface to ask python-can for: under a name of its own where the driver is ours."""
    own = _OWN_DRIVERS.get(interface)
    if own is None:
        return interface
    from can.interfaces import BACKENDS

    name = f"faultlamp_{interface}"
    BACKENDS[name] = own
    return name


def listen_only_argument(interface: str, cls: type[Any]) -> dict[str, object]:
    """The constructor argument that asks for hardware listen-only mode; empty where python-can has none."""
    if interface in LISTEN_ONLY_ARGUMENT:
        name, value = LISTEN_ONLY_ARGUMENT[interface]
        return {name: value}
    return {"listen_only": True} if "listen_only" in inspect.signature(cls).parameters else {}


def missing_arguments(cls: type[Any], given: Iterable[str]) -> list[str]:
    """Names of the constructor's parameters that have no default and were not given."""
    known = set(given)
    plain = (inspect.Parameter.POSITIONAL_OR_KEYWORD, inspect.Parameter.KEYWORD_ONLY)
    return [
        name for name, parameter in inspect.signature(cls).parameters.items()
        if parameter.kind in plain and parameter.default is inspect.Parameter.empty and name not in known
    ]


def interface_list() -> str:
    """Every interface name, those whose driver module does not load here named last."""
    from can.interfaces import VALID_INTERFACES

    usable: list[str] = []
    others: list[str] = []
    for name in sorted(VALID_INTERFACES):
        try:
            bus_class(name)
        except Exception:  # a driver module may fail in any way; python-can catches the same
            others.append(name)
        else:
            usable.append(name)
    text = ", ".join(usable)
    return f"{text}; no driver here for {', '.join(others)}" if others else text


def install_hint(interface: str) -> str:
    """What to install for an interface that does not load."""
    extra = _EXTRA.get(interface)
    if extra is None:
        return "install the adapter's driver for this system"
    return f"install its Python package: pip install 'python-can[{extra}]'"


def can_links() -> list[str]:
    """Names of the CAN network interfaces that Linux has, up or down."""
    links = []
    for kind in sorted(_NET.glob("*/type")):
        with suppress(OSError):
            if kind.read_text().strip() == _ARPHRD_CAN:
                links.append(kind.parent.name)
    return links


def serial_ports() -> list[str]:
    """Serial ports that an adapter may stand behind."""
    try:
        from serial.tools import list_ports  # type: ignore[import-untyped,unused-ignore]
    except ImportError:
        return [] if sys.platform == "win32" else sorted(glob("/dev/ttyUSB*") + glob("/dev/ttyACM*"))
    return sorted(port.device for port in list_ports.comports())


def channels_of(interface: str) -> list[str]:
    """Channels that are there for an interface, as far as anybody can tell; empty when nobody can."""
    if interface == "socketcan":
        return can_links()
    if interface in SERIAL_INTERFACES:
        return serial_ports()
    import can

    found: list[str] = []
    with suppress(Exception):  # a search in a driver that may be half installed must not hide the real error
        found = [str(config["channel"]) for config in can.detect_available_configs(interface, timeout=2.0)]
    return found


def channel_list(interface: str) -> str:
    """`channels here: a, b`, or what to do when there is none."""
    found = [printable(name, longest=60) for name in channels_of(interface)]
    if found:
        more = f" and {len(found) - _MOST_NAMED} more" if len(found) > _MOST_NAMED else ""
        return f"channels here: {', '.join(found[:_MOST_NAMED])}{more}"
    if interface == "socketcan":
        return "this machine has no CAN interface: plug the adapter in and look with `ip link`"
    if interface in SERIAL_INTERFACES:
        return "this machine shows no USB serial port: plug the adapter in"
    return "python-can finds no channel of this kind: plug the adapter in and check its driver"
