"""Many CAN frames as numpy columns: the fast road's unit of work."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from faultlamp.frames.frame import EXTENDED, Frame

_ALL_ONES = (1 << 64) - 1


@dataclass(frozen=True, slots=True, eq=False)
class FrameBlock:
    """Columns of n frames, in the order of the recording.

    time_ns: int64 (n,), nanoseconds.
    channel: int32 (n,), index into `channels`.
    can_id: uint32 (n,), identifier without flag bits.
    flags: uint8 (n,), the flag bits of `Frame`.
    length: uint8 (n,), number of data bytes, at most 8 (of a CAN FD frame only the count is kept, cut to 64).
    data: uint64 (n,), byte 1 in the lowest eight bits; bytes that the frame does not have are 0xFF, which J1939
        reads as 'not available'. Meaningless where `flags` has more than EXTENDED.
    channels: names for `channel`. A later block of the same source may know more names, never other ones.
    starts_stretch: the time stamps stepped back by more than a second just before this block.
    """

    time_ns: npt.NDArray[np.int64]
    channel: npt.NDArray[np.int32]
    can_id: npt.NDArray[np.uint32]
    flags: npt.NDArray[np.uint8]
    length: npt.NDArray[np.uint8]
    data: npt.NDArray[np.uint64]
    channels: tuple[str, ...]
    starts_stretch: bool = False

    def __len__(self) -> int:
        return len(self.time_ns)

    def take(self, which: slice | npt.NDArray[np.intp] | npt.NDArray[np.bool_]) -> FrameBlock:
        """The frames that a slice, index array or mask picks, as a block of the same stretch."""
        return FrameBlock(
            self.time_ns[which], self.channel[which], self.can_id[which], self.flags[which],
            self.length[which], self.data[which], self.channels, self.starts_stretch,
        )

    def rows(self) -> Iterator[Frame]:
        """The J1939 frames and the others, one by one. Data of frames that are not J1939 is not reproduced."""
        columns = zip(
            self.time_ns.tolist(), self.channel.tolist(), self.can_id.tolist(), self.flags.tolist(),
            self.length.tolist(), self.data.tolist(), strict=True,
        )
        for time_ns, channel, can_id, flags, length, data in columns:
            payload = data.to_bytes(8, "little")[:length] if flags == EXTENDED else b""
            yield Frame(time_ns, self.channels[channel], can_id, payload, flags)

    @classmethod
    def from_frames(
        cls, frames: Iterable[Frame], channels: Iterable[str] = (), *, starts_stretch: bool = False
    ) -> FrameBlock:
        """Columns of the frames; names in `channels` keep their index, new ones are appended."""
        index = {name: number for number, name in enumerate(channels)}
        times: list[int] = []
        channel: list[int] = []
        ids: list[int] = []
        flags: list[int] = []
        lengths: list[int] = []
        data: list[int] = []
        for frame in frames:
            times.append(frame.time_ns)
            channel.append(index.setdefault(frame.channel, len(index)))
            ids.append(frame.can_id)
            flags.append(frame.flags)
            lengths.append(len(frame.data))
            known = min(len(frame.data), 8)
            missing = _ALL_ONES >> (8 * known) << (8 * known) if known < 8 else 0
            data.append(int.from_bytes(frame.data[:8], "little") | missing)
        return cls(
            np.array(times, np.int64), np.array(channel, np.int32), np.array(ids, np.uint32),
            np.array(flags, np.uint8), np.array(lengths, np.uint8), np.array(data, np.uint64),
            tuple(index), starts_stretch,
        )
