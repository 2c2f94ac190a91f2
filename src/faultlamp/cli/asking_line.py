"""What the commands that ask share: their options, the line, who speaks on it, and words for silence.

Nothing is sent before it was said what, where and to whom. An adapter in listen-only mode and `--listen-only` end the
command before the bus is opened.
"""

from __future__ import annotations

import argparse
import os
import shutil
import signal
import sys
import threading
import time
import uuid
import zlib
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from faultlamp.bus.options import BusSettings, add_bus_options
from faultlamp.cli.bus_or_rig import bus_or_rig, check_bus_or_rig
from faultlamp.cli.options import (
    add_conversion_option,
    add_layout_option,
    add_listen_only_option,
    address,
    check_listen_only,
    positive_seconds,
)
from faultlamp.cli.output import say
from faultlamp.errors import BusError, CaptureError
from faultlamp.knowledge.addresses import address_name
from faultlamp.text import printable

if TYPE_CHECKING:
    from faultlamp.asking.intake import Intake
    from faultlamp.bus.conversing import Talker
    from faultlamp.bus.line import Line
    from faultlamp.bus.recorder import Recorder
    from faultlamp.bus.virtual_rig import VirtualRig
    from faultlamp.j1939.address import Name
    from faultlamp.j1939.participant import Participant

TOOL_ADDRESS = 249
CAUTION = (
    "caution: this transmits. Ask a machine that stands; the controllers of one that moves have other work, and what a "
    "tool sends may disturb them"
)

_ANSWER_S = 1.25
# SAE J1939-81, appendix B (from memory): function 129 is an off-board service tool; 2047 is no maker's code.
_TOOL_FUNCTION = 129
_NO_MAKER = 2047
_BAR_WIDTH = 20
_SHOW_EVERY_S = 0.1
_MOST_NAMED = 12
_NOT_CANDUMP = (".asc", ".blf", ".csv", ".db", ".mf4", ".trc", ".xz")


def add_asking_options(parser: argparse.ArgumentParser) -> None:
    """Whom to ask, on which bus, how patiently, and where to record it."""
    parser.add_argument(
        "--to", type=address, action="append", metavar="ADDRESS",
        help="ask this controller, for example 0 for engine 1; may be repeated (default: whoever is there)",
    )
    parser.add_argument(
        "--address", type=address, default=TOOL_ADDRESS, metavar="ADDRESS",
        help=f"our own source address to claim first (default: {TOOL_ADDRESS}, service tool)",
    )
    parser.add_argument(
        "--timeout", type=positive_seconds, default=_ANSWER_S, metavar="SECONDS",
        help=f"how long to wait for each answer to begin (default: {_ANSWER_S:g})",
    )
    parser.add_argument(
        "-o", "--record", metavar="FILE", help="write every frame, heard or sent, into a new candump log"
    )
    add_listen_only_option(parser)
    parser.add_argument(
        "--rig", metavar="SCENARIO", help="ask a simulated engine instead of a bus: a shipped scenario or a file"
    )
    add_bus_options(parser)
    add_layout_option(parser)
    add_conversion_option(parser)


def check_asking(args: argparse.Namespace, command: str) -> None:
    """End with exit code 2 when the options contradict each other. Raises BusError for --listen-only."""
    check_bus_or_rig(args)
    if args.to is not None and args.address in args.to:
        args.usage_error(f"--to {args.address} is faultlamp's own address: choose another with --address")
    if args.record is not None and (args.record in ("", "-") or args.record.lower().endswith(_NOT_CANDUMP)):
        args.usage_error("--record writes candump text: choose a name that ends in .log, .log.gz or .log.zst")
    check_listen_only(args, command)


@dataclass(frozen=True, slots=True)
class Talk:
    """An open line with our participant on it. title: what the bus is, in words."""

    line: Line
    participant: Participant
    title: str
    rig: VirtualRig | None
    recorder: Recorder | None
    clock: Callable[[], int]

    def begin(self) -> None:
        """Turn the simulated key, if there is one; once everything is said."""
        if self.rig is not None:
            self.rig.start()

    def converse(self, talker: Talker, until: Callable[[], bool], meanwhile: Callable[[], object]) -> None:
        """Let it talk. Raises BusError."""
        from faultlamp.bus.conversing import converse

        try:
            converse(self.line, talker, self.clock, until, meanwhile=meanwhile)
        except BaseException:
            self.hang_up()
            raise

    def hang_up(self) -> None:
        """Abort transfers that are under way, so that no controller waits for us. Never raises BusError."""
        now_ns = self.clock()
        self.participant.hang_up(now_ns)
        with suppress(BusError):
            for can_id, data in self.participant.outgoing(now_ns):
                self.line.send(can_id, data)

    def check_recording(self) -> None:
        """Raises CaptureError when what was heard and sent could not be written."""
        if self.recorder is not None:
            self.recorder.flush()
            if self.recorder.error is not None:
                raise CaptureError(self.recorder.error)


@contextmanager
def talking(args: argparse.Namespace, record: str | None) -> Iterator[Talk]:
    """Open the line that the options ask for. Raises BusError, ScenarioError and CaptureError."""
    from faultlamp.bus.conversing import CHANNEL, SteadyClock
    from faultlamp.bus.line import Line
    from faultlamp.bus.loading import load_python_can
    from faultlamp.bus.recorder import Recorder
    from faultlamp.j1939.participant import Participant

    load_python_can()
    with ExitStack() as stack:
        settings, rig = stack.enter_context(bus_or_rig(args))
        if rig is None:
            refuse_listen_only(settings)
        line = stack.enter_context(Line(settings))
        recorder = None
        if record is not None:
            recorder = Recorder(record)
            stack.callback(recorder.close)
            line.tap = recorder.write
        title = line.settings.describe()
        if rig is not None:
            title = f"the bus of a simulated engine, {rig.scenario.name} (invented data)"
        talk = Talk(
            line, Participant(tool_name(), args.address, channel=CHANNEL), title, rig, recorder, SteadyClock()
        )
        stack.enter_context(_signals_as_ctrl_c())
        yield talk
        talk.hang_up()


