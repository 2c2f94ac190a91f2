"""An explanation as a page of text, at most 79 characters wide, narrower on a narrow terminal."""

from __future__ import annotations

import os
import shutil
import sys
import textwrap
from collections.abc import Iterator
from typing import Any, NamedTuple

from faultlamp.knowledge.crosswalk import RankedRow
from faultlamp.knowledge.explanation import CLOSING, Explanation

WIDTH = 79

_NARROWEST = 40
_BOLD, _PLAIN = "\x1b[1m", "\x1b[0m"
_INDENT = " " * 5


class Line(NamedTuple):
    """One line; `strong` for what must be seen first."""

    text: str
    strong: bool = False


def print_page(explained: Explanation, dtc: dict[str, Any] | None) -> None:
    """The page on standard output, what is strong in bold on a terminal that wants it."""
    terminal = sys.stdout.isatty()
    width = min(WIDTH, max(_NARROWEST, shutil.get_terminal_size().columns - 1)) if terminal else WIDTH
    bold = terminal and not os.environ.get("NO_COLOR") and os.environ.get("TERM", "dumb") != "dumb"
    for text, strong in page(explained, dtc, width):
        print(f"{_BOLD}{text}{_PLAIN}" if bold and strong else text)


def page(explained: Explanation, dtc: dict[str, Any] | None = None, width: int = WIDTH) -> Iterator[Line]:
    """The lines, none wider than `width` but for links, which stay whole. `dtc` is what the JSON says of the bytes."""
    if dtc is not None:
        yield from _dtc(dtc, width)
    code = f"SPN {explained.spn} FMI {explained.fmi}   "
    yield from _wrap(explained.name or "no public name known", width, code, strong=True)
    yield from _wrap(explained.meaning, width, " " * len(code), strong=True)
    yield Line("")
    for text in (explained.name_note, explained.note, explained.failure.summary):
        if text:
            yield from _wrap(text, width, "  ")
    for part in explained.parts:
        yield from _wrap(f"{part.title}: {part.about}", width, "  ", "    ")
    yield from _heading("Usual causes, the likeliest first")
    for number, cause in enumerate(explained.causes, 1):
        yield from _wrap(cause, width, f"{number:>3}. ")
    yield from _heading("Test in this order")
    for caution in explained.cautions:
        yield from _wrap(caution, width, "  !  ", strong=True)
    for number, step in enumerate(explained.steps, 1):
        # A caution stands before the step that needs it, never after.
        begin = f"{number:>3}. "
        for caution in step.cautions:
            yield from _wrap(caution, width, f"{begin}! ", strong=True)
            begin = _INDENT
        yield from _wrap(step.do, width, begin)
        for label, text in (("with", step.tool), ("good", step.good), ("if not", step.otherwise)):
            if text:
                yield from _wrap(text, width, f"{_INDENT}{label:<6}  ")
    if explained.codes_note:
        yield from _heading("The maker's codes, from your crosswalk")
        for ranked in explained.codes:
            yield from _row(ranked, width)
        yield from _wrap(explained.codes_note, width, "  ")
    yield Line("")
    yield from _wrap(CLOSING, width, "", strong=True)


def _dtc(dtc: dict[str, Any], width: int) -> Iterator[Line]:
    count = dtc["occurrence_count"]
    yield from _wrap(
        f"SPN {dtc['spn']}, FMI {dtc['fmi']}, "
        f"OC {'127 (the controller does not count)' if count is None else count}, CM {dtc['conversion_method']}",
        width, f"DTC {dtc['bytes']}   ",
    )
    if dtc["spn_by_method"] is not None:
        numbers = ", ".join(f"{spn} by {method}" for method, spn in dtc["spn_by_method"].items())
        told = "as asked for" if dtc["method_given"] else "the present layout, unless --spn-conversion says otherwise"
        yield from _wrap(
            f"CM is 1: the code does not tell the order of its SPN's bits. Read by method {dtc['read_by_method']}, "
            f"{told}. The SPN by all methods: {numbers}.",
            width, "  ",
        )
    yield Line("")


def _row(ranked: RankedRow, width: int) -> Iterator[Line]:
    row = ranked.row
    begin = "  -  " if ranked.rank is None else f"{ranked.rank:>3}. "
    yield from _wrap(f"{row.code}  {row.title}", width, begin)
    yield from _wrap(f"{ranked.reason} (line {row.line})", width, _INDENT)
    if row.clears_after:
        yield from _wrap(f"clears after: {row.clears_after}", width, _INDENT)
    if row.link:
        # In one piece, so that it can be copied.
        yield Line(f"{_INDENT}{row.link}")


def _heading(text: str) -> tuple[Line, Line]:
    return Line(""), Line(text, strong=True)


def _wrap(text: str, width: int, begin: str, more: str | None = None, *, strong: bool = False) -> Iterator[Line]:
    """A paragraph that hangs from its first line."""
    hang = " " * len(begin) if more is None else more
    for line in textwrap.wrap(
        text, width, initial_indent=begin, subsequent_indent=hang, break_on_hyphens=False
    ):
        yield Line(line, strong)
