"""`faultlamp replay`: the dashboard over a recording. Without a terminal it prints what `faults` prints."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from faultlamp import garbage
from faultlamp.cli.captures import add_capture_arguments, open_captures
from faultlamp.cli.faults import print_faults
from faultlamp.cli.options import (
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
from faultlamp.text import printable

_SLOWEST, _FASTEST = 0.1, 100.0
_MUCH_FRAMES = 40_000_000


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """The command's words."""
    parser = subparsers.add_parser(
        "replay",
        help="the dashboard over a recording",
        description="Plays recordings on the dashboard: stop, slower, faster, step, jump to the next change of a "
        "fault. Several recordings are one, merged by time. Where the output is not a terminal it prints what "
        "`faults` prints.",
    )
    add_capture_arguments(parser)
    parser.add_argument(
        "--speed", type=_speed, default=1.0, metavar="X", help="how fast to play at first, 0.1 to 100 (default: 1)"
    )
    add_history_options(parser)
    add_layout_option(parser)
    add_spn_table_option(parser)
    add_crosswalk_option(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Play until left. Raises CaptureError and DataFileError."""
    if on_terminal():
        with garbage.held_off():
            return _run(args, dashboard=True)
    return _run(args, dashboard=False)


def _run(args: argparse.Namespace, *, dashboard: bool) -> int:
    layouts = layouts_of(args) if dashboard or args.dbc else None
    crosswalk = crosswalk_of(args)
    if layouts is None or not dashboard:
        return print_faults(args, "table" if sys.stdout.isatty() else "json")

    from faultlamp.tui.detail.tables import UserTables
    from faultlamp.tui.preferences.store import usual_folder
    from faultlamp.tui.replay.recording import BYTES_PER_FRAME, Recording
    from faultlamp.tui.replay.run import run_replay

    tables = UserTables(spn_names_of(args), crosswalk)
    with open_captures(args) as capture:
        recording = Recording(capture.blocks())
    if recording.frames > _MUCH_FRAMES:
        size_gb = recording.frames * BYTES_PER_FRAME / 1e9
        say(f"{recording.frames} frames: replay holds recordings in memory, {size_gb:.1f} GB for this one")
    return run_replay(
        recording, history_options=history_options(args), layouts=layouts, title=_title(args.captures),
        speed=args.speed, folder=usual_folder(), tables=tables, files=args.captures,
        bad_lines=capture.stats.bad_lines,
    )


def _speed(text: str) -> float:
    try:
        speed = float(text.removesuffix("x"))
    except ValueError:
        speed = 0.0
    if not _SLOWEST <= speed <= _FASTEST:
        raise argparse.ArgumentTypeError(f"{text!r} is not a speed: give {_SLOWEST:g} to {_FASTEST:g}")
    return speed


def _title(captures: list[str]) -> str:
    first = printable(Path(captures[0]).name)
    return first if len(captures) == 1 else f"{first} and {len(captures) - 1} more"
