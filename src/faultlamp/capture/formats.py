"""The recording formats that python-can reads: .asc .blf .csv .db .mf4 .trc, message by message.

python-can is imported when a recording needs it. Its times are binary fractions of a second and are rounded to whole
microseconds. Its channel numbers become text as they are; a missing one is "0".
"""

from __future__ import annotations

import gc
import importlib
import io
import logging
import math
import shutil
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from operator import index
from pathlib import Path
from typing import TYPE_CHECKING, Any

from faultlamp.capture.candump_lines import (
    HIGHEST_11_BIT,
    HIGHEST_29_BIT,
    HIGHEST_TIME_NS,
    LONGEST_LINE,
    channel_name,
)
from faultlamp.capture.compression import ByteStream, Damage
from faultlamp.capture.opening import Source
from faultlamp.frames import BRS, ERROR, ESI, EXTENDED, FD, REMOTE, Frame
from faultlamp.text import printable

if TYPE_CHECKING:
    from can import Message

# Most that is read at once from a .blf file, whatever an object's header claims; recorders write 128 KiB.
_LARGEST_OBJECT = 1 << 26
_OBJECT_HEADER = 16


def library_frames(source: Source, stream: ByteStream) -> Iterator[Frame | None]:
    """The frames of a recording; None for a message that cannot be a CAN frame. Raises Damage."""
    # What the readers log about odd lines would stand between the lines that faultlamp writes.
    for name in ("can", "asammdf"):
        logging.getLogger(name).addHandler(logging.NullHandler())
    with tempfile.TemporaryDirectory(prefix="faultlamp-") as folder:
        messages = _messages(source, stream, Path(folder))
        while (message := _next(messages, source.format)) is not None:
            yield frame_of(message)


def _next(messages: Iterator[Message], format: str) -> Message | None:
    """The next message, None at the end. Whatever a reader raises over a damaged file becomes Damage."""
    with _quiet_finalizers():
        try:
            return next(messages, None)
        except Damage:
            raise
        except Exception as error:
            reason = printable(f"{type(error).__name__}: {error}", longest=100)
        # The error is gone here, so the reader that it held can go, too.
        gc.collect()
    raise Damage(f"damaged or not a {format} recording ({reason})")


@contextmanager
def _quiet_finalizers() -> Iterator[None]:
    """asammdf's readers raise once more when they are thrown away half made; that would print a traceback."""
    usual = sys.unraisablehook

    def hook(unraisable: sys.UnraisableHookArgs) -> None:
        if not getattr(unraisable.object, "__module__", "").startswith("asammdf"):
            usual(unraisable)

    sys.unraisablehook = hook
    try:
        yield
    finally:
        sys.unraisablehook = usual


def frame_of(message: Message) -> Frame | None:
    """The message as a frame; None when its time, identifier, length or channel is impossible."""
    try:  # a column of a .db file holds values of any type
        can_id, length_code = index(message.arbitration_id), index(message.dlc)
        finite = math.isfinite(message.timestamp)
    except TypeError:
        return None
    if not finite:
        return None
    time_ns = round(message.timestamp * 1e6) * 1000
    channel = "0" if message.channel is None else channel_name(str(message.channel).encode(errors="replace"))
    if message.is_error_frame:
        flags, highest = ERROR, HIGHEST_29_BIT
    elif message.is_extended_id:
        flags, highest = EXTENDED, HIGHEST_29_BIT
    else:
        flags, highest = 0, HIGHEST_11_BIT
    data = b"" if message.is_remote_frame else bytes(message.data)
    if message.is_remote_frame:
        flags |= REMOTE
    if message.is_fd:
        flags |= FD | (BRS if message.bitrate_switch else 0) | (ESI if message.error_state_indicator else 0)
    if message.is_fd:
        whole = len(data) <= 64
    else:  # length codes 9 to 15 mean 8 bytes, too
        whole = len(data) == min(length_code, 8) or message.is_error_frame or message.is_remote_frame
    possible = whole and 0 <= time_ns <= HIGHEST_TIME_NS and 0 <= can_id <= highest
    return Frame(time_ns, channel, can_id, data, flags) if possible and channel is not None else None


def _messages(source: Source, stream: ByteStream, folder: Path) -> Iterator[Message]:
    """What python-can's reader for the format yields; `folder` is for a decompressed copy."""
    import can
    import can.io.mf4

    file: Any
    if source.format in (".db", ".mf4"):
        file = source.path
        if source.compression:
            file = folder / f"recording{source.format}"
            with open(file, "wb") as copy:
                shutil.copyfileobj(stream, copy, 1 << 20)
        if source.format == ".mf4" and vars(can.io.mf4)["asammdf"] is None:
            importlib.reload(can.io.mf4)  # python-can may have been loaded without it (bus.loading)
        with (can.SqliteReader(file) if source.format == ".db" else can.MF4Reader(file)) as reader:
            yield from reader
    elif source.format == ".blf":
        objects: Any = _Objects(stream)
        with can.BLFReader(objects) as blf:
            yield from blf
            if blf.file_size > objects.done:
                raise Damage("cut off")
    else:
        lines: Any = _Lines(stream)
        text_reader = {".asc": can.ASCReader, ".csv": can.CSVReader, ".trc": can.TRCReader}[source.format]
        with text_reader(lines) as text:
            yield from text


class _Lines:
    """The text file that python-can's text readers iterate over, with lines of bounded length."""

    def __init__(self, stream: ByteStream) -> None:
        self._text = io.TextIOWrapper(io.BufferedReader(stream, 1 << 16), encoding="utf-8", errors="replace")

    def __iter__(self) -> Iterator[str]:
        return self

    def __next__(self) -> str:
        line = self._text.readline(LONGEST_LINE + 1)
        if not line:
            raise StopIteration
        if len(line) > LONGEST_LINE or "\0" in line:
            raise Damage("damaged, or no text")
        return line

    def close(self) -> None:
        self._text.close()


class _Objects:
    """The binary file that python-can's .blf reader reads from, with reads of bounded size that are never short."""

    def __init__(self, stream: ByteStream) -> None:
        self._file = io.BufferedReader(stream, 1 << 16)
        self.done = 0

    def read(self, size: int) -> bytes:
        if not 0 <= size <= _LARGEST_OBJECT:
            raise Damage(f"damaged (an object of {size} bytes)")
        data = self._file.read(size)
        self.done += len(data)
        at_end = not data and size == _OBJECT_HEADER
        # Up to three bytes of padding may be missing behind the last object.
        if len(data) < size and size > 3 and not at_end:
            raise Damage("cut off")
        return data

    def close(self) -> None:
        self._file.close()
