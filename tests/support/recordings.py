"""Recordings read to their end, and candump lines to read."""

from pathlib import Path

from faultlamp.capture import Capture
from faultlamp.frames import EXTENDED, FrameBlock

# time_ns, channel, can_id, flags, length, data with 0xFF for bytes that are not there
Row = tuple[int, str, int, int, int, int]


def rows_of(block: FrameBlock) -> list[Row]:
    """The rows of a block as plain numbers, with the channel by name."""
    names = [block.channels[index] for index in block.channel.tolist()]
    return list(zip(
        block.time_ns.tolist(), names, block.can_id.tolist(), block.flags.tolist(), block.length.tolist(),
        block.data.tolist(), strict=True,
    ))


class Whole:
    """A capture read to its end: rows, the row numbers at which a stretch starts, and the counts."""

    def __init__(self, *paths: str | Path, strict: bool = False) -> None:
        capture = Capture([str(path) for path in paths], strict=strict)
        self.rows: list[Row] = []
        self.stretches: list[int] = []
        for block in capture.blocks():
            assert len(block) > 0
            if block.starts_stretch:
                self.stretches.append(len(self.rows))
            self.rows += rows_of(block)
        self.stats = capture.stats
        assert self.stats.frames == len(self.rows)

    @property
    def times_s(self) -> list[float]:
        return [row[0] / 1e9 for row in self.rows]


def log_line(time_s: float, channel: str = "can0", data: str = "0011223344556677") -> str:
    """One candump line of an ordinary frame."""
    return f"({time_s:017.6f}) {channel} 18FECA00#{data}\n"


def row(time_s: float, channel: str = "can0", data: str = "0011223344556677") -> Row:
    """What `log_line` of the same arguments is to be read as."""
    payload = bytes.fromhex(data)
    padded = int.from_bytes(payload.ljust(8, b"\xff"), "little")
    return round(time_s * 1_000_000) * 1000, channel, 0x18FECA00, EXTENDED, len(payload), padded
