"""The file that keeps what clearing erases.

Rule: it is on the disk before anything is erased, an existing file is never touched, and what came of it replaces the
file in one step, so that it is whole at every moment.
"""

from __future__ import annotations

import json
import os
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from faultlamp.cli.beside import new_beside
from faultlamp.errors import CaptureError
from faultlamp.text import printable

_MOST_NAMES = 1000


def free_names(save: str | None, record: str | None) -> tuple[str, str]:
    """The names of the document and of the frames' log. Raises CaptureError when one that was asked for is taken."""
    if save is not None:
        if not Path(save).name:
            raise CaptureError(f"--save '{printable(save)}' is not a file's name: choose one that ends in .json")
        log = record or str(Path(save).with_suffix(".log"))
        if log == save:
            raise CaptureError(f"--save {printable(save)} is a JSON document: choose a name that ends in .json")
        for name in (save, log):
            if os.path.lexists(name):
                raise CaptureError(f"{printable(name)} exists and is not overwritten: choose another name with --save")
        folder = Path(save).parent
        if not os.access(folder, os.W_OK):
            raise CaptureError(f"cannot write into {printable(str(folder))}: choose another place with --save")
        return save, log
    stem = f"faultlamp-clear-{datetime.now(UTC):%Y%m%d-%H%M%S}"
    if not os.access(".", os.W_OK):
        raise CaptureError("cannot write into the working directory: choose another place with --save")
    for number in range(1, _MOST_NAMES):
        name = stem if number == 1 else f"{stem}-{number}"
        if not os.path.lexists(f"{name}.json") and not os.path.lexists(f"{name}.log"):
            return f"{name}.json", record or f"{name}.log"
    raise CaptureError(f"too many files of the name {stem}: choose another one with --save")


class SaveFile:
    """The document, on the disk. Raises CaptureError when the file exists or cannot be written.

    name: fit for a terminal. document: what is in it.
    """

    def __init__(self, path: str, document: dict[str, Any]) -> None:
        self.document = document
        self.name = printable(path)
        self._path = path
        try:
            with open(path, "x", encoding="utf-8") as file:
                _write(file.fileno(), document)
        except OSError as error:
            raise CaptureError(
                f"cannot save {self.name}: {error.strerror or error}; nothing was cleared; choose another place with "
                "--save"
            ) from error

    def replace(self, document: dict[str, Any]) -> None:
        """Put another document in its place. Raises CaptureError, and then the one before is still there."""
        self.document = document
        try:
            descriptor, other = new_beside(self._path)
            try:
                try:
                    _write(descriptor, document)
                finally:
                    os.close(descriptor)
                os.replace(other, self._path)
            except OSError:
                with suppress(OSError):
                    os.unlink(other)
                raise
        except OSError as error:
            raise CaptureError(
                f"{self.name} has what was there before, but not what came of it: {error.strerror or error}"
            ) from error


def _write(descriptor: int, document: dict[str, Any]) -> None:
    data = (json.dumps(document, indent=2) + "\n").encode()
    while data:
        data = data[os.write(descriptor, data) :]
    os.fsync(descriptor)
