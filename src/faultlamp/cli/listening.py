"""What the commands that listen to a bus share: opening it, stopping, and words for what was not heard."""

from __future__ import annotations

import argparse
import signal
import threading
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

from faultlamp.bus.options import add_bus_options
from faultlamp.cli.bus_or_rig import bus_or_rig, check_bus_or_rig
from faultlamp.cli.events import moment
from faultlamp.cli.options import positive_seconds
from faultlamp.cli.output import duration

if TYPE_CHECKING:
    from faultlamp.bus.gaps import Gap
    from faultlamp.bus.pump import LivePump
    from faultlamp.bus.reconnect import Reconnecting
    from faultlamp.bus.virtual_rig import VirtualRig

_EXIT_SIGNAL = 128
_HINT_AFTER_S = 3.0
_HINT = (
    "nothing heard yet (common practice, in this order): key on? connector seated? bit rate right, often 250000 or "
    "500000? with power off about 60 ohm between CAN-H and CAN-L?"
)

# Nothing on these is acknowledged by anybody: they have no bits.
_WITHOUT_BITS = frozenset({"udp_multicast", "virtual"})


def add_listening_options(parser: argparse.ArgumentParser) -> None:
    """--rig, the bus, --for."""
    parser.add_argument(
        "--rig", metavar="SCENARIO", help="listen to a simulated engine instead of a bus: a shipped scenario or a file"
    )
    add_bus_options(parser)
    parser.add_argument("--for", dest="seconds", type=positive_seconds, metavar="SECONDS", help="end after that time")


def check_listening(args: argparse.Namespace) -> None:
    """End with exit code 2 when the options contradict each other."""
    check_bus_or_rig(args)


@dataclass(frozen=True, slots=True)
class Ear:
    """A bus that is listened to. title: what it is, in words."""

    source: Reconnecting
    title: str
    bitrate: int | None
    rig: VirtualRig | None

    def start_rig(self) -> None:
        """Turn the simulated key, if there is one; once somebody listens."""
        if self.rig is not None:
            self.rig.start()

    @property
    def channel(self) -> str:
        """The channel as event lines name it."""
        from faultlamp.bus.reader import channel_text

        settings = self.source.settings
        return channel_text(settings.channel or settings.interface or "")

    @property
    def acknowledges(self) -> bool | None:
        """Whether the adapter acknowledges what others send; None where nobody can tell, or there are no bits."""
        settings = self.source.settings
        if self.source.hardware_listen_only:
            return False
        if settings.interface == "socketcan" and settings.channel:
            from faultlamp.doctor.links import read_link

            # The link's own setting decides. A virtual one has none.
            listens_only = read_link(settings.channel).listen_only
            return None if listens_only is None else not listens_only
        return None if settings.interface in _WITHOUT_BITS or settings.interface == "socketcan" else True

    @property
    def bit_rate(self) -> int | None:
        """Of the bus, in bit/s; None where nobody can tell, or there are no bits."""
        settings = self.source.settings
        if self.rig is not None:
            return self.rig.scenario.bit_rate
        if settings.interface == "socketcan":
            from faultlamp.doctor.links import read_link

            return read_link(settings.channel).bit_rate if settings.channel else None
        return None if settings.interface in _WITHOUT_BITS else settings.bitrate

    @property
    def mode(self) -> tuple[str, str]:
        """What reaches the bus from here, and the same in fewer words."""
        acknowledges = self.acknowledges
        if acknowledges is None:
            return "listening only, nothing is sent", "sends nothing"
        if acknowledges:
            return "sends no frame; the adapter acknowledges others' frames", "only acknowledges"
        return "listening only, nothing is sent, nothing acknowledged", "only listens"

    @property
    def manner(self) -> str:
        """The same for the first line, with what of the options had no effect."""
        acknowledges, interface = self.acknowledges, self.source.settings.interface
        manner = "sends nothing"
        if acknowledges is False:
            manner += ", not even the acknowledge bit (adapter in listen-only mode)"
        elif acknowledges:
            why = "its link is not listen-only" if interface == "socketcan" else "no listen-only mode could be had"
            manner += f" but the acknowledge bit ({why})"
        if interface == "socketcan" and self.bitrate is not None:
            manner += "; -b does nothing here: a SocketCAN link has the bit rate that `ip link` gave it"
        return manner


