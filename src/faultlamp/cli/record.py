"""`faultlamp record`: every frame of a bus into a file, without a dashboard. Sends nothing."""

from __future__ import annotations

import argparse
import shutil
import sys
import time
from typing import TYPE_CHECKING

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
from faultlamp.cli.output import say
from faultlamp.cli.recording import add_recording_options, check_recording, recorder_of, size_words
from faultlamp.errors import CaptureError

if TYPE_CHECKING:
    from faultlamp.bus.pump import LivePump
    from faultlamp.bus.recorder import Recorder
    from faultlamp.cli.listening import Ear

_LOOK_EVERY_S = 0.1
_SHOW_EVERY_S = 0.5


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """The command's words."""
    parser = subparsers.add_parser(
        "record",
        help="record a bus into a file; listens only",
        description="Writes every frame of a bus into a candump log, until Ctrl-C or --for SECONDS. Sends nothing. "
        "A bus that is lost is opened again.",
    )
    parser.add_argument(
        "-o", "--output", required=True, metavar="FILE", help="a new candump log; .log.gz and .log.zst compress"
    )
    add_listening_options(parser)
    add_recording_options(parser)
    parser.set_defaults(run=run, usage_error=parser.error)


def run(args: argparse.Namespace) -> int:
    """Record until stopped. Raises BusError, ScenarioError and CaptureError."""
    check_listening(args)
    check_recording(args, args.output, "-o")

    from faultlamp.bus.pump import LivePump

    with listening(args) as ear, stop_signals() as caught:
        recorder = recorder_of(args, args.output)
        pump = LivePump(ear.source, recorder=recorder, keep=False)
        try:
            pump.start()
            ear.start_rig()
            say(f"recording {ear.title} into {recorder.where}; {ear.manner}; Ctrl-C ends it")
            passed_s = _follow(pump, recorder, ear, args.seconds, caught)
        finally:
            pump.close()
    if pump.error is not None:
        raise pump.error
    if recorder.error is not None:
        raise CaptureError(recorder.error)
    say("; ".join([
        f"{recorder.frames} frames in {passed_s:.1f} s recorded in {recorder.where}, {size_words(recorder.size_bytes)}",
        *shortfalls(pump, ear.source),
    ]))
    return exit_code(caught)


def _follow(pump: LivePump, recorder: Recorder, ear: Ear, seconds: float | None, caught: list[int]) -> float:
    """Tell what happens until it is over; returns how many seconds that took."""
    began_s = time.monotonic()
    gaps, hint, progress = GapLines(pump, ear), SilenceHint(pump), _Progress(began_s)
    while True:
        passed_s = time.monotonic() - began_s
        left_s = _LOOK_EVERY_S if seconds is None else seconds - passed_s
        over = bool(caught) or left_s <= 0 or recorder.error is not None or pump.error is not None
        news = [*gaps.new(), *hint.new(passed_s)]
        if news or over:
            progress.clear()
        for line in news:
            say(line)
        if over:
            return passed_s
        progress.show(pump.frames, recorder)
        time.sleep(min(left_s, _LOOK_EVERY_S))


class _Progress:
    """One line on a terminal's standard error, drawn over itself; nothing elsewhere."""

    def __init__(self, began_s: float) -> None:
        self._terminal = sys.stderr.isatty()
        self._shown = (began_s, 0)
        self._drawn = False

    def show(self, frames: int, recorder: Recorder) -> None:
        """Frames so far, frames a second, size; twice a second."""
        now_s = time.monotonic()
        before_s, before = self._shown
        if not self._terminal or now_s - before_s < _SHOW_EVERY_S:
            return
        self._shown = now_s, frames
        rate = (frames - before) / (now_s - before_s)
        text = f"{frames} frames, {rate:.0f} frames/s, {size_words(recorder.size_bytes)} in {recorder.where}"
        width = max(shutil.get_terminal_size().columns - 1, 1)
        self._drawn = True
        self._write("\r" + text[:width].ljust(width))

    def clear(self) -> None:
        """Make room for another line."""
        if self._drawn:
            self._drawn = False
            self._write("\r" + " " * max(shutil.get_terminal_size().columns - 1, 1) + "\r")

    def _write(self, text: str) -> None:
        sys.stderr.write(text)
        sys.stderr.flush()
