"""`faultlamp rig`: a simulated engine from a scenario, onto a bus or into a recording."""

from __future__ import annotations

import argparse
import gzip
import sys
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from faultlamp.bus.options import add_bus_options, bus_settings
from faultlamp.cli.options import add_listen_only_option, check_listen_only
from faultlamp.cli.output import say
from faultlamp.errors import CaptureError
from faultlamp.text import printable

if TYPE_CHECKING:
    from faultlamp.frames import Frame
    from faultlamp.rig.scenario import Scenario


class ByteSink(Protocol):
    """Where the lines go: a file, standard output, a compressing file."""

    def write(self, data: bytes, /) -> object: ...


CAUTION = (
    "caution: these frames look like a real engine's. Never transmit on the bus of a machine that moves or runs; "
    "its controllers would believe them."
)

_SLOWEST, _FASTEST = 0.01, 1000.0
_LATEST_START_S = 1e10
_CHANNEL = "can0"
# What these names would promise is another format than the candump text that gets written.
_OTHER_FORMATS = (".asc", ".blf", ".trc", ".csv", ".db", ".mf4", ".xz", ".zst")


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """The command's words."""
    parser = subparsers.add_parser(
        "rig",
        help="a simulated engine on a bus or in a recording; transmits",
        description="Play a scenario: a simulated engine with its neighbours, onto a bus in real time, where it "
        "answers requests, too; or with -o into a candump log at once. Without -o it transmits.",
        epilog=CAUTION,
    )
    parser.add_argument("scenario", nargs="?", metavar="SCENARIO", help="a scenario file, or a name that --list shows")
    parser.add_argument("--list", action="store_true", help="show the shipped scenarios and stop")
    parser.add_argument(
        "-o", "--output", metavar="FILE", help="write a candump log (.gz compresses; - is standard output)"
    )
    parser.add_argument("--force", action="store_true", help="with -o: overwrite the file")
    parser.add_argument(
        "--start", type=_epoch, metavar="EPOCH", help="with -o: when it begins, in seconds since 1970 (default: now)"
    )
    parser.add_argument("--speed", type=_speed, default=1.0, metavar="X", help="on a bus: X times as fast (default: 1)")
    parser.add_argument("--loop", action="store_true", help="on a bus: start over at the end, until Ctrl-C")
    add_listen_only_option(parser)
    add_bus_options(parser)
    parser.set_defaults(run=run, usage_error=parser.error)


def run(args: argparse.Namespace) -> int:
    """Play or write the scenario; returns 0."""
    from faultlamp.bus.loading import load_python_can
    from faultlamp.rig.loading import describe, load_scenario
    from faultlamp.rig.shipped import find_scenario, scenario_names

    if args.list:
        for name in scenario_names():
            print(f"{name:12} {describe(find_scenario(name))[1]}")
        return 0
    _check_usage(args)
    if args.output is None:
        check_listen_only(args, "rig without -o")
    load_python_can()
    scenario = load_scenario(find_scenario(args.scenario))
    if args.output is None:
        _play(args, scenario)
    else:
        _write(args, scenario)
    return 0


def _check_usage(args: argparse.Namespace) -> None:
    """End with exit code 2 when the options contradict each other."""
    if args.scenario is None:
        args.usage_error("which scenario? Name one, or see --list")
    if args.output is None:
        if args.start is not None or args.force:
            args.usage_error("--start and --force belong to -o; on a bus the frames go out now")
        return
    if args.loop or args.speed != 1.0:
        args.usage_error("--loop and --speed are for a bus; with -o the scenario is written once, at its own times")
    suffix = Path(args.output).suffix.lower()
    if suffix in _OTHER_FORMATS:
        args.usage_error(f"-o writes candump text: choose a name that ends in .log or .log.gz, not {printable(suffix)}")


def _play(args: argparse.Namespace, scenario: Scenario) -> None:
    from faultlamp.bus.simulator import SimulatorBus
    from faultlamp.rig.live import LiveRig
    from faultlamp.rig.player import play

    with SimulatorBus(bus_settings(args)) as bus:
        say(
            f"transmitting the simulated '{scenario.name}' on {bus.settings.describe()} and answering requests there; "
            "Ctrl-C ends it"
        )
        say(CAUTION)
        rig = LiveRig(scenario, speed=args.speed, loop=args.loop)
        sent = play(rig, bus)
    say(f"sent {sent} frames" + (f"; {rig.unanswered} questions found no room" if rig.unanswered else ""))


def _write(args: argparse.Namespace, scenario: Scenario) -> None:
    from faultlamp.bus.reader import channel_text
    from faultlamp.rig.generator import generate

    start_s = time.time() if args.start is None else args.start
    frames = generate(scenario, round(start_s * 1e6) * 1000, channel_text(args.channel or _CHANNEL))
    with _output(args.output, overwrite=args.force) as file:
        count = write_candump(frames, file)
    say(f"wrote {count} frames, {scenario.duration_ns / 1e9:g} s")


def write_candump(frames: Iterable[Frame], file: ByteSink) -> int:
    """Write the frames as `candump -L` lines; returns how many."""
    from faultlamp.capture.writing import format_candump_line

    count = 0
    for frame in frames:
        file.write(format_candump_line(frame).encode() + b"\n")
        count += 1
    return count


@contextmanager
def _output(name: str, *, overwrite: bool) -> Iterator[ByteSink]:
    if name == "-":
        yield sys.stdout.buffer
        return
    try:
        raw = open(name, "wb" if overwrite else "xb")  # noqa: SIM115 - closed below
    except FileExistsError as error:
        raise CaptureError(
            f"{printable(name)} exists; choose another name, or overwrite it with --force"
        ) from error
    with raw:
        if not name.lower().endswith(".gz"):
            yield raw
            return
        # Neither name nor time inside: the same scenario gives the same file.
        with gzip.GzipFile(filename="", mode="wb", fileobj=raw, mtime=0) as packed:
            yield packed


def _speed(text: str) -> float:
    """An argparse type: a factor within reason."""
    factor = _float(text)
    if factor is None or not _SLOWEST <= factor <= _FASTEST:
        raise argparse.ArgumentTypeError(f"{text!r} is not a speed: give {_SLOWEST:g} to {_FASTEST:g}")
    return factor


def _epoch(text: str) -> float:
    """An argparse type: seconds since 1970."""
    seconds = _float(text)
    if seconds is None or not 0 <= seconds < _LATEST_START_S:
        raise argparse.ArgumentTypeError(f"{text!r} is not a time: give seconds since 1970, for example 1764000000")
    return seconds


def _float(text: str) -> float | None:
    try:
        return float(text)
    except ValueError:
        return None
