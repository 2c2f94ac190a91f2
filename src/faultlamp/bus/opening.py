"""The only place that opens a python-can bus.

Whatever goes wrong leaves as a BusError of one line: what, where, what to do. python-can is imported when a bus is
opened and not before. A driver that hangs while it opens is left behind after OPENING_S, and not started once more
before it has come to an end.
"""

from __future__ import annotations

import difflib
import errno
import json
import threading
from configparser import Error as ConfigParserError
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NoReturn

from faultlamp.bus import offers
from faultlamp.bus.options import BusSettings
from faultlamp.bus.patience import Hanging, within
from faultlamp.errors import BusError
from faultlamp.text import printable

if TYPE_CHECKING:
    import can

OPENING_S = 15.0
"""How long a driver may take to open. Serial ones wait two seconds for the adapter to start."""

_LONGEST_REASON = 160

# Openings that were given up, with what tells that they have come to an end.
_hanging: dict[BusSettings, threading.Event] = {}


@dataclass(frozen=True, slots=True)
class OpenBus:
    """An open bus. `settings` say what python-can's configuration made of those asked for.

    hardware_listen_only: the adapter was asked to stay silent by itself, without even the acknowledge bit, and has not
        refused as far as its driver tells.
    """

    bus: can.BusABC
    settings: BusSettings
    hardware_listen_only: bool


def open_bus(asked: BusSettings, *, listen_only: bool, insist: bool = False) -> OpenBus:
    """Open the bus. Raises BusError.

    listen_only: ask for hardware listen-only mode where the driver has it. insist: rather do not open than acknowledge;
    where a driver is not known to say whether it worked, asking for it counts.
    """
    offers.hush_drivers()
    import can

    config = _configuration(asked)
    settings = _settings(config)
    interface = str(config["interface"])
    cls = _bus_class(interface, settings)
    if config["channel"] is None:
        del config["channel"]
    elif interface == "socketcan" or interface in offers.SERIAL_INTERFACES:
        # python-can turns digits into a number, which names nothing here.
        config["channel"] = str(config["channel"])
    silence = offers.listen_only_argument(interface, cls) if listen_only else {}
    config.update(silence)
    if insist and not silence:
        raise BusError(f"cannot open {settings.describe()}: {interface} has no listen-only mode here")
    if insist and interface == "slcan":
        config["insist"] = True
    if listen_only and interface == "socketcan":
        config.setdefault("fd", True)  # without it the kernel keeps CAN FD frames from us, and nobody counts them
    _check_arguments(cls, config, settings)
    if "state" in silence:
        config["state"] = can.BusState[str(silence["state"])]
    config["interface"] = offers.driver_name(interface)
    before = _hanging.get(settings)
    if before is not None and not before.is_set():
        raise BusError(_stuck(settings, "the driver still hangs in the attempt before"))
    try:
        bus = within(OPENING_S, lambda: can.Bus(ignore_config=True, **config), late=_shut)
    except Hanging as error:
        _hanging[settings] = error.done
        raise BusError(_stuck(settings, f"the driver hangs, {error}")) from error
    except Exception as error:  # drivers raise anything from OSError to TypeError
        _refuse(error, interface, settings)
    return OpenBus(bus, settings, bool(silence) and getattr(bus, "listens_only", True))


def chosen_bus(asked: BusSettings) -> BusSettings | None:
    """What python-can's configuration makes of a choice, unopened; None when nobody says which interface.

    Raises BusError when the configuration makes no sense.
    """
    try:
        return _settings(_configuration(asked))
    except _NoInterfaceError:
        return None


class _NoInterfaceError(BusError):
    """Neither the options nor python-can's configuration name an interface."""


def trouble(error: BaseException, settings: BusSettings, what: str) -> BusError:
    """The error of a bus that was open: `what` failed (for instance "cannot read") with `error`."""
    reason, advice = _reason(error), _own_advice(error) or "is the adapter still plugged in and powered?"
    if settings.interface == "socketcan" and _errno(error) == errno.ENETDOWN:
        reason = "the interface is down"
        advice = f"bring it up: ip link set {printable(settings.channel or 'can0')} up type can bitrate 250000"
    elif _errno(error) == errno.ENOBUFS:
        reason = "no room to send"
        advice = "is another node on the bus to acknowledge, and is the bit rate right?"
    return BusError(f"{what} {settings.describe()}: {reason}; {advice}")


def _configuration(asked: BusSettings) -> dict[str, Any]:
    """What python-can makes of the options, its configuration files and its environment variables."""
    import can
    import can.util

    given = {
        name: value
        for name, value in (("interface", asked.interface), ("channel", asked.channel), ("bitrate", asked.bitrate))
        if value is not None
    }
    try:
        sources = given, can.rc, can.util.load_environment_config(), can.util.load_file_config()
        interface = next((s[key] for s in sources for key in ("interface", "bustype") if s.get(key)), None)
        if interface is None:
            raise _NoInterfaceError(
                f"no interface chosen{_for_channel(asked)}: say which bus with -i and -c, for example "
                "-i socketcan -c can0; or set CAN_INTERFACE and "
                f"CAN_CHANNEL, or write a section [default] into {_config_files()}"
            )
        if interface not in can.VALID_INTERFACES:
            raise BusError(_unknown(str(interface)))
        return dict(can.util.load_config(config=given))
    except json.JSONDecodeError as error:
        raise BusError(f"environment variable CAN_CONFIG is not JSON ({_reason(error)}): mend or unset it") from error
    except (ConfigParserError, UnicodeDecodeError) as error:
        raise BusError(
            f"python-can's configuration cannot be read ({_reason(error)}): mend the file, one of {_config_files()}"
        ) from error
    except (ValueError, TypeError, AttributeError, OSError, can.CanError) as error:
        raise BusError(f"python-can's configuration makes no sense ({_reason(error)}): mend {_config_files()} or the "
                       "environment variables CAN_...") from error


