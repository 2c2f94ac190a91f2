"""Whole blocks of candump text to columns of frames: a pure function, text in, columns and bad lines out.

Lines of the few layouts that make up nearly every log are taken together as columns (`candump_layout`); the others go
one by one through the reference grammar (`candump_lines`). Their order in the text is kept.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from faultlamp.capture.candump_layout import AFTER, BEFORE, Layout, layout_of
from faultlamp.capture.candump_lines import LONGEST_LINE, parse_line
from faultlamp.capture.candump_words import Positions
from faultlamp.frames import FrameBlock

# Lines that are parsed at a time: their columns stay in the processor's cache.
_PIECE = 32_768
# Fewer lines than this are not worth a pass of their own.
_WORTH_A_PASS = 24
# Bounds the search for layouts in text that has none, or too many.
_MOST_LAYOUTS = 32
_SAMPLES = 64

_SKIPPED, _FRAME, _BAD = range(3)
_ALL_ONES = (1 << 64) - 1
_NEWLINE = ord("\n")


@dataclass(frozen=True, slots=True, eq=False)
class ParsedText:
    """What a block of candump text holds.

    frames: one row a frame line, in order; its channel names are this block's own; time 0 where `untimed`.
    untimed: which frames came without a time stamp; None when all have one.
    bad: indices of the lines that are no frame, from 0.
    skipped: indices of blank lines and of explanations below an error frame: neither frames nor bad.
    lines: number of lines, all kinds together.
    ends_in_error_frame: explanations of an error frame may follow in the next block.
    """

    frames: FrameBlock
    untimed: npt.NDArray[np.bool_] | None
    bad: npt.NDArray[np.intp]
    skipped: npt.NDArray[np.intp]
    lines: int
    ends_in_error_frame: bool


def parse_text(text: bytes, *, after_error_frame: bool = False) -> ParsedText:
    """Parse whole lines; only the last may lack its newline.

    `after_error_frame`: `ends_in_error_frame` of the block before this one.
    """
    return _Parser(text, after_error_frame).parsed()


class _Parser:
    """The columns of one text while they fill; row i is line i until `parsed` drops the lines that are no frame."""

    def __init__(self, text: bytes, after_error_frame: bool) -> None:
        ends = np.flatnonzero(np.frombuffer(text, np.uint8) == _NEWLINE)
        if text and not text.endswith(b"\n"):
            ends = np.append(ends, len(text))
        count = len(ends)
        self.text = text
        self.starts: Positions = np.zeros(count, np.int64)
        self.starts[1:] = ends[:-1] + 1
        self.ends: Positions = ends
        self.kind = np.zeros(count, np.uint8)
        self.time_ns = np.empty(count, np.int64)
        self.channel = np.empty(count, np.int32)
        self.can_id = np.empty(count, np.uint32)
        self.flags = np.empty(count, np.uint8)
        self.length = np.empty(count, np.uint8)
        self.data = np.empty(count, np.uint64)
        self.untimed = np.zeros(count, np.bool_)
        self.channels: dict[str, int] = {}
        self.layouts: list[tuple[str, Layout]] = []
        self.error_line = -1 if after_error_frame else -2

    def parsed(self) -> ParsedText:
        count = len(self.starts)
        lines = np.flatnonzero(self.starts != self.ends)
        # The first and last lines lie too near the ends of the text for whole words.
        edges = np.searchsorted(self.starts, (BEFORE, len(self.text) - AFTER + 1))
        first, last = np.searchsorted(lines, edges).tolist()
        last = max(first, last)
        self.one_by_one(lines[:first])
        for low in range(first, last, _PIECE):
            self.one_by_one(self.together(lines[low : min(low + _PIECE, last)]))
        self.one_by_one(lines[last:])

        is_frame = self.kind == _FRAME
        rows = slice(None) if is_frame.all() else np.flatnonzero(is_frame)
        return ParsedText(
            FrameBlock(
                self.time_ns, self.channel, self.can_id, self.flags, self.length, self.data, tuple(self.channels)
            ).take(rows),
            self.untimed[rows] if self.untimed.any() else None,
            np.flatnonzero(self.kind == _BAD),
            np.flatnonzero(self.kind == _SKIPPED),
            count,
            self.error_line == count - 1,
        )

    def together(self, lines: Positions) -> Positions:
        """Read the lines that share a layout with others; returns those that are left, in order."""
        for channel, layout in self.layouts:
            lines = self.take(lines, channel, layout)
        for attempt in range(_SAMPLES):
            if len(lines) < _WORTH_A_PASS or len(self.layouts) == _MOST_LAYOUTS:
                break
            sample = lines[attempt * len(lines) // _SAMPLES]
            found = layout_of(self.text[self.starts[sample] : self.ends[sample]])
            if found is not None and found not in self.layouts:
                self.layouts.append(found)
                lines = self.take(lines, *found)
        return lines

    def take(self, lines: Positions, channel: str, layout: Layout) -> Positions:
        """Read the lines that fit the layout; returns the others."""
        taken = layout.take(self.text, self.starts[lines], self.ends[lines])
        if taken is None:
            return lines
        which, fields = taken
        rows = lines if which is None else lines[which]
        # A slice costs a fraction of an index array.
        target = slice(rows[0], rows[-1] + 1) if rows[-1] - rows[0] == len(rows) - 1 else rows
        self.kind[target] = _FRAME
        if fields.time_ns is None:
            self.time_ns[target] = 0
            self.untimed[target] = True
        else:
            self.time_ns[target] = fields.time_ns
        self.channel[target] = self.channels.setdefault(channel, len(self.channels))
        self.can_id[target] = fields.can_id
        self.flags[target] = fields.flags
        self.length[target] = fields.length
        self.data[target] = fields.data
        return lines[:0] if which is None else np.delete(lines, which)

    def one_by_one(self, lines: Positions) -> None:
        """Read lines, in ascending order, by the reference grammar."""
        rows: list[int] = []
        columns: list[tuple[int, int, int, int, int, int]] = []
        starts, ends = self.starts[lines], np.minimum(self.ends[lines], self.starts[lines] + LONGEST_LINE + 1)
        for line, start, end in zip(lines.tolist(), starts.tolist(), ends.tolist(), strict=True):
            raw = self.text[start:end]
            found = parse_line(raw)
            if found is None:
                blank = not raw.strip()
                explains = not blank and raw.startswith(b"\t") and line == self.error_line + 1
                self.kind[line] = _SKIPPED if blank or explains else _BAD
                if explains:
                    self.error_line = line
                continue
            if found.detail_follows:
                self.error_line = line
            if found.time_ns is None:
                self.untimed[line] = True
            rows.append(line)
            data = found.data[:8]
            columns.append((
                found.time_ns or 0, self.channels.setdefault(found.channel, len(self.channels)), found.can_id,
                found.flags, len(found.data), int.from_bytes(data.ljust(8, b"\xff"), "little"),
            ))
        if rows:
            time_ns, channel, can_id, flags, length, packed = zip(*columns, strict=True)
            self.kind[rows] = _FRAME
            self.time_ns[rows] = time_ns
            self.channel[rows] = channel
            self.can_id[rows] = can_id
            self.flags[rows] = flags
            self.length[rows] = length
            self.data[rows] = np.array(packed, np.uint64)
