"""How results leave: the format asked for, tables for people, CSV cells that stay inert."""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from itertools import islice
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rich.console import Console

# Stamps before this are counted from the start of the recording, not from the epoch.
_FIRST_CLOCK_S = 365 * 86_400
_JSON_PARTS = 100_000


def add_format_option(parser: argparse.ArgumentParser, formats: Sequence[str], *, piped: str) -> None:
    """`--format`; without it a table on a terminal and `piped` elsewhere."""
    usual = "table" if piped == "table" else f"table on a terminal, {piped} when the output goes elsewhere"
    parser.add_argument("--format", choices=formats, help=f"default: {usual}")
    parser.set_defaults(piped_format=piped)


def chosen_format(args: argparse.Namespace) -> str:
    """The format to write."""
    if args.format is not None:
        return str(args.format)
    return "table" if sys.stdout.isatty() else str(args.piped_format)


def on_terminal() -> bool:
    """Whether a dashboard can be shown: a person reads and types."""
    return sys.stdin.isatty() and sys.stdout.isatty() and os.environ.get("TERM", "dumb") not in ("", "dumb")


def say(text: str) -> None:
    """A line for people, on standard error."""
    print(f"faultlamp: {text}", file=sys.stderr, flush=True)


def print_json(document: Mapping[str, Any]) -> None:
    """A JSON document on standard output, in large pieces: a long one in small writes takes far longer in a pipe."""
    parts = json.JSONEncoder(indent=2).iterencode(document)
    while piece := "".join(islice(parts, _JSON_PARTS)):
        sys.stdout.write(piece)
    sys.stdout.write("\n")


def console() -> Console:
    """Where tables are drawn: no colour unless a terminal that wants it, at least 80 columns elsewhere."""
    from rich.console import Console

    class Piped(Console):
        """Leaves a reader that went away to `main`; rich would end with exit code 1."""

        def on_broken_pipe(self) -> None:
            raise  # called while the BrokenPipeError is handled

    on_terminal = sys.stdout.isatty()
    plain = not on_terminal or bool(os.environ.get("NO_COLOR"))
    width = None if on_terminal else 120
    return Piped(no_color=plain, width=width, markup=False, highlight=False, emoji=False, soft_wrap=False)


def clock(time_s: float) -> str:
    """A moment for people: UTC time of day, or seconds since the start where the recording has no date."""
    if time_s < _FIRST_CLOCK_S:
        return f"{time_s:.3f} s"
    return datetime.fromtimestamp(time_s, UTC).strftime("%H:%M:%S.%f")[:-3]


def day(time_s: float) -> str:
    """The date and time of a recording's start, for people."""
    if time_s < _FIRST_CLOCK_S:
        return "an unknown date"
    return datetime.fromtimestamp(time_s, UTC).strftime("%Y-%m-%d %H:%M:%S UTC")


def duration(length_s: float) -> str:
    """A length of time for people."""
    if length_s < 60:
        return f"{length_s:.1f} s"
    minutes, rest = divmod(round(length_s), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes:02} min" if hours else f"{minutes} min {rest:02} s"
