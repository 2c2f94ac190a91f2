"""`faultlamp faults`: the fault and lamp history of recordings."""

from __future__ import annotations

import argparse
import csv
import sys
from collections.abc import Sequence
from functools import partial
from typing import TYPE_CHECKING, Any

from faultlamp.cli.captures import add_capture_arguments, add_jobs_option, open_captures
from faultlamp.cli.options import add_history_options, add_spn_table_option, history_options, spn_names_of
from faultlamp.cli.output import add_format_option, chosen_format, print_json, say

if TYPE_CHECKING:
    from faultlamp.capture import Capture
    from faultlamp.findings.check import Check
    from faultlamp.findings.shared_causes import SharedCauses
    from faultlamp.history.history import History
    from faultlamp.history.nodes import Nodes
    from faultlamp.knowledge.spn_table import SpnNames

EXIT_ACTIVE = 3


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
    add_spn_table_option(parser)
    add_jobs_option(parser)
    parser.add_argument(
        "--fail-on-active", action="store_true", help="exit with 3 when a fault is active at the end"
    )
    parser.add_argument(
        "--with-findings", action="store_true",
        help="also which faults most likely have one cause, and which readings do not agree with each other; with "
        "table or json",
    )
    parser.set_defaults(run=run, usage_error=parser.error)


def run(args: argparse.Namespace) -> int:
    """Print the history in the chosen format."""
    form = chosen_format(args)
    if args.with_findings and form == "csv":
        args.usage_error("--with-findings: csv has one row a fault and no room for them; use --format table or json")
    return print_faults(
        args, form, fail_on_active=args.fail_on_active, with_findings=args.with_findings
    )


def print_faults(
    args: argparse.Namespace, form: str, *, fail_on_active: bool = False, with_findings: bool = False
) -> int:
    """The history of `args.captures` on standard output."""
    from faultlamp.history.history import History
    from faultlamp.history.sieve import sieve

    options = history_options(args)
    names = spn_names_of(args)
    # With one process and one recording there is nothing to gain from reducing what the history reads once.
    jobs = getattr(args, "jobs", 1)
    several = (jobs > 1 or len(args.captures) > 1) and not with_findings  # readings are needed, so all frames are
    reduce = partial(sieve, engine_address=options["engine_address"]) if several else None
    with open_captures(args, reduce=reduce, jobs=jobs) as capture:
        history = History(**options)
        gathered = _Gathered(history, names) if with_findings else None
        for block in capture.blocks():
            history.feed_block(block)
            if gathered is not None:
                gathered.present.feed_block(block)
        document = _document(history, capture, args.captures, names)
    causes, checks = None, None
    if gathered is not None:
        causes, checks = gathered.findings()
    if form == "json":
        if causes is not None and checks is not None:
            from faultlamp.findings.document import findings_document

            document["findings"] = findings_document(causes, checks)
        print_json(document)
    elif form == "csv":
        _write_csv(document)
    else:
        from faultlamp.cli.fault_table import print_table

        print_table(document, causes or _shared_causes(history, names), checks, describe=names.describe)
    active = any(fault["state"] == "active" for fault in document["faults"])
    return EXIT_ACTIVE if fail_on_active and active else 0


class _Gathered:
    """What the findings need beside the history: who was heard, and the readings."""

    def __init__(self, history: History, names: SpnNames) -> None:
        from faultlamp.findings.plausibility import wanted_groups
        from faultlamp.history.since_step import SinceStep
        from faultlamp.knowledge.layouts import load_layouts
        from faultlamp.knowledge.plausibility import load_plausibility

        self._history, self._names = history, names
        self._layouts, self._rules = load_layouts([]), load_plausibility()
        self.present = SinceStep(wanted_groups(self._layouts, self._rules))

    def findings(self) -> tuple[SharedCauses, list[Check]]:
        """Shared causes and plausibility at the last frame."""
        from faultlamp.findings.plausibility import plausibility_checks

        causes = _shared_causes(self._history, self._names, self.present.nodes)
        return causes, plausibility_checks(
            self.present.latest, self._history, self._layouts, self._history.end_ns or 0, self._rules
        )


def _shared_causes(history: History, names: SpnNames, nodes: Nodes | None = None) -> SharedCauses:
    """Of the whole recording, as it stands at its end."""
    from faultlamp.findings.shared_causes import shared_causes
    from faultlamp.knowledge.shared_causes import load_shared_causes

    return shared_causes(
        history, history.end_ns or 0, load_shared_causes(), nodes=nodes, all_of_it=True, describe=names.describe
    )


def _document(history: History, capture: Capture, files: Sequence[str], names: SpnNames) -> dict[str, Any]:
    from faultlamp.history.document import fault_document
    from faultlamp.knowledge.names import fmi_meaning

    if history.room.refused:
        say(
            f"warning: {history.room.refused} faults or spans found no room and are left out; "
            "the recording looks damaged or hostile: cut it into shorter ones"
        )
    return fault_document(
        history, files=files, bad_lines=capture.stats.bad_lines, frames=capture.stats.frames, spn_name=names.name,
        fmi_meaning=fmi_meaning,
    )


def _write_csv(document: dict[str, Any]) -> None:
    from faultlamp.history.fault_rows import COLUMNS, fault_rows

    writer = csv.writer(sys.stdout, lineterminator="\n")
    writer.writerow(COLUMNS)
    writer.writerows(fault_rows(document))
