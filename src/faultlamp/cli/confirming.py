"""A line that a person types, awaited while other things go on."""

from __future__ import annotations

import os
import sys
from contextlib import suppress
from threading import Thread

_LONGEST = 4096


def can_confirm() -> bool:
    """Whether somebody is there to read the question and to type."""
    return sys.stdin is not None and sys.stdin.isatty() and sys.stderr.isatty()


class Typing:
    """Asks on standard error. line: what was typed, "" at the end of the input, None until then."""

    def __init__(self, question: str) -> None:
        self.line: str | None = None
        _forget_typed()
        sys.stderr.write(question)
        sys.stderr.flush()
        # The file descriptor itself, since a thread that waits in a buffered reader cannot be left behind at exit.
        Thread(target=self._read, args=(sys.stdin.fileno(),), name="faultlamp-typing", daemon=True).start()

    def _read(self, descriptor: int) -> None:
        try:
            typed = os.read(descriptor, _LONGEST)
        except OSError:
            typed = b""
        self.line = typed.decode("utf-8", "replace")


def _forget_typed() -> None:
    """What was typed before the question is no answer to it."""
    try:
        import termios
    except ImportError:  # Windows
        return
    with suppress(termios.error):
        termios.tcflush(sys.stdin.fileno(), termios.TCIFLUSH)
