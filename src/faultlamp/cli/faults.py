"""`faultlamp faults`: the fault and lamp history of recordings."""

from __future__ import annotations

import argparse
import csv
import json
import sys
from collections.abc import Sequence
from functools import partial
from typing import TYPE_CHECKING, Any

from faultlamp.cli.captures import add_capture_arguments, add_jobs_option, open_captures
from faultlamp.cli.options import add_history_options, history_options
from faultlamp.cli.output import add_format_option, chosen_format, say
from faultlamp.text import csv_safe, printable

if TYPE_CHECKING:
    from faultlamp.capture import Capture

EXIT_ACTIVE = 3

_COLUMNS = (
    "channel", "source_address", "spn", "fmi", "occurrence_count", "conversion_method", "spn_name", "fmi_meaning",
    "state", "first_seen", "last_seen", "active_spans", "reported_in",
)


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """The command's words."""
    parser = subparsers.add_parser(
        "faults",
        help="fault and lamp history of recordings",
        description="Which faults were active when, which lamps were asked for, over which key cycles. "
        "Several recordings are one history, merged by time.",
    )
    add_capture_arguments(parser)
    add_format_option(parser, ("table", "json", "csv"), piped="json")
    add_history_options(parser)
    add_jobs_option(parser)
    parser.add_argument(
        "--fail-on-active", action="store_true", help="exit with 3 when a fault is active at the end"
    )
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Print the history in the chosen format."""
    return print_faults(args, chosen_format(args), fail_on_active=args.fail_on_active)


def print_faults(args: argparse.Namespace, form: str, *, fail_on_active: bool = False) -> int:
    """The history of `args.captures` on standard output."""
    from faultlamp.history.sieve import sieve

    options = history_options(args)
    # With one process and one recording there is nothing to gain from reducing what the history reads once.
    jobs = getattr(args, "jobs", 1)
    several = jobs > 1 or len(args.captures) > 1
    reduce = partial(sieve, engine_address=options["engine_address"]) if several else None
    with open_captures(args, reduce=reduce, jobs=jobs) as capture:
        document = _document(capture, args.captures, **options)
    if form == "json":
        json.dump(document, sys.stdout, indent=2)
        print()
    elif form == "csv":
        _write_csv(document)
    else:
        from faultlamp.cli.fault_table import print_table

        print_table(document)
    active = any(fault["state"] == "active" for fault in document["faults"])
    return EXIT_ACTIVE if fail_on_active and active else 0


def _document(capture: Capture, files: Sequence[str], **options: Any) -> dict[str, Any]:
    from faultlamp.history.document import fault_document
    from faultlamp.history.history import History
    from faultlamp.knowledge.names import fmi_meaning, spn_name

    history = History(**options)
    for block in capture.blocks():
        history.feed_block(block)
    if history.room.refused:
        say(
            f"warning: {history.room.refused} faults or spans found no room and are left out; "
            "the recording looks damaged or hostile: cut it into shorter ones"
        )
    return fault_document(
        history, files=files, bad_lines=capture.stats.bad_lines, frames=capture.stats.frames, spn_name=spn_name,
        fmi_meaning=fmi_meaning,
    )


def _write_csv(document: dict[str, Any]) -> None:
    writer = csv.writer(sys.stdout, lineterminator="\n")
    writer.writerow(_COLUMNS)
    for fault in document["faults"]:
        row = dict(
            fault,
            channel=csv_safe(printable(fault["channel"])),
            active_spans=len(fault["active_spans"]),
            reported_in=" ".join(fault["reported_in"]),
        )
        writer.writerow(["" if row[column] is None else row[column] for column in _COLUMNS])
