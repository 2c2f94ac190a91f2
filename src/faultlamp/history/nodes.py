"""Who is on the bus: each source address with when it was heard, how often, and which NAMEs were claimed for it.

Rule: SAE J1939-81, section 4.2 (section from memory). A node says with its address claimed message (PGN 60928) which
NAME sits at an address, when it starts and when it is asked; from address 254 the same message says that it found
none. Two NAMEs that stay at one address are a conflict; one that claims another address afterwards has moved on.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from faultlamp.frames import EXTENDED, Frame, FrameBlock
from faultlamp.j1939.address import NAME_BYTES, Name
from faultlamp.j1939.identifier import is_j1939
from faultlamp.j1939.identifier_columns import j1939_frames, rows_by_key

NO_ADDRESS = 254
"""Source address of a node that has none."""

MOST_NAMES = 4
"""NAMEs that are kept for one address, the first ones."""

_NS_PER_S = 1_000_000_000
_RATE_OVER_NS = 2 * _NS_PER_S
_CLAIM_FORMAT = 0xEE
# Data page, extended data page and format of the identifier: the low byte of the group is a destination here.
_CLAIM_MASK = 0x03FF0000


@dataclass(slots=True)
class Claim:
    """A NAME that was claimed for an address, the first and the last time."""

    name: Name
    first_ns: int
    last_ns: int


@dataclass(slots=True)
class Node:
    """One source address on one channel. claims: NAMEs claimed for it, in the order heard; `MOST_NAMES` at most."""

    channel: str
    source_address: int
    first_ns: int
    last_ns: int
    frames: int
    claims: list[Claim] = field(default_factory=list)
    # The rate is taken from block to block, so it depends on how the frames were cut: no part of who this is.
    _since_ns: int = field(default=0, compare=False)
    _since_frames: int = field(default=0, compare=False)
    _rate: float | None = field(default=None, compare=False)

    @property
    def interval_ns(self) -> int | None:
        """Mean time between its frames; None after the first one."""
        return (self.last_ns - self.first_ns) // (self.frames - 1) if self.frames > 1 else None

    @property
    def rate_per_s(self) -> float | None:
        """Frames a second over the last two in which it was heard; None until it can be told."""
        return self._rate

    def add(self, last_ns: int, frames: int) -> None:
        """Some more frames of it, the last one at `last_ns`."""
        self.last_ns = last_ns
        self.frames += frames
        passed_ns = last_ns - self._since_ns
        if not self._since_frames or passed_ns < 0:
            self._since_ns, self._since_frames = last_ns, self.frames
        elif passed_ns >= _RATE_OVER_NS:
            self._rate = (self.frames - self._since_frames) * _NS_PER_S / passed_ns
            self._since_ns, self._since_frames = last_ns, self.frames


class Nodes:
    """All nodes heard, by channel and source address."""

    def __init__(self) -> None:
        self.nodes: dict[tuple[str, int], Node] = {}

    def feed(self, frame: Frame) -> None:
        """Take one frame, of any kind."""
        if frame.flags == EXTENDED and is_j1939(frame.can_id):
            self._heard(frame.channel, frame.can_id & 0xFF, frame.time_ns, frame.time_ns, 1)
            if frame.can_id & _CLAIM_MASK == _CLAIM_FORMAT << 16 and len(frame.data) == NAME_BYTES:
                self._claimed(frame.channel, frame.can_id & 0xFF, frame.time_ns, frame.data)

    def feed_block(self, block: FrameBlock) -> None:
        """Take many frames."""
        j1939 = j1939_frames(block)
        times = block.time_ns[j1939]
        keys = block.channel[j1939].astype(np.int64) << 8 | block.can_id[j1939] & np.uint32(0xFF)
        rows = rows_by_key(keys)
        for key, first_ns, last_ns, count in zip(
            rows.keys.tolist(), times[rows.first].tolist(), times[rows.last].tolist(), rows.counts.tolist(), strict=True
        ):
            self._heard(block.channels[key >> 8], key & 0xFF, first_ns, last_ns, count)
        claims = j1939 & (block.can_id & np.uint32(_CLAIM_MASK) == np.uint32(_CLAIM_FORMAT << 16))
        for row in np.flatnonzero(claims & (block.length == NAME_BYTES)).tolist():
            payload = int(block.data[row]).to_bytes(NAME_BYTES, "little")
            channel = block.channels[int(block.channel[row])]
            self._claimed(channel, int(block.can_id[row]) & 0xFF, int(block.time_ns[row]), payload)

    def rivals(self, node: Node) -> list[Claim]:
        """The claims of those that share its address: two or more, or none where there is no conflict."""
        if len(node.claims) < 2 or node.source_address == NO_ADDRESS:
            return []
        stayed = [claim for claim in node.claims if not self._moved(node, claim)]
        return stayed if len(stayed) > 1 else []

    def _moved(self, node: Node, claim: Claim) -> bool:
        """Whether that NAME has claimed another address since."""
        return any(
            other.name == claim.name and other.last_ns > claim.last_ns
            for (channel, address), there in self.nodes.items()
            if channel == node.channel and address != node.source_address
            for other in there.claims
        )

    def _heard(self, channel: str, address: int, first_ns: int, last_ns: int, frames: int) -> None:
        node = self.nodes.get((channel, address))
        if node is None:
            node = self.nodes[channel, address] = Node(channel, address, first_ns, first_ns, 0)
            node.add(first_ns, 1)
            frames -= 1
        if frames:
            node.add(last_ns, frames)

    def _claimed(self, channel: str, address: int, time_ns: int, payload: bytes) -> None:
        claims = self.nodes[channel, address].claims
        name = Name.from_bytes(payload)
        known = next((claim for claim in claims if claim.name == name), None)
        if known is not None:
            known.last_ns = time_ns
        elif len(claims) < MOST_NAMES:
            claims.append(Claim(name, time_ns, time_ns))
