"""The frames that can still be saved: the recent ones of a live bus, or all of a recording.

Rule: of a live bus the newest `MOST_FRAMES` are held, packed; older ones go. While the job is recorded, what is saved
is copied line for line from the recording instead, which has everything, and only the newest `MOST_BESIDE_RECORDING`
are held: they cover what the recording lacks when it ends early. When the clock steps back, what came before it is let
go, since moments no longer tell it apart.

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
from faultlamp.tui.export.packed import PackedBlock
from faultlamp.tui.replay.recording import Recording
from faultlamp.tui.times import NS_PER_S

MOST_FRAMES = 2_400_000
"""Ten minutes of a full bus at 500 kbit/s, about 4,000 frames a second; half an hour of a usual one. Packed, this takes
22 MB where the payloads are random, and less on an engine's bus."""

MOST_BESIDE_RECORDING = 100_000
"""14 s of a full bus at 1 Mbit/s; a recording tells within two seconds or so that the disk refuses."""

_JOIN_FRAMES, _JOIN_BLOCKS = 8192, 128


class Stretch:
    """Frames from one moment to another, both included, as candump log lines. To be gone through once.

    frames: how many lines there were. left_out: frames of which not everything is known. unread: why the beginning,
    which is in a recording that ended early, is missing; empty when it is not.
    """

    def __init__(self) -> None:
        self.frames = 0
        self.left_out = 0
        self.unread = ""

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
    """Of a live bus. recorder: what records it, if anything does. most: frames held; beside: while it is recorded."""

    bad_lines = 0

    def __init__(
        self, recorder: Recorder | None = None, most: int = MOST_FRAMES, beside: int = MOST_BESIDE_RECORDING
    ) -> None:
        self._recorder = recorder
        self._most = most
        self._beside = beside
        self._blocks: deque[PackedBlock] = deque()
        self._new: list[FrameBlock] = []
        self._frames = 0
        self._since_ns: int | None = None

    @property
    def since_ns(self) -> int | None:
        """None while nothing has been let go, or all that was let go is in the recording."""
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
        recorded = self.recording is not None
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
            self._blocks.append(PackedBlock.of(_joined(self._new)))
            self._new.clear()
        while self._frames > (self._beside if recorded else self._most) and self._blocks:
            self._frames -= len(self._blocks.popleft())
            if not recorded:
                self._since_ns = self._oldest_ns

    def stretch(self, from_ns: int, to_ns: int) -> Stretch:
        """Out of the recording while there is one; what came after it ended early is behind it."""
        held = _Held([*self._blocks, *self._new], from_ns, to_ns)
        if self._recorder is None:
            return held
        if self._recorder.error is None:
            self._recorder.flush()
            return _Recorded(self._recorder.paths, from_ns, to_ns)
        oldest_ns = self._oldest_ns
        until_ns = to_ns if oldest_ns is None else min(to_ns, oldest_ns - 1)
        return _RecordedThenHeld(_Recorded(self._recorder.paths, from_ns, until_ns), held)

    @property
    def _oldest_ns(self) -> int | None:
        """The first frame that is held."""
        if self._blocks:
            return self._blocks[0].opens_ns
        return int(self._new[0].time_ns[0]) if self._new else None


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
    def __init__(self, blocks: Sequence[FrameBlock | PackedBlock], from_ns: int, to_ns: int) -> None:
        super().__init__()
        self._blocks = list(blocks)
        self._limits = from_ns, to_ns

    def lines(self) -> Iterator[bytes]:
        from_ns, to_ns = self._limits
        for one in self._blocks:
            if isinstance(one, PackedBlock) and (one.last_ns < from_ns or one.first_ns > to_ns):
                continue
            block = one.block() if isinstance(one, PackedBlock) else one
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


class _RecordedThenHeld(Stretch):
    """Of a recording that ended early. What is held can be saved even where the file can no longer be read."""

    def __init__(self, recorded: _Recorded, held: _Held) -> None:
        super().__init__()
        self._recorded = recorded
        self._held = held

    def lines(self) -> Iterator[bytes]:
        try:
            for line in self._recorded.lines():
                self.frames += 1
                yield line
        except OSError as error:
            self.unread = error.strerror or str(error)
        for line in self._held.lines():
            self.frames += 1
            yield line
        self.left_out = self._held.left_out


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
