"""Whether python-can's interfaces can be opened here, as far as that shows without opening one.

Rule, from the sources of python-can 4.6: some driver modules fail when they are imported, most load and fail when a
bus is opened. For those the table says what to look at. An interface that is not in it, for instance of another
package, is usable when it loads.
"""

from __future__ import annotations

import errno
import socket
import sys
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from importlib import import_module
from importlib.util import find_spec
from typing import Any

from faultlamp.bus import offers
from faultlamp.text import printable

_LONGEST_REASON = 100

# Interface: module of another package that its driver needs.
_PACKAGE = {
    "cantact": "cantact", "neovi": "ics", "nixnet": "nixnet", "robotell": "serial", "seeedstudio": "serial",
    "serial": "serial", "slcan": "serial", "udp_multicast": "msgpack",
}
# Interface: where its driver keeps the maker's library; None, False or absent when that did not load.
_LIBRARY = {
    "iscan": ("can.interfaces.iscan", "iscan"),
    "kvaser": ("can.interfaces.kvaser.canlib", "__canlib"),
    "neousys": ("can.interfaces.neousys.neousys", "NEOUSYS_CANLIB"),
    "nican": ("can.interfaces.nican", "nican"),
    "systec": ("can.interfaces.systec.ucan", "_UCAN_INITIALIZED"),
    "vector": ("can.interfaces.vector.canlib", "xldriver"),
}
_WINDOWS_ONLY = frozenset({"etas", "ixxat", "nican", "systec", "usb2can", "vector"})

NO_SEARCH = frozenset({"socketcan", "udp_multicast", "virtual"}) | offers.SERIAL_INTERFACES
"""Interfaces whose channels are not searched for: links and ports are listed anyway, the others make one up."""


@dataclass(frozen=True, slots=True)
class Driver:
    """An interface by name. `usable`: opening it may work; else `why` not, and `remedy`, what to do."""

    name: str
    usable: bool
    why: str | None = None
    remedy: str | None = None


def examine_driver(name: str) -> Driver:
    """Load the driver and look. Never raises."""
    try:
        offers.bus_class(name)
    except Exception as error:  # a driver module may fail in any way
        if not _fits_system(name):
            return _other_system(name)
        return Driver(name, False, _reason(error), offers.install_hint(name))
    package = _PACKAGE.get(name)
    if package is not None and not _is_there(package):
        return Driver(name, False, f"the Python package {package} is missing", offers.install_hint(name))
    if not _fits_system(name):
        return _other_system(name)
    if not _SPECIAL.get(name, lambda: _library_is_there(name))():
        if name == "socketcan":
            why, remedy = "this system has no SocketCAN", "on Linux: sudo modprobe can_raw"
        else:
            why, remedy = "the driver's library is missing", offers.install_hint(name)
        return Driver(name, False, why, remedy)
    return Driver(name, True)


def _fits_system(name: str) -> bool:
    return sys.platform == "win32" or name not in _WINDOWS_ONLY


def _other_system(name: str) -> Driver:
    return Driver(name, False, "for Windows only", None)


def _is_there(package: str) -> bool:
    with suppress(ImportError, ValueError):
        return find_spec(package) is not None
    return False


def _library_is_there(name: str) -> bool:
    if name not in _LIBRARY:
        return True
    module, attribute = _LIBRARY[name]
    found: Any = getattr(import_module(module), attribute, None)
    return found is not None and found is not False


def _pcan_is_there() -> bool:
    try:
        import_module("can.interfaces.pcan.basic").PCANBasic()
    except Exception:  # what its own code raises, and what loading a library can
        return False
    return True


def _socketcan_is_there() -> bool:
    try:
        socket.socket(socket.PF_CAN, socket.SOCK_RAW, socket.CAN_RAW).close()
    except AttributeError:
        return False
    except OSError as error:
        return error.errno not in (errno.EAFNOSUPPORT, errno.EPROTONOSUPPORT)
    return True


_SPECIAL: dict[str, Callable[[], bool]] = {"pcan": _pcan_is_there, "socketcan": _socketcan_is_there}


def _reason(error: Exception) -> str:
    if isinstance(error, ModuleNotFoundError) and error.name:
        return f"the Python package {printable(error.name, longest=40)} is missing"
    words = " ".join(str(error).split())
    return printable(words, longest=_LONGEST_REASON) if words else type(error).__name__