@contextmanager
def listening(args: argparse.Namespace) -> Iterator[Ear]:
    """Open what the options ask for. Raises BusError and ScenarioError."""
    from faultlamp.bus.listener import Listener
    from faultlamp.bus.loading import load_python_can
    from faultlamp.bus.reconnect import Reconnecting

    load_python_can()
    with ExitStack() as stack:
        settings, rig = stack.enter_context(bus_or_rig(args))
        source = stack.enter_context(Reconnecting(lambda: Listener(settings)))
        title = source.settings.describe()
        if rig is not None:
            title = f"simulated engine, {rig.scenario.name} (invented data)"
        yield Ear(source, title, args.bitrate, rig)


@contextmanager
def stop_signals() -> Iterator[list[int]]:
    """The stop signals that have come; the second one interrupts, should the output be stuck."""
    caught: list[int] = []
    if threading.current_thread() is not threading.main_thread():
        yield caught
        return

    def note(number: int, _: object) -> None:
        if caught:
            raise KeyboardInterrupt
        caught.append(number)

    numbers = [getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)]
    before = {number: signal.signal(number, note) for number in numbers}
    try:
        yield caught
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def exit_code(caught: list[int]) -> int:
    """0, or after a stop signal as shells count: 130 for Ctrl-C, 143 for SIGTERM, 129 for a terminal that went away."""
    return _EXIT_SIGNAL + caught[0] if caught else 0


class SilenceHint:
    """What to check when nothing has been heard for a while; told once."""

    def __init__(self, pump: LivePump) -> None:
        self._pump = pump
        self._told = False

    def new(self, passed_s: float) -> Iterator[str]:
        """The hint, when it is due after `passed_s` seconds of listening."""
        if not self._told and not self._pump.frames and passed_s >= _HINT_AFTER_S:
            self._told = True
            yield _HINT


class GapLines:
    """Lines for gaps as they begin and end.

    2026-11-25T07:21:50.123Z can0 bus lost: cannot read from can0 (socketcan): the interface is down; ...; trying again
    2026-11-25T07:21:53.323Z can0 bus back after 3.2 s

    An adapter that was opened anew in another manner, acknowledging for instance, has that said with the end.
    """

    def __init__(self, pump: LivePump, ear: Ear) -> None:
        self._pump = pump
        self._ear = ear
        self._manner = ear.manner
        self._begun = 0
        self._ended = 0

    def new(self, *, ends_alone: bool = False) -> Iterator[str]:
        """What has not been told yet. ends_alone: only that a gap is over whose beginning has been told."""
        for gap in self._pump.gaps():
            if gap.number > self._begun:
                if ends_alone:
                    return
                self._begun = gap.number
                trying = "; trying again" if gap.end_ns is None else ""
                yield self._line(gap.start_ns, f"bus lost: {gap.reason}{trying}")
            if gap.number > self._ended and gap.end_ns is not None:
                self._ended = gap.number
                yield self._line(gap.end_ns, f"bus back after {gap_length(gap, gap.end_ns)}{self._other_manner()}")

    def _other_manner(self) -> str:
        before, self._manner = self._manner, self._ear.manner
        return "" if self._manner == before else f"; now it {self._manner}"

    def _line(self, time_ns: int, words: str) -> str:
        return f"{moment(time_ns)} {self._ear.channel} {words}"


def gap_length(gap: Gap, now_ns: int) -> str:
    """How long a gap was, or has lasted."""
    return duration(((now_ns if gap.end_ns is None else gap.end_ns) - gap.start_ns) / 1e9)


def shortfalls(pump: LivePump, source: Reconnecting) -> list[str]:
    """What was not heard, or not as it should be, for the summary."""
    parts = []
    if pump.gap_count:
        lasting = "" if pump.trouble is None else ", the last one to the end"
        parts.append(f"{pump.gap_count} gap{'' if pump.gap_count == 1 else 's'} in which the bus was lost{lasting}")
    if pump.lost:
        parts.append(f"{pump.lost} frames lost: this computer could not keep up")
    if source.garbled:
        parts.append(f"{source.garbled} things from the adapter were no frames")
    if pump.error_frames:
        parts.append(f"{pump.error_frames} error frames")
    return parts
