"""`faultlamp prove`: written expectations against a live bus or recordings. Sends nothing."""

from __future__ import annotations

import argparse
import csv
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

from faultlamp.bus.options import BusSettings, bus_settings
from faultlamp.cli.captures import CAPTURE_HELP, open_captures
from faultlamp.cli.listening import (
    SilenceHint,
    add_listening_options,
    check_listening,
    exit_code,
    listening,
    stop_signals,
)
from faultlamp.cli.options import add_history_options, add_layout_option, history_options, layouts_of
from faultlamp.cli.output import add_format_option, chosen_format, print_json, say
from faultlamp.cli.recording import add_recording_options, check_recording, recorder_of, size_words
from faultlamp.errors import BusError, FaultlampError

if TYPE_CHECKING:
    from faultlamp.bus.pump import LivePump
    from faultlamp.cli.listening import Ear
    from faultlamp.prove.heard import Heard
    from faultlamp.prove.outcome import Outcome

EXIT_NOT_HELD = 3

_LOOK_EVERY_S = 0.05
# A bus without a frame for that long has fallen silent; the house's key is off then, too.
_SILENT_NS = 2_000_000_000
# How much longer than asked a live bus is listened to when its time stamps do not move on.
_PATIENCE_S = 5.0
_XML_HEAD = b"<?xml"
_XML_ROOT = b"<testsuites"
_HEAD_BYTES = 200


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """The command's words."""
    parser = subparsers.add_parser(
        "prove",
        help="check a bus or recordings against written expectations; listens only",
        description="Checks a live bus, a simulated engine (--rig) or recordings against a file of expectations. "
        "Each one held, failed, or was not shown, because nothing was heard that could tell. Exit code 0 when all "
        "held, 3 when not. Sends nothing.",
    )
    parser.add_argument("expectations", metavar="EXPECTATIONS", help="what is expected, a TOML file (docs/prove.md)")
    parser.add_argument(
        "captures", nargs="*", metavar="CAPTURE", help=f"{CAPTURE_HELP}; without one the bus is listened to"
    )
    add_format_option(parser, ("table", "json", "csv"), piped="table")
    parser.add_argument("--junit", metavar="FILE", help="also write JUnit XML; takes the place of an earlier one")
    add_listening_options(parser)
    parser.add_argument("--record", metavar="FILE", help="write every frame to a new candump log file while listening")
    add_recording_options(parser)
    parser.add_argument("--strict", action="store_true", help="stop at the first line that is not a frame")
    add_history_options(parser)
    add_layout_option(parser)
    parser.set_defaults(run=run, usage_error=parser.error)


def run(args: argparse.Namespace) -> int:
    """Judge, print, and say by the exit code whether all held. Raises FaultlampError."""
    _check(args)

    from faultlamp.prove.heard import Heard
    from faultlamp.prove.judging import verdicts
    from faultlamp.prove.loading import load_expectations
    from faultlamp.prove.outcome import Outcome

    layouts = layouts_of(args)
    expectations = load_expectations(args.expectations, layouts)
    seconds = args.seconds if args.seconds is not None else expectations.listen_s
    if not args.captures and seconds is None:
        args.usage_error("how long is the bus to be listened to? give --for SECONDS, or for_s in the file; "
                         "or name a recording")
    if args.junit is not None:
        _make_way(Path(args.junit))
    heard = Heard(layouts, expectations, **history_options(args))
    subject, code = ", ".join(args.captures), 0
    if args.captures:
        with open_captures(args) as capture:
            for block in capture.blocks():
                heard.feed_block(block)
        heard.bad_lines = capture.stats.bad_lines
    elif seconds is not None:
        subject, code = _listen(args, heard, seconds)
    heard.close()
    outcome = Outcome(subject, expectations, heard, verdicts(heard, expectations))
    _print(outcome, chosen_format(args))
    if code:
        unwritten = "" if args.junit is None else f"; {args.junit} was not written"
        say(f"stopped before the time was over: this is about what was heard until then{unwritten}")
        return code
    if args.junit is not None:
        _write_xml(Path(args.junit), outcome)
    return 0 if outcome.all_held else EXIT_NOT_HELD


def _check(args: argparse.Namespace) -> None:
    """End with exit code 2 when the options contradict each other."""
    check_listening(args)
    if args.captures:
        if args.rig is not None or bus_settings(args) != BusSettings():
            args.usage_error("a recording and a bus: name a CAPTURE, or give --rig or -i, -c, -b; one of the two")
        for given, name in ((args.seconds, "--for"), (args.record, "--record")):
            if given is not None:
                args.usage_error(f"{name} is about a live bus: leave it out, or leave the recording out")
    elif args.strict:
        args.usage_error("--strict is about recordings: name one, or leave it out")
    check_recording(args, args.record, "--record")
    if args.junit in ("", "-"):
        args.usage_error("--junit needs a file name")
    if args.junit is not None and args.junit in (args.record, args.expectations, *args.captures):
        args.usage_error(f"--junit {args.junit}: that file is in use here already; choose another name")


