"""A file beside another one, to be written as a whole before it takes that one's name."""

from __future__ import annotations

import errno
import os
from contextlib import suppress

_MOST_NAMES = 100


def new_beside(path: str) -> tuple[int, str]:
    """A new file in the same folder, open to write, and its name. Raises OSError."""
    for number in range(1, _MOST_NAMES + 1):
        name = f"{path}.new" if number == 1 else f"{path}.new-{number}"
        with suppress(FileExistsError):
            return os.open(name, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o666), name
    raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), path)
