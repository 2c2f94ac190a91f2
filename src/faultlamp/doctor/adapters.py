"""Interfaces that python-can can open here, and channels that are there.

Drivers are asked in a process of their own, for a limited time (`probe`): what hangs or crashes there is told as
such. CAN links of Linux and serial ports come from `bus.offers`.
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
from collections.abc import Iterable
from dataclasses import dataclass

from faultlamp.bus import offers
from faultlamp.doctor.drivers import Driver
from faultlamp.doctor.links import Link, read_link
from faultlamp.text import printable

LIMIT_S = 8.0
"""How long the drivers may take altogether; one of them listens to the network for 4 s."""

_MOST_CHANNELS = 64
_LONGEST_NAME = 60
_OWN_PORT = re.compile(r"/dev/ttyS[0-9]+")


@dataclass(frozen=True, slots=True)
class Channel:
    """A channel that is there. `link`: what Linux knows of it, for CAN network interfaces."""

    interface: str
    channel: str
    link: Link | None = None


@dataclass(frozen=True, slots=True)
class Adapters:
    """drivers: by name. channels: links, what the drivers found, then serial ports (interface `serial`).

    troubles: searches that failed, one sentence each.
    """

    drivers: tuple[Driver, ...]
    channels: tuple[Channel, ...]
    troubles: tuple[str, ...]


def look_for_adapters(*, search: bool, limit_s: float = LIMIT_S) -> Adapters:
    """Look. search: also ask the drivers for channels, which may take some seconds."""
    drivers, found, troubles = read_facts(_probe(search, limit_s), limit_s)
    channels = [Channel("socketcan", _name(name), read_link(name)) for name in offers.can_links()]
    channels += found
    # A computer's own ports, of which Linux names many that are not there, come last.
    ports = sorted(offers.serial_ports(), key=lambda port: _OWN_PORT.fullmatch(port) is not None)
    channels += [Channel("serial", _name(port)) for port in ports]
    return Adapters(tuple(drivers), tuple(channels[:_MOST_CHANNELS]), tuple(troubles))


def read_facts(lines: Iterable[str], limit_s: float) -> tuple[list[Driver], list[Channel], list[str]]:
    """Drivers, channels and troubles from the lines of `probe`, which may end anywhere."""
    drivers: list[Driver] = []
    channels: list[Channel] = []
    troubles: list[str] = []
    searching: list[str] = []
    trying: str | None = None
    for line in lines:
        try:
            fact = json.loads(line)
        except ValueError:
            continue  # the line that was being written when the process was ended
        if "trying" in fact:
            trying = fact["trying"]
        elif "driver" in fact:
            drivers.append(Driver(**fact["driver"]))
            trying = None
        elif "search" in fact:
            searching.append(fact["search"])
        elif "found" in fact:
            searching.remove(fact["found"])
            channels += [Channel(fact["found"], _name(channel)) for channel in fact["channels"]]
            if "error" in fact:
                troubles.append(f"{fact['found']}: the search for channels failed: {printable(fact['error'])}")
    if trying is not None:
        drivers.append(Driver(trying, False, f"its driver crashed, or did not load within {limit_s:g} s", None))
        troubles.append(f"{trying}: its driver crashed or hangs; interfaces after it were not looked at")
    elif not drivers:
        troubles.append("the drivers were not looked at: the process that does it ended at once")
    troubles += [f"{name}: no answer within {limit_s:g} s; a driver crashed or hangs" for name in searching]
    return drivers, channels, troubles


def _probe(search: bool, limit_s: float) -> list[str]:
    command = [sys.executable, "-m", "faultlamp.doctor.probe", *(["search"] if search else [])]
    with subprocess.Popen(
        command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, encoding="utf-8"
    ) as process:
        try:
            out, _ = process.communicate(timeout=limit_s)
        except subprocess.TimeoutExpired:
            process.kill()
            out, _ = process.communicate()
        except BaseException:
            process.kill()
            raise
    return out.splitlines()


def _name(raw: str) -> str:
    return printable(raw, longest=_LONGEST_NAME)
