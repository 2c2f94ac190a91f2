"""The latest payload of every periodic parameter group, and one a second of those before it.

Payloads are kept raw: whoever shows a value decodes it then (`j1939.readings`), so a busy bus costs little. A frame
replaces the sample before it as long as both fall into the same second; that keeps hours of trend in a few megabytes.

A hostile bus can claim every sender and every group, so there is a bound on samples in all: where it is reached each
track gives up the oldest quarter of what it has. What found no room is counted.
"""

from __future__ import annotations

from array import array
from bisect import bisect_right
from collections.abc import Iterable
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from faultlamp.frames import EXTENDED, Frame, FrameBlock
from faultlamp.j1939.identifier import is_j1939, split_identifier
from faultlamp.j1939.identifier_columns import TABLE_SIZE, group_bits, j1939_frames, places_of

MOST_SAMPLES = 36_000
"""Of one track: ten hours."""
MOST_GROUPS = 4096
MOST_SAMPLES_IN_ALL = 16_000_000
"""256 MB. Twenty controllers that each send 22 of the wanted groups for ten hours stay below it."""
_SECOND_NS = 1_000_000_000


class Source(NamedTuple):
    """Who sent a parameter group."""

    channel: str
    source_address: int
    pgn: int


class Sample(NamedTuple):
    """A payload with its time. `word` is little-endian, bytes that the frame lacked are 0xFF."""

    time_ns: int
    word: int

    @property
    def payload(self) -> bytes:
        """The eight bytes."""
        return self.word.to_bytes(8, "little")


class Track:
    """The samples of one parameter group of one sender, oldest first."""

    __slots__ = ("_times", "_words")

    def __init__(self) -> None:
        self._times = array("q")
        self._words = array("Q")

    def __len__(self) -> int:
        return len(self._times)

    def add(self, time_ns: int, word: int) -> bool:
        """The newest sample; False when it replaced the one before, because both fall into the same second."""
        if self._times and self._times[-1] // _SECOND_NS == time_ns // _SECOND_NS:
            self._times[-1], self._words[-1] = time_ns, word
            return False
        self._times.append(time_ns)
        self._words.append(word)
        return True

    def columns(self) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.uint64]]:
        """All samples, oldest first: times int64 (n,) and words uint64 (n,), copies."""
        return np.array(self._times, np.int64), np.array(self._words, np.uint64)

    def drop_oldest_quarter(self) -> int:
        """Forget the oldest quarter, rounded down, so that the latest always stays; returns how many samples went."""
        oldest = len(self._times) // 4
        del self._times[:oldest], self._words[:oldest]
        return oldest

    @property
    def latest(self) -> Sample:
        """The newest sample."""
        return Sample(self._times[-1], self._words[-1])

    def at(self, time_ns: int) -> Sample | None:
        """The newest sample that is not later than `time_ns`."""
        place = bisect_right(self._times, time_ns)
        return Sample(self._times[place - 1], self._words[place - 1]) if place else None

    def since(self, time_ns: int) -> list[Sample]:
        """Samples from `time_ns` on."""
        place = bisect_right(self._times, time_ns - 1)
        return [Sample(*pair) for pair in zip(self._times[place:], self._words[place:], strict=True)]


class LatestValues:
    """Tracks of the wanted parameter groups (single-frame ones), by sender.

    wanted: parameter group numbers; frames of others are passed over. samples: how many are kept now. dropped: how many
    were given up because there is no room for more in all; not those that are merely older than `MOST_SAMPLES`.
    refused: samples of parameter groups for which there was no track left.
    """

    def __init__(self, wanted: Iterable[int]) -> None:
        self.tracks: dict[Source, Track] = {}
        self.samples = 0
        self.dropped = 0
        self.refused = 0
        table = np.zeros(TABLE_SIZE, np.bool_)
        for pgn in wanted:
            table[places_of(pgn)] = True
        self._table = table
        self._wanted = table.tobytes()

    def feed(self, frame: Frame) -> None:
        """Take one frame, of any kind."""
        if frame.flags == EXTENDED and is_j1939(frame.can_id) and self._wanted[frame.can_id >> 8 & 0x3FFFF]:
            word = int.from_bytes(frame.data[:8].ljust(8, b"\xff"), "little")
            self._add(frame.channel, frame.can_id, frame.time_ns, word)

    def feed_block(self, block: FrameBlock) -> None:
        """Take many frames."""
        rows = np.flatnonzero(j1939_frames(block) & self._table[group_bits(block)])
        if not len(rows):
            return
        # Of each run of frames of one identifier within one second, the last is the sample.
        senders = block.channel[rows].astype(np.int64) << 32 | block.can_id[rows]
        order = np.argsort(senders, kind="stable")
        rows, senders = rows[order], senders[order]
        second = block.time_ns[rows] // _SECOND_NS
        last = np.append((senders[1:] != senders[:-1]) | (second[1:] != second[:-1]), True)
        rows = np.sort(rows[last])
        for channel, can_id, time_ns, word in zip(
            block.channel[rows].tolist(), block.can_id[rows].tolist(), block.time_ns[rows].tolist(),
            block.data[rows].tolist(), strict=True,
        ):
            self._add(block.channels[channel], can_id, time_ns, word)

    def _add(self, channel: str, can_id: int, time_ns: int, word: int) -> None:
        fields = split_identifier(can_id)
        source = Source(channel, fields.source, fields.pgn)
        track = self.tracks.get(source)
        if track is None:
            if len(self.tracks) >= MOST_GROUPS:
                self.refused += 1
                return
            track = self.tracks[source] = Track()
        if not track.add(time_ns, word):
            return
        self.samples += 1
        if len(track) > MOST_SAMPLES:
            self.samples -= track.drop_oldest_quarter()
        if self.samples > MOST_SAMPLES_IN_ALL:
            self._make_room()

    def _make_room(self) -> None:
        gone = sum(track.drop_oldest_quarter() for track in self.tracks.values())
        self.samples -= gone
        self.dropped += gone
