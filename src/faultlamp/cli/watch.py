"""`faultlamp watch`: a bus as it is now, on a dashboard, or as lines where there is no terminal. Sends nothing."""

from __future__ import annotations

import argparse
import signal
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from faultlamp.bus.options import BusSettings, add_bus_options, bus_settings
from faultlamp.cli.options import (
    HistoryOptions,
    add_history_options,
    add_layout_option,
    history_options,
    layouts_of,
    positive_seconds,
)
from faultlamp.cli.output import on_terminal, say
from faultlamp.text import printable

if TYPE_CHECKING:
    from faultlamp.bus.listener import Listener
    from faultlamp.bus.pump import LivePump
    from faultlamp.history.history import History

# As shells count: 130 for Ctrl-C, 143 for SIGTERM.
EXIT_SIGNAL = 128

# How long nothing at all is looked at when the bus is quiet, and how long frames are gathered when it is not: each
# look costs about 0.1 ms, whatever it finds.
_LOOK_EVERY_S = 0.05
_GATHER_S = 0.002
_HINT_AFTER_S = 3.0
# What these names would promise is not the plain candump text that gets written.
_NOT_CANDUMP = (".asc", ".blf", ".csv", ".db", ".gz", ".mf4", ".trc", ".xz", ".zst")
_HINT = (
    "nothing heard yet (common practice, in this order): key on? connector seated? bit rate right, often 250000 or "
    "500000? with power off about 60 ohm between CAN-H and CAN-L?"
)


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """The command's words."""
    parser = subparsers.add_parser(
        "watch",
        help="live dashboard on a bus; listens only",
        description="Shows which faults are active, which lamps are asked for and what the engine does. Sends nothing. "
        "Where the output is not a terminal it prints one line an event.",
    )
    parser.add_argument(
        "--rig", metavar="SCENARIO", help="watch a simulated engine instead of a bus: a shipped scenario or a file"
    )
    add_bus_options(parser)
    add_history_options(parser)
    parser.add_argument("--for", dest="seconds", type=positive_seconds, metavar="SECONDS", help="end after that time")
    parser.add_argument("--record", metavar="FILE", help="write every frame to a new candump log file while watching")
    add_layout_option(parser)
    parser.set_defaults(run=run, usage_error=parser.error)


def run(args: argparse.Namespace) -> int:
    """Watch until stopped. Raises BusError, ScenarioError, CaptureError and DataFileError."""
    settings = bus_settings(args)
    if args.rig is not None and settings != BusSettings():
        args.usage_error("--rig brings its own bus: leave out -i, -c and -b")
    if args.record is not None and Path(args.record).suffix.lower() in _NOT_CANDUMP:
        args.usage_error("--record writes candump text: choose a name that ends in .log")

    from faultlamp.bus.listener import Listener
    from faultlamp.bus.loading import load_python_can
    from faultlamp.bus.pump import LivePump
    from faultlamp.bus.recorder import Recorder

    load_python_can()
    dashboard = on_terminal()
    layouts = layouts_of(args) if dashboard or args.dbc else None
    with ExitStack() as stack:
        rig = None
        if args.rig is not None:
            from faultlamp.bus.virtual_rig import VirtualRig

            rig = stack.enter_context(VirtualRig(args.rig))
            settings = rig.settings
        listener = stack.enter_context(Listener(settings))
        recorder = None if args.record is None else Recorder(args.record)
        pump = LivePump(listener, recorder=recorder)
        stack.callback(pump.close)
        pump.start()
        title = listener.settings.describe()
        if rig is not None:
            rig.start()
            title = f"simulated engine, {rig.scenario.name} (invented data)"
        if layouts is not None and dashboard:
            from faultlamp.tui.watching import run_dashboard

            return run_dashboard(
                pump, history_options=history_options(args), layouts=layouts, title=title, seconds=args.seconds
            )
        say(f"listening on {title}; sends nothing{_manner(listener, args.bitrate)}")
        return _print_events(pump, listener, history_options(args), args.seconds)


def _manner(listener: Listener, bitrate: int | None) -> str:
    manner = ", not even the acknowledge bit (adapter in listen-only mode)" if listener.hardware_listen_only else ""
    if listener.settings.interface == "socketcan" and bitrate is not None:
        manner += "; -b does nothing here: a SocketCAN link has the bit rate that `ip link` gave it"
    return manner


def _print_events(pump: LivePump, listener: Listener, options: HistoryOptions, seconds: float | None) -> int:
    """One line an event on standard output, a summary on standard error at the end."""
    from faultlamp.cli.events import EventLines
    from faultlamp.history.changes import Change
    from faultlamp.history.history import History

    words = EventLines()

    def show(change: Change) -> None:
        line = words.line(change)
        if line is not None:
            print(line, flush=True)

    history = History(**options, on_change=show)

    def feed() -> None:
        for block in pump.take():
            history.feed_block(block)
        settled_ns = pump.settled_ns()
        if settled_ns is not None:
            history.advance(settled_ns)

    began_s = time.monotonic()
    hinted = complained = False
    with _stop_signals() as caught:
        while not caught and pump.error is None:
            passed_s = time.monotonic() - began_s
            if seconds is not None and passed_s >= seconds:
                break
            pump.wait(_LOOK_EVERY_S if seconds is None else min(_LOOK_EVERY_S, seconds - passed_s))
            time.sleep(_GATHER_S)
            feed()
            if not hinted and not pump.frames and passed_s >= _HINT_AFTER_S:
                hinted = True
                say(_HINT)
            if not complained and pump.recorder is not None and pump.recorder.error is not None:
                complained = True
                say(f"{pump.recorder.error}; still watching")
        pump.close()
        feed()
    if not complained and pump.recorder is not None and pump.recorder.error is not None:
        say(pump.recorder.error)
    say(_summary(pump, listener, history, time.monotonic() - began_s))
    if pump.error is not None:
        raise pump.error
    return EXIT_SIGNAL + caught[0] if caught else 0


def _summary(pump: LivePump, listener: Listener, history: History, passed_s: float) -> str:
    active = sum(len(controller.active_faults) for controller in history.controllers.values())
    parts = [f"{pump.frames} frames in {passed_s:.1f} s, {active} fault{'' if active == 1 else 's'} active"]
    if pump.recorder is not None:
        parts.append(f"{pump.recorder.frames} frames recorded in {printable(pump.recorder.path)}")
    if pump.lost:
        parts.append(f"{pump.lost} frames lost: this computer could not keep up")
    if listener.garbled:
        parts.append(f"{listener.garbled} things from the adapter were no frames")
    if history.room.refused:
        parts.append(f"{history.room.refused} faults or spans found no room")
    return "; ".join(parts)


@contextmanager
def _stop_signals() -> Iterator[list[int]]:
    """The stop signals that have come; the second one interrupts, should the output be stuck."""
    caught: list[int] = []
    if threading.current_thread() is not threading.main_thread():
        yield caught
        return

    def note(number: int, _: object) -> None:
        if caught:
            raise KeyboardInterrupt
        caught.append(number)

    before = {number: signal.signal(number, note) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield caught
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
