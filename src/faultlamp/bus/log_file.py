"""One file of a recording: made anew, and either a write is in it as a whole or nothing of it.

Compressed files are a chain of complete parts, one a write: members (RFC 1952, section 2.2) for .gz, frames (RFC 8878,
section 3.1) for .zst. A file that ends between two of them reads as complete; one that a power cut ended inside a part
reads up to that part.
"""

from __future__ import annotations

import os
from contextlib import suppress
from io import FileIO

from faultlamp.errors import CaptureError
from faultlamp.text import printable

COMPRESSIONS = (".gz", ".zst")

_GZIP_LEVEL = 6
_ZSTD_LEVEL = 3


class LogFile:
    """An open file. Raises CaptureError when it is there already or cannot be made.

    size_bytes: how long it is.
    """

    def __init__(self, path: str) -> None:
        self.path = path
        self.size_bytes = 0
        try:
            # Unbuffered: what a failed write leaves in the file must be known to the byte.
            self._file = FileIO(path, "x")
        except FileExistsError as error:
            raise taken(path) from error
        except (OSError, ValueError) as error:
            reason = error.strerror if isinstance(error, OSError) else str(error)
            raise CaptureError(
                f"cannot record to {printable(path)}: {reason}; choose another folder or name"
            ) from error

    @property
    def descriptor(self) -> int:
        """The system's number of the open file."""
        return self._file.fileno()

    def append(self, data: bytes) -> None:
        """Write all of it. Raises OSError, and then the file is as it was before."""
        waiting = memoryview(data)
        try:
            while waiting:
                waiting = waiting[self._file.write(waiting) :]
        except OSError:
            with suppress(OSError):
                os.ftruncate(self.descriptor, self.size_bytes)
            raise
        self.size_bytes += len(data)

    def close(self) -> None:
        """Close it; harmless when repeated."""
        with suppress(OSError):
            self._file.close()


def taken(path: str) -> CaptureError:
    """The error for a name under which there is something."""
    return CaptureError(f"{printable(path)} is there already and stays as it is: choose another name")


def compression_of(path: str) -> str:
    """`.gz`, `.zst` or nothing, by the name's ending."""
    return next((suffix for suffix in COMPRESSIONS if path.lower().endswith(suffix)), "")


def packed(data: bytes, compression: str) -> bytes:
    """The bytes as one complete part of a file with that compression."""
    if compression == ".gz":
        import gzip

        return gzip.compress(data, _GZIP_LEVEL, mtime=0)
    if compression == ".zst":
        import zstandard

        return zstandard.ZstdCompressor(level=_ZSTD_LEVEL, write_checksum=True).compress(data)
    return data


def numbered(path: str, number: int) -> str:
    """The name of one file out of several.

    >>> numbered("jobs/pump.log.gz", 1)
    'jobs/pump-0001.log.gz'
    """
    compression = path[len(path) - len(compression_of(path)) :]
    stem, suffix = os.path.splitext(path[: len(path) - len(compression)])
    return f"{stem}-{number:04d}{suffix}{compression}"


def first_taken(path: str) -> str | None:
    """A file that is there under one of the numbered names of `path`, None when there is none."""
    folder, name = os.path.split(numbered(path, 0))
    before, _, after = name.rpartition("-0000")
    try:
        there = sorted(os.listdir(folder or "."))
    except (OSError, ValueError):
        # Opening the first file says what is wrong.
        return None
    for other in there:
        if other.startswith(f"{before}-") and other.endswith(after):
            number = other[len(before) + 1 : len(other) - len(after)]
            if len(number) >= 4 and number.isascii() and number.isdigit():
                return os.path.join(folder, other)
    return None
