"""A file of notes: marks as the dashboard keeps them, and any other line as a paragraph.

    2026-05-04 09:12:31  (1777885951.250000)  bucket of the wheel loader lifted

Rule: the stamp in brackets is the frame's own, as in a candump log; what stands before it is not relied on.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from faultlamp.report.paper import Moment

LONGEST_FILE = 1_000_000
_MARK = re.compile(r"[^()]{0,40}\(([0-9]{1,10})\.([0-9]{1,9})\)(?:\s+(.*))?")


def read_notes(text: str) -> tuple[list[str], list[Moment]]:
    """Paragraphs and marks of a notes file's text."""
    paragraphs, moments = [], []
    for line in text.removeprefix("\ufeff").splitlines():
        found = _MARK.fullmatch(line.strip())
        if found:
            time_ns = int(found[1]) * 1_000_000_000 + int(found[2].ljust(9, "0"))
            moments.append(Moment(time_ns, (found[3] or "").strip()))
        elif line.strip():
            paragraphs.append(line.strip())
    return paragraphs, moments


def all_notes(texts: Sequence[str]) -> tuple[list[str], list[Moment]]:
    """Of several files, one after the other."""
    paragraphs: list[str] = []
    moments: list[Moment] = []
    for text in texts:
        more, marked = read_notes(text)
        paragraphs += more
        moments += marked
    return paragraphs, moments
