"""`faultlamp clear`: clear codes, after everything about them is saved. Transmits; refuses unless armed."""

from __future__ import annotations

import argparse
import json
import re
import sys
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from faultlamp.cli.asking_line import (
    ProgressBar,
    add_asking_options,
    announce,
    called,
    check_asking,
    silence,
    talking,
    whom,
)
from faultlamp.cli.confirming import Typing, can_confirm
from faultlamp.cli.options import layouts_of
from faultlamp.cli.output import add_format_option, chosen_format, say
from faultlamp.cli.saving import SaveFile, free_names
from faultlamp.errors import BusError

if TYPE_CHECKING:
    from faultlamp.asking.clearing import Clearing
    from faultlamp.asking.verdicts import Command
    from faultlamp.cli.asking_line import Talk
    from faultlamp.j1939.readings import Layouts

CAUTION = (
    "caution: this transmits and erases. Only on a machine that stands, with the engine off and the key on, and with "
    "everybody clear of it: what a code held back may move once it is gone"
)
WORD = "clear"
_SENT = "the command may have been sent: ask again what is there now"

_SPN = re.compile(r"[0-9]{1,6}")
_HIGHEST_SPN, _HIGHEST_FMI = 524287, 31


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """The command's words."""
    parser = subparsers.add_parser(
        "clear",
        help="clear codes, after saving everything about them; transmits",
        description="Asks the controllers for everything and saves it, shows what will be lost, and after a typed "
        "confirmation clears: previously active codes (stored, DM3), active codes and all that belongs to them (all, "
        "DM11), or one code (code SPN FMI, DM22). Then reads back. Transmits.",
        epilog="Refuses while the engine turns, the machine moves, or nobody on the bus says whether. " + CAUTION + ".",
    )
    parser.add_argument("what", choices=("stored", "all", "code"), metavar="WHAT", help="stored, all, or code SPN FMI")
    parser.add_argument("code", nargs="*", metavar="SPN FMI", help="after code: which one")
    add_asking_options(parser)
    arming = parser.add_argument_group("arming")
    arming.add_argument(
        "--yes", action="store_true", help="clear without a typed confirmation; needed where nobody types"
    )
    arming.add_argument(
        "--although-engine-may-run", action="store_true",
        help="clear even when engine speed is above zero or nobody says it",
    )
    arming.add_argument(
        "--although-machine-may-move", action="store_true",
        help="clear even when vehicle speed is not zero or nobody says it, as on a machine without wheels",
    )
    arming.add_argument(
        "--save", metavar="FILE",
        help="where to save what is there before, as JSON (default: a new file here, named by date and time); every "
        "frame goes into a .log beside it, or into --record's file",
    )
    add_format_option(parser, ("table", "json"), piped="json")
    parser.set_defaults(run=run, usage_error=parser.error)


def run(args: argparse.Namespace) -> int:
    """Save, confirm, clear, read back. Raises BusError when something was not cleared."""
    from faultlamp.asking.clearing import Clearing, Stage

    command = _command(args)
    check_asking(args, "clear")
    if not args.yes and not can_confirm():
        raise BusError("nothing was sent: without a terminal to type the confirmation on, clear needs --yes")
    json_name, log_name = free_names(args.save, args.record)
    layouts = layouts_of(args)
    with talking(args, log_name) as talk:
        work = Clearing(
            talk.participant, command, args.to, layouts=layouts, spn_conversion=dict(args.spn_conversion),
            answer_ns=round(args.timeout * 1e9),
            although_engine_may_run=args.although_engine_may_run,
            although_machine_may_move=args.although_machine_may_move,
        )
        sending = f"requests for everything to {whom(args.to)}, one at a time; nothing is cleared yet"
        announce(talk, sending, args, CAUTION)
        talk.begin()
        work.start(talk.clock())
        _go_on(talk, work, lambda: work.stage is Stage.WAITING)
        return _clear(args, talk, work, layouts, json_name, log_name)


