"""Where the dashboard is drawn.

Rule: on the terminal that the user sits at. Textual draws on standard error; who sends that into a file to keep our
warnings (`2>notes.txt`) would see nothing, so standard output, which is a terminal then, takes its place.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def drawn_on_terminal() -> Iterator[None]:
    """While this lasts an application draws on standard output if standard error is no terminal."""
    before = sys.__stderr__
    if before is None or not before.isatty():
        sys.__stderr__ = sys.__stdout__  # type: ignore[misc]  # typeshed has it final; Textual asks nobody else
    try:
        yield
    finally:
        sys.__stderr__ = before  # type: ignore[misc]
