"""One recording as blocks of frames: whatever its format, times filled in, divided where the clock steps back.

A time stamp more than one second below the one before it starts a new stretch; smaller steps back are taken as they
are. A frame without a time stamp is one millisecond after the frame before it, the first at 0.
"""

from __future__ import annotations

import codecs
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from faultlamp.capture.candump_blocks import ParsedText, parse_text
from faultlamp.capture.candump_text import text_blocks
from faultlamp.capture.compression import ByteStream, Damage
from faultlamp.capture.formats import library_frames
from faultlamp.capture.merge import divide
from faultlamp.capture.opening import CANDUMP_FORMAT, LIBRARY_FORMATS, Source
from faultlamp.capture.stats import CaptureStats
from faultlamp.errors import CaptureError
from faultlamp.frames import Frame, FrameBlock
from faultlamp.text import printable

STEP_NS = 1_000_000_000
UNTIMED_SPACING_NS = 1_000_000
MOST_CHANNELS = 256

_LIBRARY_BLOCK = 16_384


class Recording:
    """The frames of one source, in the order they lie there; counts go to `stats`, bytes read to `on_read`.

    after_ns: time of the frame before, when the source is a later piece of a file.
    """

    def __init__(
        self,
        source: Source,
        stats: CaptureStats,
        strict: bool,
        on_read: Callable[[int], None],
        after_ns: int | None = None,
    ) -> None:
        self._source = source
        self._stats = stats
        self._strict = strict
        self._on_read = on_read
        self._bytes = 0
        self._frames = 0
        self._lines = 0
        self._bad = 0
        self._untimed = False
        self._last_ns = after_ns
        self._channels: dict[str, int] = {}

    def blocks(self) -> Iterator[FrameBlock]:
        """Blocks that are not empty; each step back of the clock begins one. Raises CaptureError."""
        if self._source.size == 0:
            return
        read = self._library if self._source.by_library else self._candump
        try:
            with self._source.open(self._count_bytes) as stream:
                for frames in read(stream):
                    if len(frames):
                        yield from self._in_stretches(frames)
            # Readers that open the file themselves read past our count.
            self._count_bytes((self._source.size or self._bytes) - self._bytes)
        except Damage as damage:
            raise CaptureError(
                f"{self._source.name}: {damage} after {self._frames} readable frames; "
                "check that its suffix says its format, or get a complete copy"
            ) from damage
        if not self._frames and not self._source.piece and (self._bad or self._source.by_library):
            self._stats.warnings.append(no_frame_warning(self._source))

    def _candump(self, stream: ByteStream) -> Iterator[FrameBlock]:
        after_error_frame = False
        for number, text in enumerate(text_blocks(stream)):
            parsed = parse_text(text, after_error_frame=after_error_frame)
            after_error_frame = parsed.ends_in_error_frame
            opening = number == 0 and not self._source.first and self._source.format != CANDUMP_FORMAT
            if opening and not len(parsed.frames) and _is_binary(text):
                raise CaptureError(
                    f"{self._source.name}: unknown format; candump logs are text, and "
                    f"{' '.join(LIBRARY_FORMATS)} are told by their suffix"
                )
            frames, untimed, bad = self._name_channels(parsed)
            if len(bad) and self._strict:
                line = int(bad[0])
                shown = printable(text.split(b"\n", line + 1)[line], longest=60)
                raise CaptureError(
                    f"{self._source.name}: line {self._lines + line + 1} is not a CAN frame: {shown}; "
                    "mend it, or leave out --strict to skip such lines"
                )
            self._count_bad(len(bad))
            self._lines += parsed.lines
            yield frames if untimed is None else self._timed(frames, untimed)

    def _library(self, stream: ByteStream) -> Iterator[FrameBlock]:
        frames: list[Frame] = []
        damage: Damage | None = None
        try:
            for frame in library_frames(self._source, stream):
                self._lines += 1
                if frame is not None and self._channel(frame.channel) >= 0:
                    frames.append(frame)
                    if len(frames) == _LIBRARY_BLOCK:
                        yield FrameBlock.from_frames(frames, self._channels)
                        frames = []
                elif self._strict:
                    raise CaptureError(
                        f"{self._source.name}: message {self._lines} is not a CAN frame; "
                        "leave out --strict to skip such messages"
                    )
                else:
                    self._count_bad(1)
        except Damage as found:
            damage = found
        yield FrameBlock.from_frames(frames, self._channels)
        if damage is not None:
            raise damage

    def _channel(self, name: str) -> int:
        """The number of a channel in this recording; -1 for a new one when there are too many."""
        if name not in self._channels and len(self._channels) < MOST_CHANNELS:
            self._channels[name] = len(self._channels)
        return self._channels.get(name, -1)

    def _count_bytes(self, count: int) -> None:
        self._bytes += count
        self._on_read(count)

    def _count_bad(self, count: int) -> None:
        self._bad += count
        self._stats.bad_lines += count

    def _name_channels(
        self, parsed: ParsedText
    ) -> tuple[FrameBlock, npt.NDArray[np.bool_] | None, npt.NDArray[np.intp]]:
        """The frames with this recording's channel numbers, which of them are untimed, and the bad lines.

        Lines that name one channel too many are bad lines.
        """
        frames, untimed, bad = parsed.frames, parsed.untimed, parsed.bad
        names: Sequence[int] = range(len(frames.channels))
        if len(self._channels) + len(names) > MOST_CHANNELS:
            # Not all may find room: who comes first in the text is served first.
            first_row = np.zeros(len(names), np.intp)
            first_row[frames.channel[::-1]] = np.arange(len(frames))[::-1]
            names = np.argsort(first_row).tolist()
        number = np.full(len(frames.channels), -1, np.int32)
        for name in names:
            number[name] = self._channel(frames.channels[name])
        if (number < 0).any():
            kept = number[frames.channel] >= 0
            line_of_frame = np.delete(np.arange(parsed.lines), np.concatenate((bad, parsed.skipped)))
            bad = np.sort(np.concatenate((bad, line_of_frame[~kept])))
            frames = frames.take(kept)
            untimed = None if untimed is None else untimed[kept]
        if len(frames):
            frames = replace(frames, channel=number[frames.channel], channels=tuple(self._channels))
        return frames, untimed, bad

    def _timed(self, frames: FrameBlock, untimed: npt.NDArray[np.bool_]) -> FrameBlock:
        """The frames with times for those that have none."""
        if untimed.any() and not self._untimed:
            self._untimed = self._stats.untimed = True
            self._stats.warnings.append(
                f"{self._source.name}: has lines without a time stamp; their frames are taken 1 ms apart"
            )
        row = np.arange(len(frames))
        anchor = np.maximum.accumulate(np.where(untimed, -1, row))
        before = -UNTIMED_SPACING_NS if self._last_ns is None else self._last_ns
        known = np.where(anchor < 0, before, frames.time_ns[anchor])
        return replace(frames, time_ns=known + (row - anchor) * UNTIMED_SPACING_NS)

    def _in_stretches(self, frames: FrameBlock) -> Iterator[FrameBlock]:
        """Divide the frames, none of them yet delivered, where the clock steps back."""
        before = np.empty_like(frames.time_ns)
        before[0] = frames.time_ns[0] if self._last_ns is None else self._last_ns
        before[1:] = frames.time_ns[:-1]
        steps = np.flatnonzero(before - frames.time_ns > STEP_NS)
        self._stats.clock_steps += len(steps)
        self._last_ns = int(frames.time_ns[-1])
        for block in divide(frames, steps):
            self._frames += len(block)
            self._stats.frames += len(block)
            yield block


def no_frame_warning(source: Source) -> str:
    """What to say of a recording in which nothing is a frame."""
    kind = f"{source.format} recording" if source.by_library else "candump log"
    return f"{source.name}: no CAN frame in it; is it a {kind}?"


def _is_binary(text: bytes) -> bool:
    """Whether the text, which may end inside a character, holds what text does not hold."""
    if b"\0" in text:
        return True
    try:
        codecs.getincrementaldecoder("utf-8")().decode(text)
    except UnicodeDecodeError:
        return True
    return False
