"""What the commands that read recordings share: their arguments, progress and warnings."""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from faultlamp.cli.output import say

if TYPE_CHECKING:
    from faultlamp.capture import Capture
    from faultlamp.frames import FrameBlock

_SHOW_AFTER_S = 0.5
_MOST_JOBS = 256

CAPTURE_HELP = (
    "a recording: candump log or saved candump output (also .gz .xz .zst), or .asc .blf .trc .csv .db .mf4; "
    "- is standard input, demo:NAME a shipped one"
)


def add_capture_arguments(parser: argparse.ArgumentParser) -> None:
    """CAPTURE... and --strict."""
    parser.add_argument("captures", nargs="+", metavar="CAPTURE", help=CAPTURE_HELP)
    parser.add_argument("--strict", action="store_true", help="stop at the first line that is not a frame")


def add_jobs_option(parser: argparse._ActionsContainer, shared: str = "the reading of large recordings") -> None:
    """--jobs: how many processes share what is `shared`; `args.jobs` is at least 1."""
    parser.add_argument(
        "--jobs", type=_jobs, default=len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else 1,
        metavar="N", help=f"processes that share {shared} (default: one a processor)",
    )


@contextmanager
def open_captures(
    args: argparse.Namespace, *, reduce: Callable[[FrameBlock], FrameBlock] | None = None, jobs: int = 1
) -> Iterator[Capture]:
    """The recordings named on the command line, with a progress bar on a terminal; warnings follow at the end.

    reduce, jobs: as `Capture` takes them.
    """
    from faultlamp.capture import Capture

    with _progress() as on_progress:
        capture = Capture(args.captures, strict=args.strict, on_progress=on_progress, reduce=reduce, jobs=jobs)
        yield capture
    for warning in capture.stats.warnings:
        say(f"warning: {warning}")


def _jobs(text: str) -> int:
    if not (text.isascii() and text.isdigit() and 1 <= int(text) <= _MOST_JOBS):
        raise argparse.ArgumentTypeError(f"{text!r} is not a number of processes: give 1 to {_MOST_JOBS}")
    return int(text)


@contextmanager
def _progress() -> Iterator[Callable[[int, int | None], None] | None]:
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, DownloadColumn, Progress, TimeRemainingColumn

    bar = Progress("reading", BarColumn(), DownloadColumn(), TimeRemainingColumn(), console=Console(stderr=True),
                   transient=True)
    task = bar.add_task("reading", total=None)
    started = time.monotonic()

    def show(done: int, total: int | None) -> None:
        if not bar.live.is_started and time.monotonic() - started > _SHOW_AFTER_S:
            bar.start()
        bar.update(task, completed=done, total=total)

    try:
        yield show
    finally:
        bar.stop()
