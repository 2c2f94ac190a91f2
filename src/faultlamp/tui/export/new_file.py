"""A new file, or none: an existing one is never touched, and what was not written as a whole is taken away again."""

from __future__ import annotations

import os
import time
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path

from faultlamp.errors import CaptureError
from faultlamp.text import printable

_MOST_NAMES = 1000


def check_free(path: str) -> None:
    """Raises CaptureError when something has that name."""
    if os.path.lexists(path):
        raise _taken(path)


def write_new(path: str, parts: Iterable[bytes]) -> None:
    """Write the parts one after the other. Raises CaptureError, and what the parts raise; no file is left then."""
    try:
        file = open(path, "xb")  # noqa: SIM115 (what goes wrong from here on takes the file away)
    except FileExistsError as error:
        raise _taken(path) from error
    except (OSError, ValueError) as error:
        text = f"cannot write {printable(path)}: {_reason(error)}; choose another folder or name"
        raise CaptureError(text) from error
    try:
        with file:
            file.writelines(parts)
            file.flush()
            os.fsync(file.fileno())
    except BaseException as error:
        with suppress(OSError):
            os.unlink(path)
        if isinstance(error, OSError):
            raise CaptureError(
                f"cannot write {printable(path)}: {_reason(error)}; nothing of it is left: make room, or choose "
                "another folder"
            ) from error
        raise


def typed_path(text: str) -> str:
    """The path that somebody typed, `~` meaning the home folder. Raises CaptureError where nothing was typed."""
    path = text.strip()
    if not path:
        raise CaptureError("no name: type one for the file, or Esc to leave it")
    with suppress(RuntimeError, ValueError):
        path = str(Path(path).expanduser())
    return path


def dated_name(what: str, ending: str) -> str:
    """A name with the date and time of this computer that is free in the working folder."""
    return free_name(f"faultlamp-{what}-{time.strftime('%Y%m%d-%H%M%S')}", ending)


def free_name(stem: str, ending: str) -> str:
    """`stem` with the ending; where that is taken, with a number."""
    names = [f"{stem}{ending}", *(f"{stem}-{number}{ending}" for number in range(2, _MOST_NAMES))]
    return next((name for name in names if not os.path.lexists(name)), names[0])


def where(path: str) -> str:
    """The file for the screen: all of its path, so that it is found again."""
    return printable(os.path.abspath(path))


def _taken(path: str) -> CaptureError:
    return CaptureError(f"{printable(path)} is there already and stays as it is: choose another name")


def _reason(error: OSError | ValueError) -> str:
    return (error.strerror if isinstance(error, OSError) else None) or printable(str(error))
