"""From what a user calls a recording to an open file: names, suffixes, compression, and what may be wrong with them.

    drive.log  drive.log.gz  drive.blf  -  demo:NAME

The last suffix that is not a compression says the format; a suffix that nobody knows is taken for candump text.
"""

from __future__ import annotations

import errno
import importlib.util
import os
import stat
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, cast

from faultlamp import resources
from faultlamp.capture.compression import COMPRESSIONS, ByteStream
from faultlamp.errors import CaptureError
from faultlamp.text import printable

# Formats that python-can reads.
LIBRARY_FORMATS = (".asc", ".blf", ".csv", ".db", ".mf4", ".trc")
CANDUMP_FORMAT = ".log"

_DEMO = "demo:"


@dataclass(frozen=True, slots=True)
class Source:
    """One recording, found and permitted, not yet open.

    name: as messages call it. path: None for standard input. format: suffix, "" when the name has none.
    compression: suffix or "". size: bytes of the file as it lies there, None when that is not known.
    first: where to begin reading; `size` bytes from there when it is a piece of a file.
    """

    name: str
    path: Path | None
    format: str
    compression: str
    size: int | None
    first: int = 0
    piece: bool = False

    @property
    def by_library(self) -> bool:
        """Whether python-can reads this format."""
        return self.format in LIBRARY_FORMATS

    def open(self, on_read: Callable[[int], None]) -> ByteStream:
        """The decompressed bytes. Raises CaptureError."""
        if self.path is None:
            return ByteStream(sys.stdin.buffer, self.compression, on_read, keep_open=True)
        try:
            file = cast(BinaryIO, open(self.path, "rb", buffering=0))  # noqa: SIM115 (the stream closes it)
            if self.piece:
                file.seek(self.first)
        except (OSError, ValueError) as error:
            raise _unreadable(self.name, error) from error
        return ByteStream(file, self.compression, on_read, limit=self.size if self.piece else None)


def find(path: str) -> Source:
    """The recording that `path` names. Raises CaptureError, with what to do, when there is none that can be read."""
    name = printable(path)
    if path == "-":
        if sys.stdin is None or sys.stdin.closed:
            raise CaptureError("-: standard input is closed; name a file, or pipe a candump log in")
        return Source("standard input", None, "", "", None)
    place = _demo(path[len(_DEMO) :]) if path.startswith(_DEMO) else Path(path)
    try:
        status = os.stat(place)
        if stat.S_ISDIR(status.st_mode):
            raise CaptureError(f"{name}: is a directory; name the recordings in it, for instance {name}/*.log")
        regular = stat.S_ISREG(status.st_mode)
        if regular:
            with open(place, "rb"):
                pass
    except (OSError, ValueError) as error:
        raise _unreadable(name, error) from error
    source = Source(name, place, *_suffixes(place), status.st_size if regular else None)
    if source.format == ".mf4" and importlib.util.find_spec("asammdf") is None:
        raise CaptureError(f'{name}: reading .mf4 needs asammdf; install it with: pip install "faultlamp[mf4]"')
    return source


def _suffixes(place: Path) -> tuple[str, str]:
    """Format and compression of a file name."""
    suffixes = [suffix.lower() for suffix in place.suffixes]
    compression = suffixes.pop() if suffixes and suffixes[-1] in COMPRESSIONS else ""
    return suffixes[-1] if suffixes else "", compression


def _demo(wanted: str) -> Path:
    """A shipped recording by its file name, with or without suffixes."""
    folder = resources.shipped("captures")
    known = {place.name: place for place in sorted(folder.glob("*")) if _is_recording(place)}
    for name, place in known.items():
        if wanted in (name, name.partition(".")[0]):
            return place
    available = ", ".join(name.partition(".")[0] for name in known) or "none"
    raise CaptureError(f"{printable(_DEMO + wanted)}: no such shipped recording; there are: {available}")


def _is_recording(place: Path) -> bool:
    return place.is_file() and _suffixes(place)[0] in (CANDUMP_FORMAT, *LIBRARY_FORMATS)


def _unreadable(name: str, error: OSError | ValueError) -> CaptureError:
    """One line for what the operating system said."""
    if isinstance(error, FileNotFoundError):
        return CaptureError(f"{name}: no such file; check the path")
    if isinstance(error, PermissionError):
        return CaptureError(f"{name}: no permission to read it; change its permissions or run as its owner")
    if isinstance(error, OSError) and error.errno == errno.EMFILE:
        return CaptureError(f"{name}: too many recordings at once; name fewer, or raise the limit (ulimit -n)")
    if isinstance(error, OSError):
        return CaptureError(f"{name}: cannot be opened ({error.strerror}); check the file and where it lies")
    return CaptureError(f"{name}: is not a file name ({error})")
