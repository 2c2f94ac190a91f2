"""The frames that can still be saved: the recent ones of a live bus, or all of a recording.

Rule: of a live bus the newest `MOST_FRAMES` are held, 26 bytes each; older ones go. While the job is recorded, what is
saved is copied line for line from the recording instead, which has everything. When the clock steps back, what came
before it is let go, since moments no longer tell it apart.

Out of memory, frames of classic CAN are written again exactly as they came. Remote, error and CAN FD frames are held
without their data, so they are left out and counted.
"""

from __future__ import annotations

import io
from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Protocol

import numpy as np

from faultlamp.bus.recorder import Recorder
from faultlamp.capture import format_candump_line
from faultlamp.capture.compression import COMPRESSIONS, ByteStream, Damage
from faultlamp.frames import EXTENDED, Frame, FrameBlock
from faultlamp.tui.replay.recording import Recording
from faultlamp.tui.times import NS_PER_S

MOST_FRAMES = 2_400_000
"""Ten minutes of a full bus at 500 kbit/s, about 4,000 frames a second: 62 MB."""

_JOIN_FRAMES, _JOIN_BLOCKS = 8192, 128


class Stretch:
    """Frames from one moment to another, both included, as candump log lines. To be gone through once.

    frames: how many lines there were. left_out: frames of which not everything is known.
    """

    def __init__(self) -> None:
        self.frames = 0
        self.left_out = 0

    def lines(self) -> Iterator[bytes]:
        """The lines, each with its end."""
        raise NotImplementedError


class Stock(Protocol):
    """What can be saved.

    since_ns: the oldest moment of which everything is there; None: of the whole job. recording: the file that this
    job is recorded to. files, bad_lines: what the job was read from, as the document of the faults names it.
    """

    @property
    def since_ns(self) -> int | None: ...
    @property
    def recording(self) -> str | None: ...
    @property
    def files(self) -> Sequence[str]: ...
    @property
    def bad_lines(self) -> int: ...

    def add(self, blocks: Iterable[FrameBlock]) -> None:
        """The frames that came."""
        ...

    def stretch(self, from_ns: int, to_ns: int) -> Stretch:
        """Those of some time, as they are now; may be gone through in another thread."""
        ...


class RecentFrames:
    """Of a live bus. recorder: what records it, if anything does."""

    bad_lines = 0

    def __init__(self, recorder: Recorder | None = None, most: int = MOST_FRAMES) -> None:
        self._recorder = recorder
        self._most = most
        self._blocks: deque[FrameBlock] = deque()
        self._new: list[FrameBlock] = []
        self._frames = 0
        self._since_ns: int | None = None

    @property
    def since_ns(self) -> int | None:
        """None while nothing has been let go, or all of it is in the recording."""
        return None if self.recording else self._since_ns

    @property
    def recording(self) -> str | None:
        """The file; None also where recording has ended early."""
        recorder = self._recorder
        return recorder.path if recorder is not None and recorder.error is None else None

    @property
    def files(self) -> Sequence[str]:
        """Those of the recording."""
        return [] if self._recorder is None else self._recorder.paths

    def add(self, blocks: Iterable[FrameBlock]) -> None:
        """Hold them, and let the oldest go."""
        for block in blocks:
            if not len(block):
                continue
            if block.starts_stretch and self._frames:
                self._blocks.clear()
                self._new.clear()
                self._frames = 0
                self._since_ns = int(block.time_ns[0])
            self._new.append(block)
            self._frames += len(block)
        if len(self._new) >= _JOIN_BLOCKS or sum(map(len, self._new)) >= _JOIN_FRAMES:
            self._blocks.append(_joined(self._new))
            self._new.clear()
        while self._frames > self._most and self._blocks:
            self._frames -= len(self._blocks.popleft())
            kept = self._blocks[0] if self._blocks else self._new[0] if self._new else None
            self._since_ns = None if kept is None else int(kept.time_ns[0])

    def stretch(self, from_ns: int, to_ns: int) -> Stretch:
        """Out of the recording while there is one."""
        if self._recorder is not None and self._recorder.error is None:
            self._recorder.flush()
            return _Recorded(self._recorder.paths, from_ns, to_ns)
        return _Held([*self._blocks, *self._new], from_ns, to_ns)


