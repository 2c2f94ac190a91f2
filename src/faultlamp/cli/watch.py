"""`faultlamp watch`: a bus as it is now, on a dashboard, or as lines where there is no terminal. Sends nothing
unless the user asks for the intake and says yes to what it would send.
"""

from __future__ import annotations

import argparse
import time
from functools import lru_cache
from typing import TYPE_CHECKING

from faultlamp import garbage
from faultlamp.cli.asking_watch import asker_on
from faultlamp.cli.listening import (
    GapLines,
    SilenceHint,
    add_listening_options,
    check_listening,
    exit_code,
    listening,
    shortfalls,
    stop_signals,
)
from faultlamp.cli.options import (
    HistoryOptions,
    add_crosswalk_option,
    add_history_options,
    add_layout_option,
    add_spn_table_option,
    crosswalk_of,
    history_options,
    layouts_of,
    spn_names_of,
)
from faultlamp.cli.output import on_terminal, say
from faultlamp.cli.recording import add_recording_options, check_recording, recorder_of, size_words

if TYPE_CHECKING:
    from faultlamp.bus.pump import LivePump
    from faultlamp.cli.listening import Ear
    from faultlamp.history.history import History
    from faultlamp.knowledge.spn_table import SpnNames

# How long nothing at all is looked at when the bus is quiet, and how long frames are gathered when it is not: each
# look costs about 0.1 ms, whatever it finds.
_LOOK_EVERY_S = 0.05
_GATHER_S = 0.002
_GAPS_LOOKED_AT = 10


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """The command's words."""
    parser = subparsers.add_parser(
        "watch",
        help="live dashboard on a bus; listens only",
        description="Shows which faults are active, which lamps are asked for and what the engine does. Sends nothing, "
        "unless its intake (key i) is told to. "
        "A bus that is lost is opened again. Where the output is not a terminal it prints one line an event.",
    )
    add_listening_options(parser)
    add_history_options(parser)
    parser.add_argument("--record", metavar="FILE", help="write every frame to a new candump log file while watching")
    add_recording_options(parser)
    parser.add_argument("--listen-only", action="store_true", help="never transmit: the key of the intake refuses")
    add_layout_option(parser)
    add_spn_table_option(parser)
    add_crosswalk_option(parser)
    parser.set_defaults(run=run, usage_error=parser.error)


def run(args: argparse.Namespace) -> int:
    """Watch until stopped. Raises BusError, ScenarioError, CaptureError and DataFileError."""
    check_listening(args)
    check_recording(args, args.record, "--record")
    if on_terminal():
        with garbage.held_off():
            return _run(args, dashboard=True)
    return _run(args, dashboard=False)


def _run(args: argparse.Namespace, *, dashboard: bool) -> int:
    from faultlamp.bus.loading import load_python_can
    from faultlamp.bus.pump import LivePump

    load_python_can()
    layouts = layouts_of(args) if dashboard or args.dbc else None
    names, crosswalk = spn_names_of(args), crosswalk_of(args)
    with listening(args) as ear:
        recorder = None if args.record is None else recorder_of(args, args.record)
        pump = LivePump(ear.source, recorder=recorder)
        try:
            pump.start()
            if layouts is not None and dashboard:
                from faultlamp.tui.detail.tables import UserTables
                from faultlamp.tui.preferences.store import usual_folder
                from faultlamp.tui.watching import LiveFeed, run_dashboard

                asker = asker_on(
                    ear, layouts, spn_conversion=dict(args.spn_conversion), listen_only=args.listen_only
                )
                # What the adapter does is asked for anew when it was opened anew.
                mode = lru_cache(maxsize=1)(lambda opened: ear.mode)
                feed = LiveFeed(
                    pump, ear.title, mode=lambda: mode(ear.source.opened),
                    garbled=lambda: ear.source.garbled, bit_rate=ear.bit_rate,
                    reopening=lambda: ear.source.reopening,
                )
                # Not sooner: a rig that plays while modules load takes turns with the loading.
                ear.start_rig()
                return run_dashboard(
                    feed, history_options=history_options(args), layouts=layouts, seconds=args.seconds,
                    folder=usual_folder(), tables=UserTables(names, crosswalk), asker=asker,
                )
            ear.start_rig()
            say(f"listening on {ear.title}; {ear.manner}")
            return _print_events(pump, ear, history_options(args), args.seconds, names)
        finally:
            pump.close()


def _print_events(
    pump: LivePump, ear: Ear, options: HistoryOptions, seconds: float | None, names: SpnNames
) -> int:
    """One line an event on standard output, a summary on standard error at the end."""
    from faultlamp.cli.events import EventLines
    from faultlamp.history.changes import Change, What
    from faultlamp.history.history import History
    from faultlamp.history.key_cycles import GAP_NS
    from faultlamp.history.spans import SILENCE_NS

    words, gaps, hint = EventLines(names.describe), GapLines(pump, ear), SilenceHint(pump)
    silences_ns = {What.FAULT_SILENT: SILENCE_NS, What.KEY_OFF: GAP_NS}

    def show(change: Change) -> None:
        # The silence that made the change counts only where it was listened to.
        until_ns = change.time_ns + silences_ns.get(change.what, 0)
        heard = not any(gap.touches(change.time_ns, until_ns) for gap in pump.gaps()[-_GAPS_LOOKED_AT:])
        line = words.line(change, heard=heard)
        if line is not None:
            print(line, flush=True)

    history = History(**options, on_change=show)

    def feed() -> None:
        # A gap ends before the frames that follow it, and begins after those before it.
        for line in gaps.new(ends_alone=True):
            print(line, flush=True)
        for block in pump.take():
            history.feed_block(block)
        settled_ns = pump.settled_ns()
        if settled_ns is not None:
            history.advance(settled_ns)
        for line in gaps.new():
            print(line, flush=True)

    began_s = time.monotonic()
    complained = False
    with stop_signals() as caught:
        while not caught and pump.error is None:
            passed_s = time.monotonic() - began_s
            if seconds is not None and passed_s >= seconds:
                break
            pump.wait(_LOOK_EVERY_S if seconds is None else min(_LOOK_EVERY_S, seconds - passed_s))
            time.sleep(_GATHER_S)
            feed()
            for line in hint.new(passed_s):
                say(line)
            if not complained and pump.recorder is not None and pump.recorder.error is not None:
                complained = True
                say(f"{pump.recorder.error}; still watching")
        pump.close()
        feed()
    if not complained and pump.recorder is not None and pump.recorder.error is not None:
        say(pump.recorder.error)
    say(_summary(pump, ear, history, time.monotonic() - began_s))
    if pump.error is not None:
        raise pump.error
    return exit_code(caught)


def _summary(pump: LivePump, ear: Ear, history: History, passed_s: float) -> str:
    active = sum(len(controller.active_faults) for controller in history.controllers.values())
    parts = [f"{pump.frames} frames in {passed_s:.1f} s, {active} fault{'' if active == 1 else 's'} active"]
    if pump.recorder is not None:
        size = size_words(pump.recorder.size_bytes)
        parts.append(f"{pump.recorder.frames} frames recorded in {pump.recorder.where}, {size}")
    parts += shortfalls(pump, ear.source)
    if history.room.refused:
        parts.append(f"{history.room.refused} faults or spans found no room")
    return "; ".join(parts)
