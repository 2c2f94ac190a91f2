"""`faultlamp ask`: request what controllers tell only when asked, and print it. Transmits, and says so first."""

from __future__ import annotations

import argparse
import json
import re
from typing import TYPE_CHECKING, Any

from faultlamp.cli.asking_line import (
    CAUTION,
    ProgressBar,
    add_asking_options,
    announce,
    called,
    check_asking,
    silence,
    talking,
    whom,
)
from faultlamp.cli.options import layouts_of
from faultlamp.cli.output import add_format_option, chosen_format, say
from faultlamp.errors import BusError
from faultlamp.j1939.identifier import is_addressed

if TYPE_CHECKING:
    from faultlamp.asking.intake import Intake
    from faultlamp.asking.plan import Question
    from faultlamp.cli.asking_line import Talk
    from faultlamp.j1939.readings import Layouts

_WHAT = (
    ("stored", "codes that were active (DM2)"),
    ("freeze-frame", "readings of the moment in which a code came (DM4)"),
    ("expanded-freeze-frame", "the same with the controller's own choice of readings (DM24, DM25)"),
    ("readiness", "how far the self-tests are (DM5, DM21, DM26, DM20)"),
    ("pending", "codes not yet confirmed (DM6, DM27)"),
    ("emissions", "emission-related codes (DM12, DM23)"),
    ("permanent", "codes that no tool can clear (DM28)"),
    ("counts", "how many codes of each kind (DM29)"),
    ("test-results", "results of self-tests (DM10, DM24, DM30)"),
    ("identity", "VIN, component, software, ECU, calibration, address claim, hours"),
    ("all", "all of the above"),
    ("pgn", "one parameter group: pgn N"),
)
_NUMBER = re.compile(r"[0-9]{1,6}|0[xX][0-9a-fA-F]{1,5}")
_HIGHEST_PGN = 0x3FFFF


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """The command's words."""
    parser = subparsers.add_parser(
        "ask",
        help="ask controllers for stored codes, freeze frames, readiness, identity; transmits",
        description="Claims an address on the bus, asks one controller after the other, and prints the answers. "
        "Transmits. Exit code 1 when nobody answers.",
        epilog="WHAT is one of: " + "; ".join(f"{word}: {meaning}" for word, meaning in _WHAT) + ". " + CAUTION + ".",
    )
    parser.add_argument("what", choices=[word for word, _ in _WHAT], metavar="WHAT", help="what to ask for, see below")
    parser.add_argument("number", nargs="?", type=_pgn, metavar="N", help="after pgn: the group, decimal or with 0x")
    add_asking_options(parser)
    add_format_option(parser, ("table", "json"), piped="json")
    parser.set_defaults(run=run, usage_error=parser.error)


def run(args: argparse.Namespace) -> int:
    """Ask and print. Raises BusError, after the output, when nobody answered."""
    if (args.what == "pgn") != (args.number is not None):
        args.usage_error("pgn N: which group?" if args.what == "pgn" else f"{args.what} takes no number")
    check_asking(args, "ask")

    from faultlamp.asking.intake import Intake
    from faultlamp.asking.plan import WITH_TEST_RESULTS, request, wanted

    layouts = layouts_of(args)
    questions = (request(args.number),) if args.what == "pgn" else wanted(args.what)
    with talking(args, args.record) as talk:
        intake = Intake(
            talk.participant, questions, args.to, layouts=layouts, spn_conversion=dict(args.spn_conversion),
            test_results=args.what in WITH_TEST_RESULTS, answer_ns=round(args.timeout * 1e9),
        )
        announce(talk, f"requests for {_names(questions)} to {whom(args.to)}, one at a time", args, CAUTION)
        talk.begin()
        start_ns, bar = talk.clock(), ProgressBar()
        try:
            intake.start(start_ns)
            talk.converse(intake, lambda: intake.done, lambda: bar.show(intake))
        finally:  # what was answered before an adapter was unplugged or Ctrl-C came is printed all the same
            bar.clear()
            _print(_document(args, talk, intake, layouts, start_ns), chosen_format(args))
        nobody = silence(talk, intake)
        if nobody is not None:
            raise BusError(nobody)
        for source in intake.targets:
            if all(r.outcome == "no_answer" for r in intake.results.values() if r.address == source):
                say(f"{called(source)} did not answer")
        talk.check_recording()
    return 0


def _names(questions: tuple[Question, ...]) -> str:
    return ", ".join(question.key for question in questions)


def _document(
    args: argparse.Namespace, talk: Talk, intake: Intake, layouts: Layouts, start_ns: int
) -> dict[str, Any]:
    from faultlamp.asking.document import SCHEMA, heard_only, intake_document, transmitted_document

    return {
        "schema": SCHEMA,
        "asked": args.what if args.number is None else f"{args.what} {args.number}",
        "bus": talk.title,
        "address": talk.participant.address,
        "start": start_ns / 1e9,
        "end": talk.clock() / 1e9,
        "controllers": intake_document(intake, layouts),
        "others_heard": heard_only(intake),
        "transmitted": transmitted_document(talk.line.sent),
    }


def _print(document: dict[str, Any], form: str) -> None:
    if form == "json":
        print(json.dumps(document, indent=2))
        return
    from faultlamp.cli.asking_page import print_controllers

    print_controllers(document["controllers"])


def _pgn(text: str) -> int:
    """An argparse type: a parameter group number that can be asked for."""
    number = int(text, 16 if text[1:2] in ("x", "X") else 10) if _NUMBER.fullmatch(text) else -1
    if not 0 <= number <= _HIGHEST_PGN:
        raise argparse.ArgumentTypeError(f"{text!r} is not a parameter group: give 0 to 262143, or 0x0 to 0x3FFFF")
    if is_addressed(number) and number & 0xFF:
        raise argparse.ArgumentTypeError(
            f"{text!r} is not a parameter group: an addressed one (PDU1) ends in 00; did you mean {number & 0x3FF00}?"
        )
    from faultlamp.asking.plan import COMMANDS

    if number in COMMANDS:
        raise argparse.ArgumentTypeError(
            f"{text!r} is {COMMANDS[number]}, and asking for it clears codes: that is what `faultlamp clear` is for"
        )
    return number
