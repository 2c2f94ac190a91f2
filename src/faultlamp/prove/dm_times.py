"""When each controller's DM1 and DM2 were complete, and whether they said anything new.

Rule: SAE J1939-73, section 5.7.1. A DM1 is sent once a second, and at once when the list changes. A multi-packet one
says what it says at the packet that completes it, and began with its announcement (SAE J1939-21, section 5.10).
"""

from __future__ import annotations

from array import array
from dataclasses import dataclass, field

import numpy as np

from faultlamp.frames import FrameBlock
from faultlamp.j1939.diagnostics import DM1, DM2, PGN_BY_DM
from faultlamp.j1939.identifier_columns import NO_GROUP, TRANSPORT, GroupTable
from faultlamp.j1939.transport import BAM, ETP_CM, ETP_RTS, RTS, TP_CM, Reassembler

MOST_TIMES = 5_000_000
"""Messages whose times are kept, of all controllers together."""

_DMS = (DM1, DM2)
_ANNOUNCEMENTS = frozenset({BAM, RTS, ETP_RTS})
_CONTROL_FORMATS = frozenset({TP_CM >> 8, ETP_CM >> 8})
_PGNS = tuple(PGN_BY_DM[dm] for dm in _DMS)


@dataclass(slots=True)
class Times:
    """The messages of one kind of one controller.

    time_ns: when each was complete. began_ns: when its first frame came. news: 1 where the bytes differ from those of
    the one before. last: the latest bytes.
    """

    time_ns: array[int] = field(default_factory=lambda: array("q"))
    began_ns: array[int] = field(default_factory=lambda: array("q"))
    news: bytearray = field(default_factory=bytearray)
    last: bytes | None = None


class DmTimes:
    """Blocks in, times out. refused: messages that found no room."""

    def __init__(self) -> None:
        self.refused = 0
        self._times: dict[tuple[str, int, int], Times] = {}
        self._table = GroupTable(_PGNS)
        self._transport = Reassembler(frozenset(_PGNS))
        self._kept = 0
        # When the transfer under way was announced, by channel, source, destination and group.
        self._announced: dict[tuple[str, int, int, int], int] = {}

    def feed_block(self, block: FrameBlock) -> None:
        """Take many frames."""
        if block.starts_stretch:
            self._transport.close_all(0)
        group = self._table.find(block)
        rows = np.flatnonzero(group != NO_GROUP)
        for place, time_ns, channel, can_id, word, length in zip(
            group[rows].tolist(), block.time_ns[rows].tolist(), block.channel[rows].tolist(),
            block.can_id[rows].tolist(), block.data[rows].tolist(), block.length[rows].tolist(), strict=True,
        ):
            name = block.channels[channel]
            if place != TRANSPORT:
                payload = word.to_bytes(8, "little")[:length]
                self._note(time_ns, time_ns, name, can_id & 0xFF, _DMS[place], payload)
                continue
            transfer = self._transport.feed(time_ns, name, can_id, word, length)
            if transfer is None:
                continue
            key = name, transfer.source, transfer.destination, transfer.pgn
            if transfer.payload is not None:
                began_ns = self._announced.pop(key, time_ns)
                dm = _DMS[_PGNS.index(transfer.pgn)]
                self._note(time_ns, began_ns, name, transfer.source, dm, transfer.payload)
            elif can_id >> 16 & 0xFF in _CONTROL_FORMATS and word & 0xFF in _ANNOUNCEMENTS:
                self._announced[key] = time_ns

    def of(self, dm: int, channel: str, address: int) -> Times:
        """The messages of one kind of one controller."""
        return self._times.get((channel, address, dm), Times())

    def under_way(self, dm: int, channel: str, address: int) -> int:
        """When the latest message that is not complete was announced; 0 where there is none."""
        return max((
            time_ns for (name, source, _, pgn), time_ns in self._announced.items()
            if (name, source, pgn) == (channel, address, PGN_BY_DM[dm])
        ), default=0)

    def channels(self, dm: int, address: int) -> list[str]:
        """Where that controller sent messages of that kind."""
        return sorted(channel for channel, sender, kind in self._times if (sender, kind) == (address, dm))

    def _note(self, time_ns: int, began_ns: int, channel: str, address: int, dm: int, payload: bytes) -> None:
        if len(payload) < 2:
            return  # too short for the lamps: no message of the DM family
        if self._kept >= MOST_TIMES:
            self.refused += 1
            return
        self._kept += 1
        times = self._times.setdefault((channel, address, dm), Times())
        times.time_ns.append(time_ns)
        times.began_ns.append(began_ns)
        times.news.append(times.last is not None and times.last != payload)
        times.last = payload
