"""From paths, directories, patterns and URLs to the recordings that a survey reads.

    drive.log   yard/   'yard/*/2026-*.log.gz'   s3://bucket/yard/   demo:pump-set

Directories are searched to the bottom for the suffixes that recordings have; a file that is named, or that a pattern
matches, is taken whatever its suffix. URLs go through fsspec, an optional extra; local paths do without.
"""

from __future__ import annotations

import glob
import hashlib
import os
import re
import stat
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from faultlamp.capture import Capture, CaptureStats
from faultlamp.capture.compression import COMPRESSIONS, ByteStream
from faultlamp.capture.opening import CANDUMP_FORMAT, LIBRARY_FORMATS, Source, find
from faultlamp.capture.recording import Recording
from faultlamp.errors import CaptureError, FaultlampError
from faultlamp.frames import FrameBlock
from faultlamp.text import printable

_FORMATS = (CANDUMP_FORMAT, *LIBRARY_FORMATS)
_SUFFIXES = tuple(form + packed for form in _FORMATS for packed in ("", *COMPRESSIONS))
# python-can opens these by name.
_NEEDS_A_FILE = (".db", ".mf4")
_PASSWORD = re.compile(r"//[^/@]*@")

Problem = tuple[str, str]
"""What was named, and why there is nothing to read."""


@dataclass(frozen=True, slots=True)
class SurveyedFile:
    """A recording to read, here or on another machine.

    name: the URL, or the path without symbolic links, as the tables have it. path: what `file_system` opens.
    size: bytes, where known. stamp: changes when the content does: time of the last change, or what the file system
    has in its place. file_system: of fsspec; None for a local path.
    """

    name: str
    path: str
    size: int | None
    stamp: str
    file_system: Any = None

    @property
    def capture_id(self) -> str:
        """The same for the same name, everywhere and always."""
        return hashlib.blake2b(os.fsencode(self.name), digest_size=8).hexdigest()

    @property
    def in_this_process(self) -> bool:
        """Nobody else can read it: it lies in this process's own memory."""
        return self.file_system is not None and "memory" in self.file_system.protocol

    @contextmanager
    def blocks(self) -> Iterator[tuple[CaptureStats, Iterator[FrameBlock]]]:
        """The frames, and counts that are complete when these are used up. Raises CaptureError, also on the way."""
        if self.file_system is None:
            capture = Capture([self.path])
            yield capture.stats, capture.blocks()
            return
        lower = self.path.lower()
        compression = next((suffix for suffix in COMPRESSIONS if lower.endswith(suffix)), "")
        form = Path(lower.removesuffix(compression)).suffix
        stats = CaptureStats()
        with tempfile.TemporaryDirectory(prefix="faultlamp-") as folder:
            copy = None
            if form in _NEEDS_A_FILE and not compression:
                copy = Path(folder) / f"recording{form}"
                self.file_system.get_file(self.path, str(copy))
            source = _RemoteSource(printable(self.name), copy, form, compression, self.size, file=self)
            yield stats, Recording(source, stats, False, lambda _: None).blocks()


@dataclass(frozen=True, slots=True)
class _RemoteSource(Source):
    """A recording that fsspec opens."""

    file: SurveyedFile = field(kw_only=True)

    def open(self, on_read: Callable[[int], None]) -> ByteStream:
        try:
            file = self.file.file_system.open(self.file.path, "rb")
        except Exception as error:  # each file system has errors of its own
            raise CaptureError(f"{self.name}: cannot be opened ({_reason(error)})") from error
        return ByteStream(file, self.compression, on_read)


def find_captures(paths: Sequence[str]) -> tuple[list[SurveyedFile], list[Problem]]:
    """All recordings that the paths name, each once, and what named none. Raises FaultlampError without fsspec."""
    found: dict[str, SurveyedFile] = {}
    problems: list[Problem] = []
    for path in paths:
        path = path.removeprefix("file://")
        some = list((_remote if "://" in path else _local)(path, problems))
        if not some and not any(name == path for name, _ in problems):
            problems.append((path, f"there is no recording in it; a suffix tells them: {' '.join(_FORMATS)}"))
        found.update((file.name, file) for file in some)
    return list(found.values()), problems


def _local(path: str, problems: list[Problem]) -> Iterator[SurveyedFile]:
    if path == "-":
        problems.append((path, "standard input cannot be surveyed: name files or directories"))
        return
    if path.startswith("demo:"):
        try:
            path = str(find(path).path)
        except CaptureError as error:
            problems.append((path, str(error).removeprefix(f"{printable(path)}: ")))
            return
    matching = [path]
    if not os.path.exists(path) and glob.has_magic(path):
        matching = sorted(glob.glob(path, recursive=True))
        if not matching:
            problems.append((path, "nothing matches this pattern"))
    for match in matching:
        searched = os.path.isdir(match)
        for name in _below(match, problems) if searched else (match,):
            try:
                status = os.stat(name)
            except (OSError, ValueError) as error:
                problems.append((name, f"cannot be read ({_reason(error)}); check the path"))
                continue
            if stat.S_ISREG(status.st_mode):
                name = os.path.realpath(name)
                yield SurveyedFile(name, name, status.st_size, str(status.st_mtime_ns))
            elif not searched:
                problems.append((name, "is no regular file; record it to one first"))


def _below(folder: str, problems: list[Problem]) -> Iterator[str]:
    """Names below a directory that have a recording's suffix."""
    def unreadable(error: OSError) -> None:
        problems.append((str(error.filename), f"cannot be searched ({_reason(error)})"))

    for place, folders, names in os.walk(folder, onerror=unreadable):
        folders.sort()
        yield from (os.path.join(place, name) for name in sorted(names) if name.lower().endswith(_SUFFIXES))


def _remote(url: str, problems: list[Problem]) -> Iterator[SurveyedFile]:
    try:
        from fsspec.core import url_to_fs
    except ImportError as missing:
        raise FaultlampError(
            f'{printable(url)}: reading URLs needs fsspec, which is not installed: pip install "faultlamp[fleet]"'
        ) from missing
    try:
        system, path = url_to_fs(url)
        if glob.has_magic(path):
            infos = system.glob(path, detail=True)
            for folder in [name for name, info in infos.items() if info["type"] == "directory"]:
                infos |= _inside(system, folder)
        else:
            infos = _inside(system, path) if system.isdir(path) else {path: system.info(path)}
        for name, info in infos.items():
            if info["type"] == "file":
                yield SurveyedFile(_url_of(name, url, path), name, info["size"], str(system.ukey(name)), system)
    except Exception as error:  # each file system has errors of its own
        problems.append((url, f"cannot be read ({_reason(error)}); check the URL and what its file system needs"))


def _inside(system: Any, folder: str) -> dict[str, dict[str, Any]]:
    return {
        name: info for name, info in system.find(folder, detail=True).items() if name.lower().endswith(_SUFFIXES)
    }


def _url_of(name: str, url: str, path: str) -> str:
    """The URL of a file below the URL that a user gave, without the password in it."""
    head, chain, rest = url.partition("::")
    head = head.rstrip("/").removesuffix(path.rstrip("/"))
    return _PASSWORD.sub("//", head + name, count=1) + chain + rest


def _reason(error: Exception) -> str:
    """What went wrong, in a few words."""
    words = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
    return printable(" ".join(words.split()) or type(error).__name__, longest=160)