def _clear(
    args: argparse.Namespace, talk: Talk, work: Clearing, layouts: Layouts, json_name: str, log_name: str
) -> int:
    from faultlamp.asking.verdicts import Verdict

    nobody = silence(talk, work.before)
    if nobody is not None:
        raise BusError(nobody)
    save = SaveFile(json_name, _document(args, talk, work, layouts))
    say(f"saved what is there now in {save.name}, every frame in {log_name}")
    try:
        if not _armed(args, talk, work):
            return 0
        talk.check_recording()
        work.go(talk.clock())
        _go_on(talk, work, lambda: False)
    except BusError as error:
        if work.commands is None:
            raise
        raise BusError(f"{error}; {_SENT}") from error
    except KeyboardInterrupt:
        say("stopped: nothing was cleared" if work.commands is None else f"stopped; {_SENT}")
        raise
    finally:
        save.replace(_document(args, talk, work, layouts))
    if work.trouble is not None:
        raise BusError(f"nothing was cleared: {work.trouble}")
    _print(save.document, chosen_format(args))
    talk.check_recording()
    failed = [one for one in work.judgements if one.verdict is not Verdict.CLEARED]
    if failed:
        raise BusError("not all is cleared: " + "; ".join(
            f"{called(one.address)} {one.verdict.value.replace('_', ' ')}" for one in failed
        ))
    return 0


def _armed(args: argparse.Namespace, talk: Talk, work: Clearing) -> bool:
    """Whether to go on: there is something to clear, nothing speaks against it, and it is confirmed.

    False when there is nothing to clear. Raises BusError for the others.
    """
    from faultlamp.cli.clear_page import loss_lines

    objections = work.objections(talk.clock())
    if objections:
        raise BusError(f"nothing was cleared: {'; '.join(objections)}")
    if not work.targets:
        if work.command.code is not None:
            spn, fmi = work.command.code
            raise BusError(f"nothing was cleared: {whom(args.to)} does not list SPN {spn} FMI {fmi}")
        say("nothing to clear: no controller lists such a code (--to names one to be told all the same)")
        return False
    for line in loss_lines(work):
        print(line, file=sys.stderr)
    sys.stderr.flush()
    if args.yes:
        return True
    typing = Typing(f'type "{WORD}" to clear, anything else to leave everything as it is: ')
    talk.converse(work, lambda: typing.line is not None, lambda: None)
    if (typing.line or "").strip() != WORD:
        raise BusError("nothing was cleared: not confirmed")
    return True


def _go_on(talk: Talk, work: Clearing, until: Callable[[], bool]) -> None:
    """Let it talk until it is done or `until` says so, and show how far it is. Raises BusError."""
    from faultlamp.asking.clearing import SETTLE_NS, Stage

    bar, settling = ProgressBar(), False

    def meanwhile() -> None:
        nonlocal settling
        if work.stage is Stage.SETTLING and not settling:
            settling = True
            bar.clear()
            say(f"waiting {SETTLE_NS / 1e9:g} s for the controllers to report anew, then reading back")
        bar.show(work.running)

    try:
        talk.converse(work, lambda: work.done or until(), meanwhile)
    finally:
        bar.clear()


def _document(args: argparse.Namespace, talk: Talk, work: Clearing, layouts: Layouts) -> dict[str, Any]:
    from faultlamp.asking.document import SCHEMA, clearing_document, transmitted_document

    return {
        "schema": SCHEMA,
        "bus": talk.title,
        "address": talk.participant.address,
        **clearing_document(work, layouts),
        "forced": [
            name for name, given in (
                ("although-engine-may-run", args.although_engine_may_run),
                ("although-machine-may-move", args.although_machine_may_move),
            ) if given
        ],
        "transmitted": transmitted_document(talk.line.sent),
    }


def _print(document: dict[str, Any], form: str) -> None:
    if form == "json":
        print(json.dumps(document, indent=2))
        return
    from faultlamp.cli.clear_page import verdict_line

    for result in document["result"]:
        print(verdict_line(result))


def _command(args: argparse.Namespace) -> Command:
    """What the words ask to clear; ends with exit code 2 when they make no sense."""
    from faultlamp.asking.verdicts import Command, Kind

    if args.what != "code":
        if args.code:
            args.usage_error(f"{args.what} takes no numbers; one code is cleared with: code SPN FMI")
        return Command(Kind(args.what))
    if len(args.code) != 2 or not all(_SPN.fullmatch(word) for word in args.code):
        args.usage_error("code needs two numbers, SPN and FMI, for example: code 110 3")
    spn, fmi = int(args.code[0]), int(args.code[1])
    if spn > _HIGHEST_SPN or fmi > _HIGHEST_FMI:
        args.usage_error(f"SPN is 0 to {_HIGHEST_SPN} and FMI 0 to {_HIGHEST_FMI}, not {spn} and {fmi}")
    return Command(Kind.CODE, (spn, fmi))
