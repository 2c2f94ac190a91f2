"""Which bytes a recording is made of: its size and SHA-256 (FIPS 180-4), of the file as it lies there."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

from faultlamp.capture.opening import find
from faultlamp.errors import CaptureError


@dataclass(frozen=True, slots=True)
class Fingerprint:
    """name: as messages call the recording. sha256: None where it is not known, `why` says the reason."""

    name: str
    size_bytes: int | None = None
    sha256: str | None = None
    why: str = ""


def fingerprint(path: str) -> Fingerprint:
    """The fingerprint of a recording, named as a user names it. Never fails: what cannot be read says why."""
    try:
        source = find(path)
    except CaptureError:
        return Fingerprint(path, why="no longer there")
    if source.path is None or source.size is None:
        return Fingerprint(source.name, why="not a file")
    try:
        with open(source.path, "rb") as file:
            digest = hashlib.file_digest(file, "sha256").hexdigest()
            size_bytes = file.tell()
    except OSError as error:
        return Fingerprint(source.name, source.size, why=error.strerror or "cannot be read")
    return Fingerprint(source.name, size_bytes, digest)
