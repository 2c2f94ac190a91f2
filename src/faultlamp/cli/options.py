"""Options that several commands share, and how their values are written.

A source address is 0 to 253 (SAE J1939-81: 254 is the null address, 255 the global one), decimal or with 0x.
A conversion method is 1 to 4, the order of the SPN's bits in a code whose CM bit is 1 (SAE J1939-73, section 5.7.1).
"""

from __future__ import annotations

import argparse
import re
from pathlib import Path
from typing import TYPE_CHECKING, TypedDict

from faultlamp.cli.output import say
from faultlamp.errors import BusError
from faultlamp.j1939.diagnostics import METHODS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from faultlamp.j1939.readings import Layouts
    from faultlamp.knowledge.crosswalk import Crosswalk
    from faultlamp.knowledge.spn_table import SpnNames

_ADDRESS = re.compile(r"[0-9]{1,3}|0[xX][0-9a-fA-F]{1,2}")
_HIGHEST_ADDRESS = 253
_HIGHEST_METHOD = METHODS[-1]
_MOST_WARNINGS = 20


class HistoryOptions(TypedDict):
    """Keyword arguments of `History`."""

    engine_address: int
    spn_conversion: dict[int, int]


def address(text: str) -> int:
    """An argparse type: a source address, decimal or with 0x."""
    number = int(text, 16 if text[1:2] in ("x", "X") else 10) if _ADDRESS.fullmatch(text) else -1
    if not 0 <= number <= _HIGHEST_ADDRESS:
        raise argparse.ArgumentTypeError(f"{text!r} is not a source address: give 0 to 253, or 0x00 to 0xFD")
    return number


def conversion(text: str) -> tuple[int, int]:
    """An argparse type: ADDRESS=METHOD as (address, method)."""
    left, equals, right = text.partition("=")
    if not equals:
        raise argparse.ArgumentTypeError(f"{text!r} is not ADDRESS=METHOD; for example 0=1 or 0x3D=3")
    number = address(left)
    if not right.isascii() or not right.isdigit() or int(right) not in METHODS:
        raise argparse.ArgumentTypeError(f"{text!r}: the method must be one of 1, 2, 3, 4, not {right!r}")
    return number, int(right)


def positive_seconds(text: str) -> float:
    """An argparse type: a time span above zero, in seconds, at most a year."""
    try:
        seconds = float(text)
    except ValueError:
        seconds = -1.0
    if not 0 < seconds <= 366 * 86400:
        raise argparse.ArgumentTypeError(f"{text!r} is not a number of seconds above 0")
    return seconds


def add_listen_only_option(parser: argparse.ArgumentParser) -> None:
    """--listen-only, for commands that transmit; `check_listen_only` heeds it."""
    parser.add_argument("--listen-only", action="store_true", help="refuse to transmit: this command does nothing then")


def check_listen_only(args: argparse.Namespace, command: str) -> None:
    """Raises BusError when nothing may be transmitted."""
    if args.listen_only:
        raise BusError(f"--listen-only: nothing was sent; {command} has to transmit: leave the option out to allow it")


def add_history_options(parser: argparse.ArgumentParser) -> None:
    """How the history is kept: whose frames make a key cycle, how older codes are read."""
    group = parser.add_argument_group("reading the traffic")
    group.add_argument(
        "--engine-address", type=address, default=0, metavar="ADDRESS",
        help="source address whose frames make a key cycle (default: 0, engine 1)",
    )
    add_conversion_option(group)


def add_conversion_option(parser: argparse._ActionsContainer) -> None:
    """--spn-conversion: how older codes are read; `args.spn_conversion` is a list of (address, method)."""
    parser.add_argument(
        "--spn-conversion", type=conversion, action="append", default=[], metavar="ADDRESS=METHOD",
        help=f"order of the SPN's bits (1 to {_HIGHEST_METHOD}) in this source's codes whose CM bit is 1; "
        f"{_HIGHEST_METHOD}, the present one, unless given; may be repeated",
    )


def add_layout_option(parser: argparse.ArgumentParser) -> None:
    """--dbc: what else can be decoded; `args.dbc` is a list of paths."""
    parser.add_argument(
        "--dbc", action="append", type=Path, default=[], metavar="FILE",
        help="a DBC with further parameter groups, or others in place of the shipped ones; may be repeated",
    )


def layouts_of(args: argparse.Namespace) -> Layouts:
    """The layouts that `add_layout_option` asks for; what a DBC has and they do not is said. Raises DataFileError."""
    from faultlamp.knowledge.layouts import load_layouts

    layouts = load_layouts(args.dbc)
    say_skipped(layouts.skipped)
    return layouts


def add_spn_table_option(parser: argparse.ArgumentParser) -> None:
    """--spn-table: names that the shipped table lacks; `args.spn_table` is a list of paths."""
    parser.add_argument(
        "--spn-table", action="append", default=[], metavar="FILE",
        help="your own names of parameters, a CSV with the columns spn,name; may be repeated, later ones win",
    )


def spn_names_of(args: argparse.Namespace) -> SpnNames:
    """The names that `add_spn_table_option`, if it was there, asks for; rows that cannot be used are said.

    Raises DataFileError.
    """
    from faultlamp.knowledge.spn_table import load_spn_tables

    names = load_spn_tables(getattr(args, "spn_table", ()))
    say_skipped(names.skipped)
    return names


def add_crosswalk_option(parser: argparse.ArgumentParser) -> None:
    """--crosswalk: the maker's codes; `args.crosswalk` is a path or None."""
    parser.add_argument(
        "--crosswalk", metavar="FILE", help="your own table (CSV) from SPN, FMI and lamp to the maker's codes"
    )


def crosswalk_of(args: argparse.Namespace) -> Crosswalk | None:
    """The table that `add_crosswalk_option` asks for; rows that cannot be used are said. Raises DataFileError."""
    if args.crosswalk is None:
        return None
    from faultlamp.knowledge.crosswalk import load_crosswalk

    crosswalk = load_crosswalk(args.crosswalk)
    say_skipped(crosswalk.skipped)
    return crosswalk


def say_skipped(skipped: Sequence[str]) -> None:
    """Warnings for what a file has and cannot be used; the first ones, and how many more."""
    for left_out in skipped[:_MOST_WARNINGS]:
        say(f"warning: {left_out}")
    if len(skipped) > _MOST_WARNINGS:
        say(f"warning: and {len(skipped) - _MOST_WARNINGS} more like these")


def history_options(args: argparse.Namespace) -> HistoryOptions:
    """Keyword arguments for `History` from what `add_history_options` put there; a later option wins."""
    return {"engine_address": args.engine_address, "spn_conversion": dict(args.spn_conversion)}
