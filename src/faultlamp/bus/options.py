"""Which bus, in python-can's own words: `-i/--interface`, `-c/--channel`, `-b/--bitrate`.

What is left out is decided by python-can's configuration file and environment variables, exactly as python-can does
it. Nothing here imports python-can, so that a command's help stays quick.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass

from faultlamp.text import printable

_HIGHEST_BITRATE = 8_000_000


@dataclass(frozen=True, slots=True)
class BusSettings:
    """A bus as asked for. None: left to python-can's configuration. `bitrate` is in bit/s."""

    interface: str | None = None
    channel: str | None = None
    bitrate: int | None = None

    def describe(self) -> str:
        """One phrase for messages, for instance `can0 (socketcan)`."""
        if self.interface is None and self.channel is None:
            return "the bus of python-can's configuration"
        if self.channel is None:
            name = f"the default channel ({printable(self.interface or '')})"
        elif self.interface is None:
            name = printable(self.channel)
        else:
            name = f"{printable(self.channel)} ({printable(self.interface)})"
        return name if self.bitrate is None else f"{name} at {self.bitrate} bit/s"


def bit_rate(text: str) -> int:
    """An argparse type: a bit rate in bit/s."""
    number = int(text) if text.isascii() and text.isdigit() and len(text) < 10 else 0
    if not 0 < number <= _HIGHEST_BITRATE:
        raise argparse.ArgumentTypeError(f"{text!r} is not a bit rate: give bit/s, for example 250000 or 500000")
    return number


def add_bus_options(parser: argparse.ArgumentParser) -> None:
    """The three options; `bus_settings` reads them back."""
    group = parser.add_argument_group(
        "the bus", "python-can's own words; what is left out comes from its configuration file or CAN_INTERFACE, "
        "CAN_CHANNEL, CAN_BITRATE",
    )
    group.add_argument("-i", "--interface", help="kind of adapter, for example socketcan or slcan")
    group.add_argument("-c", "--channel", help="which one, for example can0 or /dev/ttyUSB0")
    group.add_argument("-b", "--bitrate", type=bit_rate, metavar="BIT/S", help="for example 250000 or 500000")


def bus_settings(args: argparse.Namespace) -> BusSettings:
    """What the options asked for."""
    return BusSettings(args.interface, args.channel, args.bitrate)
