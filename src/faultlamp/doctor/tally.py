"""What was heard on a bus in a short while: kinds of frames, who talks, who reports faults.

Pure: frames in, counts out. Faults are the history's; a sender's NAME is what its address-claimed message said
(SAE J1939-81, PGN 60928), which nodes send when they start and when they are asked. Two NAMEs at one address are a
conflict, unless one of them has moved on.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from faultlamp.frames import ERROR, EXTENDED, FD, REMOTE, Frame, FrameBlock
from faultlamp.frames.load import Bits, block_bits
from faultlamp.history.history import History
from faultlamp.history.nodes import Nodes
from faultlamp.j1939.address import Name

_MOST_SENDERS = 1024


@dataclass(frozen=True, slots=True)
class Sender:
    """One source address on one channel.

    frames: J1939 frames heard. active_faults: None when no whole DM1 of it was heard. names: NAMEs claimed for the
    address, in the order heard.
    """

    channel: str
    source_address: int
    frames: int
    active_faults: int | None
    names: tuple[Name, ...]


@dataclass(frozen=True, slots=True)
class Counts:
    """Frames by kind; a remote or CAN FD frame also counts by its identifier. `bits` are those of classic frames."""

    extended: int = 0
    base: int = 0
    remote: int = 0
    fd: int = 0
    errors: int = 0
    bits: Bits = Bits()  # noqa: RUF009 - frozen

    @property
    def frames(self) -> int:
        """All but error frames."""
        return self.extended + self.base


class Tally:
    """Counts frames as they come, in order."""

    def __init__(self) -> None:
        self._history = History()
        self._nodes = Nodes()
        self._channels: tuple[str, ...] = ()
        self._counts = Counts()

    def feed(self, frames: Sequence[Frame]) -> None:
        """Take frames of any kind."""
        if not frames:
            return
        block = FrameBlock.from_frames(frames, self._channels)
        self._channels = block.channels
        self._history.feed_block(block)
        self._nodes.feed_block(block)
        self._count(block)

    @property
    def counts(self) -> Counts:
        """So far."""
        return self._counts

    def senders(self) -> list[Sender]:
        """By channel and source address; who has been silent for long at the last frame has no active fault."""
        if self._history.end_ns is not None:
            self._history.advance(self._history.end_ns)
        senders = []
        for key in sorted(self._nodes.nodes)[:_MOST_SENDERS]:
            controller = self._history.controllers.get(key)
            reports = controller is not None and controller.last_dm1_ns is not None
            senders.append(Sender(
                *key,
                frames=self._nodes.nodes[key].frames,
                active_faults=len(controller.active_faults) if controller is not None and reports else None,
                names=tuple(claim.name for claim in self._nodes.nodes[key].claims),
            ))
        return senders

    def _count(self, block: FrameBlock) -> None:
        flags = block.flags
        real = flags & ERROR == 0
        extended = flags & EXTENDED != 0
        before = self._counts
        self._counts = Counts(
            before.extended + int(np.count_nonzero(real & extended)),
            before.base + int(np.count_nonzero(real & ~extended)),
            before.remote + int(np.count_nonzero(real & (flags & REMOTE != 0))),
            before.fd + int(np.count_nonzero(real & (flags & FD != 0))),
            before.errors + int(np.count_nonzero(~real)),
            before.bits + block_bits(block),
        )
