"""`faultlamp explain`: what a code means, what usually causes it, what to test and in which order. Works offline."""

from __future__ import annotations

import argparse
import json
import re
import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

from faultlamp.cli.options import add_crosswalk_option, add_spn_table_option, crosswalk_of, spn_names_of
from faultlamp.cli.output import add_format_option, chosen_format, say

if TYPE_CHECKING:
    from faultlamp.j1939.diagnostics import Lamp

EXIT_USAGE = 2

_HOW = "give SPN and FMI (110 3), or a code as four hex bytes (6E000305)"
_LABEL = re.compile(r"\b(?:spn|fmi)(?:\s*[:=])?(?=[\s\d:=-]|$)", re.IGNORECASE)
_SEPARATORS = re.compile(r"[\s,;:/]+")
_DECIMAL = re.compile(r"-?[0-9]{1,12}")
_HEX_CODE = re.compile(r"(?:0[xX])?([0-9A-Fa-f]{8})")
_HEX_BYTE = re.compile(r"(?:0[xX])?([0-9A-Fa-f]{2})")


class _Usage(Exception):
    """What was asked for makes no sense; one line."""


class _Code(NamedTuple):
    """The pair to explain; `dtc` are the four bytes when it was given as such."""

    spn: int
    fmi: int
    dtc: bytes | None


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """The command's words."""
    parser = subparsers.add_parser(
        "explain",
        help="what a code means, what usually causes it, what to test and in which order",
        description="Explains a pair of SPN and FMI, or a code as its four bytes in hexadecimal as they stand in a "
        "fault report: meaning, usual causes, test steps with the cautions before them. "
        "Common practice: the maker's manual decides.",
        usage="faultlamp explain SPN FMI | DTC  [options]",
    )
    parser.add_argument(
        "code", nargs="+", metavar="CODE", help="SPN and FMI, for instance 110 3; or a DTC: 6E000305, or 6E 00 03 05"
    )
    parser.add_argument(
        "--lamp", action="append", type=_lamp, metavar="LAMP",
        help="a lamp that the controller asks for, to rank the crosswalk's rows: red_stop, amber_warning, protect, "
        "malfunction_indicator, or none; may be repeated",
    )
    add_crosswalk_option(parser)
    add_spn_table_option(parser)
    parser.add_argument(
        "--spn-conversion", type=int, choices=(1, 2, 3, 4), metavar="METHOD",
        help="order of the SPN's bits (1 to 4) in a DTC whose CM bit is 1; 4, the present one, unless given",
    )
    add_format_option(parser, ("table", "json"), piped="json")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Print the explanation. Raises DataFileError."""
    from faultlamp.j1939.diagnostics import is_no_fault
    from faultlamp.knowledge.explanation import NO_FAULT, document, explanation

    try:
        code = _code(args.code, args.spn_conversion)
    except _Usage as error:
        say(str(error))
        return EXIT_USAGE
    as_json = chosen_format(args) == "json"
    dtc = None if code.dtc is None else _dtc_document(code.dtc, args.spn_conversion)
    if is_no_fault(code.spn, code.fmi):
        if as_json:
            _print_json({"dtc": dtc, "spn": code.spn, "fmi": code.fmi, "no_fault": True, "text": NO_FAULT})
        else:
            print(f"SPN {code.spn} FMI {code.fmi}: {NO_FAULT}")
        return 0
    names = spn_names_of(args)
    crosswalk = crosswalk_of(args)
    explained = explanation(code.spn, code.fmi, _lamps(args.lamp), names=names, crosswalk=crosswalk)
    if as_json:
        _print_json({"dtc": dtc, "no_fault": False, **document(explained)})
    else:
        from faultlamp.cli.explain_page import print_page

        print_page(explained, dtc)
    return 0


def _print_json(content: dict[str, Any]) -> None:
    json.dump({"schema": 1, **content}, sys.stdout, indent=2)
    print()


def _code(words: Sequence[str], method: int | None) -> _Code:
    """The code that the words mean. Raises _Usage."""
    from faultlamp.j1939.diagnostics import CURRENT_METHOD, decode_dtc
    from faultlamp.knowledge.explanation import check_pair
    from faultlamp.text import printable

    # "SPN 110 FMI 3" and "110/3", as other commands print them, are understood too, and so is "spn=110".
    parts = [part for word in words for part in _SEPARATORS.split(_LABEL.sub(" ", word)) if part]
    four = _four_bytes(parts)
    if four is not None:
        dtc = decode_dtc(four, method or CURRENT_METHOD)
        return _Code(dtc.spn, dtc.fmi, four)
    given = printable(" ".join(words), longest=60)
    if not all(map(_DECIMAL.fullmatch, parts)):
        raise _Usage(f"{given!r} is no code: {_HOW}")
    if len(parts) != 2:
        missing = "the FMI is missing" if len(parts) == 1 else "a code has two numbers"
        raise _Usage(f"{given!r}: {missing}: {_HOW}")
    if method is not None:
        raise _Usage("--spn-conversion says how to read a code given as four hex bytes; an SPN needs no conversion")
    spn, fmi = map(int, parts)
    try:
        check_pair(spn, fmi)
    except ValueError as error:
        raise _Usage(f"{error}: {_HOW}") from None
    return _Code(spn, fmi, None)


def _four_bytes(parts: Sequence[str]) -> bytes | None:
    if len(parts) == 1 and (whole := _HEX_CODE.fullmatch(parts[0])):
        return bytes.fromhex(whole[1])
    found = [_HEX_BYTE.fullmatch(part) for part in parts]
    if len(found) == 4 and all(found):
        return bytes.fromhex("".join(match[1] for match in found if match))
    return None


def _dtc_document(four: bytes, method: int | None) -> dict[str, Any]:
    """The parts of a code, and where CM is 1 what each of the four methods makes of it."""
    from faultlamp.j1939.diagnostics import CURRENT_METHOD, METHODS, decode_dtc

    dtc = decode_dtc(four, method or CURRENT_METHOD)
    readings = None if not dtc.conversion_method else {
        str(number): decode_dtc(four, number).spn for number in METHODS
    }
    return {
        "bytes": four.hex(" ").upper(), "spn": dtc.spn, "fmi": dtc.fmi, "occurrence_count": dtc.occurrence_count,
        "conversion_method": dtc.conversion_method,
        "read_by_method": (method or CURRENT_METHOD) if dtc.conversion_method else None,
        "method_given": method is not None, "spn_by_method": readings,
    }


def _lamp(text: str) -> Lamp | None:
    """An argparse type: a lamp as a crosswalk may write it, None for 'none'."""
    from faultlamp.knowledge.crosswalk import LAMP_NAMES

    word = "_".join(text.casefold().replace("-", " ").replace("_", " ").split())
    if word == "none":
        return None
    if word not in LAMP_NAMES:
        raise argparse.ArgumentTypeError(
            f"{text!r} is no lamp: give red_stop, amber_warning, protect, malfunction_indicator or none"
        )
    return LAMP_NAMES[word]


def _lamps(given: list[Lamp | None] | None) -> tuple[Lamp, ...] | None:
    return None if given is None else tuple(lamp for lamp in given if lamp is not None)
