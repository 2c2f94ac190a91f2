"""What controllers answered, as a page of text for people."""

from __future__ import annotations

import textwrap
from typing import Any

from faultlamp.asking.words import controller_lines, title
from faultlamp.cli.output import console

_WIDEST = 110


def print_controllers(controllers: list[dict[str, Any]]) -> None:
    """Each controller with its answers, on standard output."""
    from rich.text import Text

    out = console()
    width = min(out.width, _WIDEST) - 1
    for controller in controllers:
        out.print(Text(title(controller), style="bold"))
        for indent, line in controller_lines(controller):
            out.print(Text(textwrap.fill(
                line, width, initial_indent=" " * indent, subsequent_indent=" " * (indent + 2),
                break_long_words=True, break_on_hyphens=False,
            )))
        out.print()