class WholeRecording:
    """Of a replay: it is all there. files: its names. bad_lines: lines of it that were no frame."""

    since_ns = None
    recording = None

    def __init__(self, recording: Recording, files: Sequence[str] = (), bad_lines: int = 0) -> None:
        self._recording = recording
        self.files = list(files)
        self.bad_lines = bad_lines

    def add(self, blocks: Iterable[FrameBlock]) -> None:
        """Nothing to do."""

    def stretch(self, from_ns: int, to_ns: int) -> Stretch:
        """Out of memory."""
        return _Held(self._recording.blocks, from_ns, to_ns)


class _Held(Stretch):
    def __init__(self, blocks: Sequence[FrameBlock], from_ns: int, to_ns: int) -> None:
        super().__init__()
        self._blocks = list(blocks)
        self._limits = from_ns, to_ns

    def lines(self) -> Iterator[bytes]:
        from_ns, to_ns = self._limits
        for block in self._blocks:
            within = (block.time_ns >= from_ns) & (block.time_ns <= to_ns)
            known = within & (block.flags & ~np.uint8(EXTENDED) == 0)
            self.left_out += int(np.count_nonzero(within)) - int(np.count_nonzero(known))
            for line in _lines(block.take(known)):
                self.frames += 1
                yield line


class _Recorded(Stretch):
    def __init__(self, paths: Sequence[str], from_ns: int, to_ns: int) -> None:
        super().__init__()
        self._paths = list(paths)
        self._limits = from_ns, to_ns

    def lines(self) -> Iterator[bytes]:
        from_ns, to_ns = self._limits
        for path in self._paths:
            for line in _read(path):
                if line.endswith(b"\n") and from_ns <= _stamp_ns(line) <= to_ns:
                    self.frames += 1
                    yield line


def _lines(block: FrameBlock) -> Iterator[bytes]:
    columns = zip(
        block.time_ns.tolist(), block.channel.tolist(), block.can_id.tolist(), block.flags.tolist(),
        block.length.tolist(), block.data.tolist(), strict=True,
    )
    for time_ns, channel, can_id, flags, length, data in columns:
        payload = data.to_bytes(8, "little")[:length]
        frame = Frame(time_ns, block.channels[channel], can_id, payload, flags)
        yield format_candump_line(frame).encode() + b"\n"


def _read(path: str) -> Iterator[bytes]:
    compression = next((ending for ending in COMPRESSIONS if path.lower().endswith(ending)), "")
    with open(path, "rb") as file, io.BufferedReader(ByteStream(file, compression, lambda _: None)) as stream:
        try:
            yield from stream
        except Damage:
            # The part that is being written just now.
            return


def _stamp_ns(line: bytes) -> int:
    seconds, _, fraction = line[1 : line.index(b")")].partition(b".")
    return int(seconds) * NS_PER_S + int(fraction.ljust(9, b"0"))


def _joined(blocks: Sequence[FrameBlock]) -> FrameBlock:
    """One block; a later one knows all channels of an earlier one."""
    return FrameBlock(
        np.concatenate([block.time_ns for block in blocks]), np.concatenate([block.channel for block in blocks]),
        np.concatenate([block.can_id for block in blocks]), np.concatenate([block.flags for block in blocks]),
        np.concatenate([block.length for block in blocks]), np.concatenate([block.data for block in blocks]),
        max((block.channels for block in blocks), key=len), blocks[0].starts_stretch,
    )


def notes_name(recording: str) -> tuple[str, str]:
    """Stem and ending of the notes beside a recording: `jobs/pump.log.gz` has `jobs/pump-notes.txt`."""
    path = Path(recording)
    while path.suffix.lower() in (*COMPRESSIONS, ".log"):
        path = path.with_suffix("")
    return f"{path}-notes", ".txt"
