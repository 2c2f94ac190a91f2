"""`faultlamp compare`: which faults went, stayed and came between two recordings; did the repair hold?"""

from __future__ import annotations

import argparse
import csv
import os
import sys
from functools import partial
from typing import TYPE_CHECKING, Any

from faultlamp.cli.captures import CAPTURE_HELP, add_jobs_option, open_captures
from faultlamp.cli.options import add_history_options, add_spn_table_option, history_options, spn_names_of
from faultlamp.cli.output import add_format_option, chosen_format, print_json, say

if TYPE_CHECKING:
    from faultlamp.capture.stats import CaptureStats
    from faultlamp.compare.comparison import Comparison
    from faultlamp.compare.story import Story

EXIT_NEW = 3


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """The command's words."""
    parser = subparsers.add_parser(
        "compare",
        help="which faults went, stayed and came between two recordings",
        description="Did the repair hold? Which faults of BEFORE went, which stayed, which came in AFTER, over which "
        "key cycles, and what AFTER can prove.",
    )
    parser.add_argument("before", metavar="BEFORE", help=CAPTURE_HELP)
    parser.add_argument("after", metavar="AFTER", help="another one, of the same machine after the repair")
    parser.add_argument("--strict", action="store_true", help="stop at the first line that is not a frame")
    add_format_option(parser, ("table", "json", "csv"), piped="json")
    parser.add_argument(
        "--channels", type=_channel_pair, action="append", default=[], metavar="BEFORE=AFTER",
        help="a channel of BEFORE and the one of AFTER that is the same bus; may be repeated (default: those of one "
        "name, or the only ones)",
    )
    add_history_options(parser)
    add_spn_table_option(parser)
    add_jobs_option(parser)
    parser.add_argument(
        "--fail-on-new", action="store_true", help="exit with 3 when a fault is active in AFTER that was not in BEFORE"
    )
    parser.set_defaults(run=run, usage_error=parser.error)


def run(args: argparse.Namespace) -> int:
    """Print the comparison in the chosen format."""
    from faultlamp.compare.comparison import Became, compare
    from faultlamp.compare.document import compare_document
    from faultlamp.knowledge.names import fmi_meaning

    _check_recordings(args)
    names = spn_names_of(args)
    before, before_stats = _read(args, args.before)
    after, after_stats = _read(args, args.after)
    comparison = compare(before, after, args.channels)
    _warn(comparison, same=_same_file(args.before, args.after))
    document = compare_document(
        comparison, files=(args.before, args.after), frames=(before_stats.frames, after_stats.frames),
        bad_lines=(before_stats.bad_lines, after_stats.bad_lines), spn_name=names.name, fmi_meaning=fmi_meaning,
    )
    form = chosen_format(args)
    if form == "json":
        print_json(document)
    elif form == "csv":
        _write_csv(document)
    else:
        from faultlamp.cli.compare_table import print_table

        print_table(document)
    return EXIT_NEW if args.fail_on_new and comparison.count(Became.CAME) else 0


def _check_recordings(args: argparse.Namespace) -> None:
    """Say what cannot be read before reading the other for a long time. Raises CaptureError."""
    from faultlamp.capture import Capture

    Capture([args.before, args.after])


def _read(args: argparse.Namespace, path: str) -> tuple[Story, CaptureStats]:
    from faultlamp.compare.story import Story
    from faultlamp.history.sieve import sieve

    options = history_options(args)
    story = Story(**options)
    reduce = partial(sieve, engine_address=options["engine_address"]) if args.jobs > 1 else None
    words = argparse.Namespace(captures=[path], strict=args.strict)
    with open_captures(words, reduce=reduce, jobs=args.jobs) as capture:
        for block in capture.blocks():
            story.feed_block(block)
    return story, capture.stats


def _same_file(before: str, after: str) -> bool:
    """Whether both words name one file, however they are written."""
    try:
        return before == after or os.path.samefile(before, after)
    except OSError:
        return False  # one of them is no file: standard input, a shipped recording


def _warn(comparison: Comparison, *, same: bool) -> None:
    """What makes the comparison doubtful as a whole."""
    from faultlamp.compare.verdict import Order, order
    from faultlamp.text import printable

    lies = order(comparison)
    if same:
        say("warning: BEFORE and AFTER are one recording, so nothing can have changed: name two")
    elif lies is Order.SWAPPED:
        say("warning: AFTER was recorded before BEFORE: name them the other way round?")
    elif lies is Order.OVERLAPPING:
        say("warning: AFTER begins before BEFORE ends: are these the right two recordings?")
    stories = (("BEFORE", comparison.before), ("AFTER", comparison.after))
    empty = [which for which, story in stories if not story.history.frames]
    for which in empty:
        say(f"warning: {which} has no frames")
    for pair in comparison.channels if not empty else ():
        if pair.after is None:
            say(f"warning: channel {printable(pair.before or '')} of BEFORE has no counterpart in AFTER: its faults "
                "count as not heard; --channels BEFORE=AFTER pairs channels")
        elif pair.before is None:
            say(f"warning: channel {printable(pair.after)} of AFTER has no counterpart in BEFORE: its faults count as "
                "new; --channels BEFORE=AFTER pairs channels")
    for which, story in stories:
        if story.history.room.refused:
            say(f"warning: {which}: {story.history.room.refused} faults or spans found no room and are left out; "
                "the recording looks damaged or hostile: cut it into shorter ones")


def _write_csv(document: dict[str, Any]) -> None:
    from faultlamp.compare.fault_rows import COLUMNS, fault_rows

    writer = csv.writer(sys.stdout, lineterminator="\n")
    writer.writerow(COLUMNS)
    writer.writerows(fault_rows(document))


def _channel_pair(text: str) -> tuple[str, str]:
    """An argparse type: BEFORE=AFTER as two names."""
    before, _, after = text.partition("=")
    if not before or not after:
        raise argparse.ArgumentTypeError(f"{text!r} is not BEFORE=AFTER; for example can0=can1")
    return before, after
