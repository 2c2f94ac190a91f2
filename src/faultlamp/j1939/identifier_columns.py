"""The identifiers of a whole block of frames, looked at all at once.

Rule: what `identifier` says of one frame (SAE J1939-21, section 5.2). Bits 8 to 25 are looked up as they are: of an
addressed group (PDU1) they hold the destination too, so such a group stands in a table 256 times.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from faultlamp.frames import EXTENDED, FrameBlock
from faultlamp.j1939.identifier import is_addressed
from faultlamp.j1939.transport import TRANSPORT_PGNS

TABLE_SIZE = 1 << 18
"""How many values bits 8 to 25 can have."""

NO_GROUP, TRANSPORT = -1, -2
"""What `GroupTable.find` says of frames that carry none of its groups, and of those that carry parts of messages."""

_EDP_AND_DP = np.uint32(0x03000000)


def j1939_frames(block: FrameBlock) -> npt.NDArray[np.bool_]:
    """Which frames are J1939 ones, bool (n,): data frames with a 29-bit identifier, without those of ISO 15765-3."""
    found: npt.NDArray[np.bool_] = (block.flags == EXTENDED) & (block.can_id & _EDP_AND_DP != _EDP_AND_DP)
    return found


def group_bits(block: FrameBlock) -> npt.NDArray[np.uint32]:
    """Bits 8 to 25 of every identifier, uint32 (n,)."""
    return block.can_id >> np.uint32(8) & np.uint32(TABLE_SIZE - 1)


def places_of(pgn: int) -> slice:
    """Where the group stands in a table of TABLE_SIZE places."""
    return slice(pgn, pgn + (256 if is_addressed(pgn) else 1))


class RowsByKey(NamedTuple):
    """What rows with the same key have in common, each (k,): the key, ascending; its first and last row; how many."""

    keys: npt.NDArray[np.int64]
    first: npt.NDArray[np.intp]
    last: npt.NDArray[np.intp]
    counts: npt.NDArray[np.intp]


def rows_by_key(keys: npt.NDArray[np.int64]) -> RowsByKey:
    """The rows of a block put together by a key, int64 (n,), for instance of channel and sender."""
    distinct, first, counts = np.unique(keys, return_index=True, return_counts=True)
    last = len(keys) - 1 - np.unique(keys[::-1], return_index=True)[1]
    return RowsByKey(distinct, first, last, counts)


class GroupTable:
    """Finds frames of the wanted groups. pgns: at most 32768 of them, told as their places in this list."""

    def __init__(self, pgns: Sequence[int]) -> None:
        self._places = np.full(TABLE_SIZE, NO_GROUP, np.int16)
        for pgn in TRANSPORT_PGNS:
            self._places[places_of(pgn)] = TRANSPORT
        for place, pgn in enumerate(pgns):
            self._places[places_of(pgn)] = place

    def find(self, block: FrameBlock) -> npt.NDArray[np.int16]:
        """Of every frame the place of its group, TRANSPORT or NO_GROUP, int16 (n,)."""
        found = self._places[group_bits(block)]
        found[~j1939_frames(block)] = NO_GROUP
        return found
