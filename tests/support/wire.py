"""Frames written the short way: seconds, identifier in hex, data bytes in hex."""

from collections.abc import Iterable
from decimal import Decimal
from itertools import pairwise
from typing import Any

from faultlamp.frames import EXTENDED, Frame, FrameBlock
from faultlamp.history.document import fault_document
from faultlamp.history.history import History

EPOCH_S = 1_700_000_000


def ns(seconds: float | str) -> int:
    """Seconds after the tests' epoch, as nanoseconds since the epoch; text keeps every digit."""
    return EPOCH_S * 1_000_000_000 + int(Decimal(str(seconds)) * 1_000_000_000)


def frame(seconds: float | str, can_id: str, data: str = "", *, channel: str = "can0", flags: int = EXTENDED) -> Frame:
    """One frame."""
    return Frame(ns(seconds), channel, int(can_id, 16), bytes.fromhex(data), flags)


def frames(text: str, *, channel: str = "can0") -> list[Frame]:
    """Frames from lines `SECONDS ID BYTE BYTE ...`."""
    rows = (line.split() for line in text.strip().splitlines())
    return [frame(row[0], row[1], "".join(row[2:]), channel=channel) for row in rows]


def document(history: History) -> dict[str, Any]:
    """The JSON document without names."""
    return fault_document(history, files=[], bad_lines=0, spn_name=lambda _: None, fmi_meaning=lambda _: "")


def document_by_rows(given: Iterable[Frame], **options: Any) -> dict[str, Any]:
    """The history of frames fed one at a time."""
    history = History(**options)
    for one in given:
        history.feed(one)
    return document(history)


def document_by_blocks(given: list[Frame], cuts: Iterable[int] = (), **options: Any) -> dict[str, Any]:
    """The history of the same frames fed as columns, cut at the given places."""
    history = History(**options)
    edges = [0, *sorted(cuts), len(given)]
    for first, end in pairwise(edges):
        history.feed_block(FrameBlock.from_frames(given[first:end]))
    return document(history)