def _listen(args: argparse.Namespace, heard: Heard, seconds: float) -> tuple[str, int]:
    """Listen to a bus; returns what it was, and the exit code of a signal that ended it. Raises BusError."""
    from faultlamp.bus.pump import LivePump

    with listening(args) as ear, stop_signals() as caught:
        recorder = None if args.record is None else recorder_of(args, args.record)
        pump = LivePump(ear.source, recorder=recorder)
        try:
            pump.start()
            ear.start_rig()
            say(f"listening to {ear.title} for {seconds:g} s; {ear.manner}")
            _follow(pump, heard, seconds, caught)
            code = exit_code(caught)
        finally:
            pump.close()
        for block in pump.take():
            heard.feed_block(block)
        if pump.recorder is not None:
            where, size = pump.recorder.where, size_words(pump.recorder.size_bytes)
            say(pump.recorder.error or f"{pump.recorder.frames} frames recorded in {where}, {size}")
        _check_whole(pump, ear)
        heard.bad_lines = ear.source.garbled
        settled_ns = pump.settled_ns()
        if settled_ns is not None and heard.frames and settled_ns - heard.stamp(heard.end_ns) >= _SILENT_NS:
            say(f"warning: nothing was heard for the last {(settled_ns - heard.stamp(heard.end_ns)) / 1e9:.1f} s")
            heard.advance(settled_ns)
    if pump.recorder is not None and pump.recorder.error is not None:
        raise FaultlampError("the recording is not complete, see above: free some space or choose another place")
    return ear.title, code


def _follow(pump: LivePump, heard: Heard, seconds: float, caught: list[int]) -> None:
    """Feed what comes, until that much was heard counted from the first frame, or it is known to be all."""
    length_ns = round(seconds * 1e9)
    hint, began_s, first_s = SilenceHint(pump), time.monotonic(), None
    while not caught and pump.error is None and not pump.gap_count:
        pump.wait(_LOOK_EVERY_S)
        for block in pump.take():
            heard.feed_block(block)
        passed_s = time.monotonic() - began_s
        for line in hint.new(passed_s):
            say(line)
        if not heard.frames:
            if passed_s >= seconds:
                return
            continue
        if first_s is None:
            first_s = passed_s
        # The frame that shows that the time is over is waited for, so that a window up to then is complete.
        over_ns = heard.end_ns - heard.start_ns - length_ns
        quiet_ns = (pump.settled_ns() or 0) - heard.stamp(heard.end_ns)
        if over_ns >= 0 or (quiet_ns >= _SILENT_NS and over_ns + quiet_ns >= 0):
            return
        if passed_s - first_s >= seconds + _PATIENCE_S:
            return


def _check_whole(pump: LivePump, ear: Ear) -> None:
    """What was not heard can prove nothing. Raises BusError."""
    if pump.error is not None:
        raise pump.error
    if pump.gap_count:
        reason = pump.gaps()[-1].reason
        raise BusError(f"nothing is proved, because the bus was lost meanwhile: {reason}; start again")
    if pump.lost:
        raise BusError(
            f"nothing is proved, because {pump.lost} frames were lost: this computer could not keep up; close other "
            "programs, or record first and prove the recording"
        )


def _print(outcome: Outcome, form: str) -> None:
    if form == "json":
        from faultlamp.prove.outcome import outcome_document

        print_json(outcome_document(outcome))
    elif form == "csv":
        from faultlamp.prove.outcome import COLUMNS, outcome_rows

        writer = csv.writer(sys.stdout, lineterminator="\n")
        writer.writerow(COLUMNS)
        writer.writerows(outcome_rows(outcome))
    else:
        from faultlamp.cli.prove_table import print_table

        print_table(outcome)


def _make_way(path: Path) -> None:
    """Take away an earlier report, so that it is never taken for this run's; nothing else. Raises FaultlampError."""
    try:
        if path.exists():
            with path.open("rb") as file:
                head = file.read(_HEAD_BYTES)
            if not (head.startswith(_XML_HEAD) and _XML_ROOT in head):
                raise FaultlampError(f"{path} exists and is no JUnit XML: choose another name or remove it")
            path.unlink()
        elif not path.parent.is_dir():
            raise FaultlampError(f"{path} cannot be written: there is no folder {path.parent}")
    except OSError as error:
        raise FaultlampError(f"{path} cannot be written: {error.strerror}; choose another place") from error


def _write_xml(path: Path, outcome: Outcome) -> None:
    from faultlamp.prove.outcome import outcome_xml

    try:
        with path.open("xb") as file:
            file.write(outcome_xml(outcome))
    except OSError as error:
        raise FaultlampError(f"{path} cannot be written: {error.strerror}; choose another place") from error