@contextmanager
def _signals_as_ctrl_c() -> Iterator[None]:
    """A polite end (SIGTERM) and a closed terminal (SIGHUP) hang up and finish the files, as Ctrl-C does."""
    before: dict[int, Any] = {}
    if threading.current_thread() is threading.main_thread():
        for number in (signal.SIGTERM, getattr(signal, "SIGHUP", signal.SIGTERM)):
            if signal.getsignal(number) is signal.SIG_DFL:
                before[number] = signal.signal(number, _interrupt)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _interrupt(*_: object) -> None:
    raise KeyboardInterrupt


def whom(targets: Sequence[int] | None) -> str:
    """The targets in words."""
    if targets is None:
        return "whoever is there"
    return ", ".join(called(one) for one in dict.fromkeys(targets))


def called(source_address: int) -> str:
    """A controller in words: what usually sits at its address."""
    usual = address_name(source_address)
    return f"address {source_address}" if usual is None else f"{usual} ({source_address})"


def silence(talk: Talk, intake: Intake) -> str | None:
    """Why nobody answered, one line; None when somebody did."""
    from faultlamp.asking.results import Outcome

    if intake.trouble is not None:
        return (
            f"{intake.trouble} ({talk.title}): unplug a tool that is not needed, or choose another address with "
            "--address"
        )
    mute = (Outcome.NO_ANSWER, Outcome.BROKEN_OFF)
    if any(result.outcome not in mute for result in intake.results.values()):
        return None
    if not talk.line.heard:
        return (
            f"nothing at all was heard on {talk.title}: faultlamp may be alone there; key on? connector seated? bit "
            "rate right, often 250000 or 500000? `faultlamp doctor` tells more"
        )
    others = sorted(intake.hearing.heard - set(intake.targets))
    here = ", ".join(called(one) for one in others[:_MOST_NAMED]) or "nobody"
    absent = [one for one in intake.targets if one not in intake.hearing.heard]
    if not intake.targets:
        return f"frames were heard on {talk.title}, but no J1939 controller: is this the right bus?"
    if absent:
        return (
            f"no answer from {whom(absent)}, and nothing heard from there on {talk.title}: choose an address that is "
            f"there with --to; heard: {here}"
        )
    broken = any(result.outcome is Outcome.BROKEN_OFF for result in intake.results.values())
    what = "answers of {} all broke off" if broken else "{} talks, but did not answer"
    return f"{what.format(whom(intake.targets))} on {talk.title}: try again, or with a longer --timeout"


class ProgressBar:
    """One line on a terminal's standard error, drawn over itself; nothing elsewhere."""

    def __init__(self) -> None:
        self._terminal = sys.stderr.isatty()
        self._drawn = False
        self._shown_s = 0.0

    def show(self, intake: Intake | None) -> None:
        """How far it is."""
        now_s = time.monotonic()
        if not self._terminal or intake is None or now_s - self._shown_s < _SHOW_EVERY_S:
            return
        self._shown_s = now_s
        done, of = intake.progress
        if not of:
            text = "looking who is there"
        else:
            full = _BAR_WIDTH * done // of
            text = f"[{'=' * full}{' ' * (_BAR_WIDTH - full)}] {done} of {of}"
            if intake.asking is not None:
                source, question = intake.asking
                text += f"  {called(source)}: {question.key} {question.title}"
        width = max(shutil.get_terminal_size().columns - 1, 1)
        self._drawn = True
        sys.stderr.write("\r" + text[:width].ljust(width))
        sys.stderr.flush()

    def clear(self) -> None:
        """Make room for another line."""
        if self._drawn:
            self._drawn = False
            sys.stderr.write("\r" + " " * max(shutil.get_terminal_size().columns - 1, 1) + "\r")
            sys.stderr.flush()


def announce(talk: Talk, what: str, args: argparse.Namespace, caution: str) -> None:
    """Say what is about to be sent."""
    say(f"transmitting on {talk.title}: a claim of address {args.address}, then {what}")
    say(caution)
    if talk.line.settings.interface == "socketcan" and args.bitrate is not None:
        say("-b does nothing here: a SocketCAN link has the bit rate that `ip link` gave it")


def refuse_listen_only(asked: BusSettings) -> None:
    """Raise BusError when Linux says that the link does not send."""
    from faultlamp.bus import offers
    from faultlamp.bus.opening import chosen_bus
    from faultlamp.doctor.links import read_link

    settings = chosen_bus(asked)
    if settings is None or settings.interface != "socketcan" or settings.channel not in offers.can_links():
        return
    link = read_link(settings.channel)
    if link.listen_only:
        name, rate = printable(link.name), link.bit_rate or 250_000
        raise BusError(
            f"{settings.describe()} is in listen-only mode, so nothing can be asked: sudo ip link set {name} down; "
            f"sudo ip link set {name} up type can bitrate {rate} listen-only off"
        )


def tool_name() -> Name:
    """Our own NAME: another one on each computer and in each process, so that two of us do not fight."""
    from faultlamp.j1939.address import Name

    return Name(
        identity_number=zlib.crc32(f"{uuid.getnode()} {os.getpid()}".encode()) & 0x1FFFFF,
        manufacturer_code=_NO_MAKER, ecu_instance=0, function_instance=0, function=_TOOL_FUNCTION, vehicle_system=0,
        vehicle_system_instance=0, industry_group=0, arbitrary_address_capable=True,
    )