def _shut(bus: can.BusABC) -> None:
    with suppress(Exception):  # nobody waits for it any more
        bus.shutdown()


def _stuck(settings: BusSettings, reason: str) -> str:
    return f"cannot open {settings.describe()}: {reason}; unplug the adapter, wait a moment, plug it in again"


def _for_channel(asked: BusSettings) -> str:
    return "" if asked.channel is None else f" for {printable(asked.channel)}"


def _config_files() -> str:
    from can.util import CONFIG_FILES

    return ", ".join(CONFIG_FILES)


def _settings(config: dict[str, Any]) -> BusSettings:
    channel, rate = config["channel"], config.get("bitrate")
    return BusSettings(
        str(config["interface"]),
        None if channel is None else str(channel),
        rate if isinstance(rate, int) and not isinstance(rate, bool) else None,
    )


def _unknown(interface: str) -> str:
    import can

    near = difflib.get_close_matches(interface.lower(), sorted(can.VALID_INTERFACES), 1)
    meant = f" (did you mean {near[0]}?)" if near else ""
    return f"unknown interface {printable(interface)!r}{meant}: python-can offers here {offers.interface_list()}"


def _bus_class(interface: str, settings: BusSettings) -> type[Any]:
    try:
        return offers.bus_class(interface)
    except Exception as error:  # a driver module may fail in any way
        raise BusError(
            f"cannot open {settings.describe()}: the interface {interface} does not load here ({_reason(error)}); "
            f"{offers.install_hint(interface)}"
        ) from error


def _check_arguments(cls: type[Any], config: dict[str, Any], settings: BusSettings) -> None:
    missing = offers.missing_arguments(cls, config)
    interface = printable(settings.interface or "")
    if "channel" in missing:
        raise BusError(f"{interface} needs a channel: say which with -c; {offers.channel_list(interface)}")
    if missing:
        raise BusError(
            f"{interface} needs {' and '.join(missing)} too: give them in python-can's configuration, for example "
            f"in one of {_config_files()}"
        )


def _refuse(error: Exception, interface: str, settings: BusSettings) -> NoReturn:
    from can import CanInterfaceNotImplementedError

    number, reason = _errno(error), _reason(error)
    own_advice = _own_advice(error)
    if own_advice is not None:
        advice = own_advice
    elif isinstance(error, NameError):
        # What a driver module is left with when the driver's library is not there.
        reason, advice = "its driver is not installed", offers.install_hint(interface)
    elif isinstance(error, (CanInterfaceNotImplementedError, ImportError)):
        advice = offers.install_hint(interface)
    elif interface == "socketcan" and number in (errno.EAFNOSUPPORT, errno.EPROTONOSUPPORT):
        reason = "this system has no SocketCAN"
        advice = "on Linux load it with `modprobe can_raw`; elsewhere choose the adapter's own interface with -i"
    elif number in (errno.EACCES, errno.EPERM):
        reason, advice = "not permitted", "ask for access to the device"
        if interface in offers.SERIAL_INTERFACES:
            advice = "add yourself to the group that owns the port (often dialout) and log in again"
    elif interface == "socketcand":
        advice = "does the daemon run where python-can's configuration says (host, port), and does it have the channel?"
    elif number == errno.EBUSY:
        advice = "close the program that uses the adapter"
    elif number in (errno.ENODEV, errno.ENOENT, errno.ENXIO):
        reason, advice = "no such device", offers.channel_list(interface)
    else:
        advice = f"check -c and -b; {offers.channel_list(interface)}"
    raise BusError(f"cannot open {settings.describe()}: {reason}; {advice}") from error


def _chain(error: BaseException) -> list[BaseException]:
    """The error and what caused it, outermost first."""
    chain: list[BaseException] = []
    current: BaseException | None = error
    while current is not None and current not in chain:
        chain.append(current)
        current = current.__cause__ or current.__context__
    return chain


def _own_advice(error: BaseException) -> str | None:
    """What our own drivers advise."""
    return next((str(link.advice) for link in _chain(error) if hasattr(link, "advice")), None)


def _errno(error: BaseException) -> int | None:
    """The number of the operating system's error behind it, if there is one."""
    for link in _chain(error):
        if isinstance(link, OSError) and link.errno is not None:
            return link.errno
    return None


def _reason(error: BaseException) -> str:
    """The error's own words as one short line without a full stop."""
    # python-can's socketcand puts the traceback into the error's words.
    words = " ".join(str(error).partition("Traceback (most recent call last)")[0].split()).rstrip(".")
    return printable(words, longest=_LONGEST_REASON) if words else type(error).__name__
