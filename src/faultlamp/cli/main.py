"""The `faultlamp` command: parses the words, hands over to one module a command, turns every failure into one line."""

from __future__ import annotations

import argparse
import io
import os
import sys
from collections.abc import Sequence
from importlib import import_module

from faultlamp import __version__
from faultlamp.cli.output import say
from faultlamp.errors import FaultlampError

COMMANDS = (
    "watch", "record", "replay", "faults", "values", "explain", "report", "compare", "prove", "survey", "ask", "clear",
    "rig", "doctor",
)

_CAUTION = (
    "Hot and moving parts: keep clear while the engine can turn. A red stop lamp means stop the engine. "
    "Key off before a connector is pulled. The maker's manual, local codes and licensed practice come first."
)

EXIT_ERROR = 1
EXIT_INTERRUPTED = 130
EXIT_READER_GONE = 141


class WordsInAnyOrder(argparse.ArgumentParser):
    """A command's parser that takes its words between, before and behind its options."""

    _within = False

    def parse_known_args(self, args=None, namespace=None):  # type: ignore[no-untyped-def]  # as overloaded upstream
        """As the base class does, with the words gathered from between the options."""
        if self._within:
            return super().parse_known_args(args, namespace)
        self._within = True
        try:
            return self.parse_known_intermixed_args(args, namespace)
        finally:
            self._within = False


def build_parser(only: str | None = None) -> argparse.ArgumentParser:
    """The whole command line, or that of one command. Command modules import what is heavy only when they run."""
    parser = argparse.ArgumentParser(
        prog="faultlamp",
        description="Listens on a diesel engine's CAN bus (SAE J1939) and says what its controllers report.",
        epilog=_CAUTION,
    )
    parser.add_argument("--version", action="version", version=f"faultlamp {__version__}")
    subparsers = parser.add_subparsers(
        dest="command", required=True, metavar="COMMAND", parser_class=WordsInAnyOrder
    )
    for command in COMMANDS if only is None else (only,):
        import_module(f"faultlamp.cli.{command}").add_parser(subparsers)
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit code (docs/commands.md lists them)."""
    try:
        if isinstance(sys.stdout, io.TextIOWrapper):
            # A title or path that this terminal or code page cannot show is escaped; it must not end the command.
            sys.stdout.reconfigure(errors="backslashreplace")
        # Within the guard: Ctrl-C may come while modules still load.
        words = sys.argv[1:] if argv is None else list(argv)
        args = build_parser(words[0] if words and words[0] in COMMANDS else None).parse_args(words)
        code: int = args.run(args)
        sys.stdout.flush()
        return code
    except KeyboardInterrupt:
        return EXIT_INTERRUPTED
    except BrokenPipeError:
        # The reader of our output went away (`| head`). Python would complain again when it flushes at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return EXIT_READER_GONE
    except FaultlampError as error:
        say(str(error))
    except OSError as error:
        where = f" ({error.filename})" if error.filename else ""
        say(f"{error.strerror or error}{where}: check the disk, the path and its permissions")
        _forget_output()
    return EXIT_ERROR


def _forget_output() -> None:
    """What could not be written will not be written at exit either."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
