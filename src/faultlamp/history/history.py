"""The memory of one job: frames in, and at any moment what is true now and how it got there.

`feed` takes one frame, `feed_block` takes columns of them; both lead to the same history, because the block road only
decides with numpy which frames matter and hands those to the same objects. Nothing here reads a clock: time is what
the frames say, and `advance` says that nothing came until then.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from faultlamp.frames import EXTENDED, Frame, FrameBlock
from faultlamp.history.changes import Change, OnChange, What, ignore_change
from faultlamp.history.controllers import Controller
from faultlamp.history.key_cycles import KeyCycles, speed_column, speed_raw
from faultlamp.history.room import Room
from faultlamp.j1939.diagnostics import CURRENT_METHOD, DM1, DM_BY_PGN, PGN_BY_DM, decode_report
from faultlamp.j1939.identifier import is_j1939, split_identifier
from faultlamp.j1939.identifier_columns import TABLE_SIZE, group_bits, j1939_frames, places_of
from faultlamp.j1939.transport import TRANSPORT_PGNS, Reassembler, TransportCounts

IDENTITY_PGNS = frozenset({65260, 65259, 65242, 64965})
"""Vehicle, component, software and ECU identification (SAE J1939-71): texts, long enough to need transport."""
_LONGEST_IDENTITY = 1785

_DM1_PGN = PGN_BY_DM[DM1]
_TRANSPORT, _DIAGNOSTIC = 1, 2


def _kinds() -> np.ndarray[tuple[int], np.dtype[np.uint8]]:
    """For each of the 2**18 values of identifier bits 8 to 25: does such a frame go to transport or diagnostics?"""
    table = np.zeros(TABLE_SIZE, np.uint8)
    for pgn in TRANSPORT_PGNS:
        table[places_of(pgn)] = _TRANSPORT
    table[list(DM_BY_PGN)] = _DIAGNOSTIC
    return table


_KIND = _kinds()
_KIND_OF = _KIND.tobytes()


@dataclass(frozen=True, slots=True, eq=False)
class Selection:
    """Which frames of a block matter to the history, decided by numpy.

    groups: identifier bits 8 to 25 of every frame, uint32 (n,). engine: rows of the engine's address, ascending.
    protocol: rows of transport and diagnostic frames, ascending.
    """

    groups: npt.NDArray[np.uint32]
    engine: npt.NDArray[np.intp]
    protocol: npt.NDArray[np.intp]

    @classmethod
    def of(cls, block: FrameBlock, engine_address: int) -> Selection:
        """Pick the frames out of a block."""
        j1939 = j1939_frames(block)
        groups = group_bits(block)
        engine = np.flatnonzero(j1939 & (block.can_id & np.uint32(0xFF) == engine_address))
        return cls(groups, engine, np.flatnonzero(j1939 & (_KIND[groups] != 0)))


class History:
    """Faults, lamps and key cycles of every channel.

    engine_address: whose frames make a key cycle. spn_conversion: for a source address, how to read the SPN of codes
    whose CM bit is 1 (1 to 4, see `diagnostics.decode_dtc`). on_change: called with each change as it is found.

    identities: the latest identification text of each channel, source address and group, raw.
    """

    def __init__(
        self,
        *,
        engine_address: int = 0,
        spn_conversion: Mapping[int, int] | None = None,
        on_change: OnChange = ignore_change,
    ) -> None:
        self.engine_address = engine_address
        self.frames = 0
        self.clock_steps = 0
        self.start_ns: int | None = None
        self.end_ns: int | None = None
        self.channels: set[str] = set()
        self.controllers: dict[tuple[str, int], Controller] = {}
        self.key_cycles: dict[str, KeyCycles] = {}
        self.room = Room()
        self._conversion = dict(spn_conversion or {})
        self._on_change = on_change
        self.identities: dict[tuple[str, int, int], bytes] = {}
        self._transport = Reassembler(frozenset(DM_BY_PGN) | IDENTITY_PGNS)

    def feed(self, frame: Frame) -> None:
        """Take one frame, of any kind."""
        self._count(1, frame.time_ns, frame.time_ns)
        self.channels.add(frame.channel)
        if frame.flags != EXTENDED or not is_j1939(frame.can_id):
            return
        word = int.from_bytes(frame.data[:8].ljust(8, b"\xff"), "little")
        if frame.can_id & 0xFF == self.engine_address:
            pgn = split_identifier(frame.can_id).pgn
            self._cycles_of(frame.channel).feed(frame.time_ns, speed_raw(pgn, word))
        kind = _KIND_OF[frame.can_id >> 8 & 0x3FFFF]
        if kind:
            self._feed_protocol(kind, frame.time_ns, frame.channel, frame.can_id, word, len(frame.data))

    def feed_block(self, block: FrameBlock) -> None:
        """Take many frames; where the block starts a stretch, the clock stepped back before it."""
        if block.starts_stretch:
            self.step_back()
        if not len(block):
            return
        self._count(len(block), int(block.time_ns[0]), int(block.time_ns[-1]))
        for index in np.flatnonzero(np.bincount(block.channel)).tolist():
            self.channels.add(block.channels[index])
        chosen = Selection.of(block, self.engine_address)
        self._feed_engine(block, chosen)
        rows = chosen.protocol
        names = block.channels
        for kind, time_ns, channel, can_id, word, length in zip(
            _KIND[chosen.groups[rows]].tolist(), block.time_ns[rows].tolist(), block.channel[rows].tolist(),
            block.can_id[rows].tolist(), block.data[rows].tolist(), block.length[rows].tolist(), strict=True,
        ):
            self._feed_protocol(kind, time_ns, names[channel], can_id, word, length)

    def advance(self, now_ns: int) -> None:
        """Nothing came until `now_ns`: who has been silent too long is silent."""
        for controller in self.controllers.values():
            controller.advance(now_ns)
        for cycles in self.key_cycles.values():
            cycles.advance(now_ns)

    def step_back(self) -> None:
        """The clock stepped back by more than a second: what was open ends at the last time before."""
        self.clock_steps += 1
        if self.end_ns is None:
            return
        self._on_change(Change(self.end_ns, What.CLOCK_STEP, "", self.engine_address))
        self._transport.close_all(self.end_ns)
        for controller in self.controllers.values():
            controller.break_off(self.end_ns)
        for cycles in self.key_cycles.values():
            cycles.break_off(self.end_ns)

    def transport_counts(self) -> TransportCounts:
        """Multi-packet sessions by ending, as of the last frame."""
        return self._transport.counts_at(self.end_ns or 0)

    def _count(self, frames: int, first_ns: int, last_ns: int) -> None:
        self.frames += frames
        if self.start_ns is None:
            self.start_ns = first_ns
        self.end_ns = last_ns

    def _feed_engine(self, block: FrameBlock, chosen: Selection) -> None:
        """Frames of the engine's address, by channel."""
        channels = block.channel[chosen.engine]
        for index in np.flatnonzero(np.bincount(channels)).tolist():
            rows = chosen.engine[channels == index]
            speeds = speed_column(chosen.groups[rows], block.data[rows])
            self._cycles_of(block.channels[index]).feed_columns(block.time_ns[rows], speeds)

    def _feed_protocol(self, kind: int, time_ns: int, channel: str, can_id: int, word: int, length: int) -> None:
        source = can_id & 0xFF
        if kind == _DIAGNOSTIC:
            payload = word.to_bytes(8, "little")[:length]
            self._report(time_ns, channel, source, can_id >> 8 & 0x3FFFF, payload)
            return
        transfer = self._transport.feed(time_ns, channel, can_id, word, length)
        if transfer is None:
            return
        if transfer.pgn == _DM1_PGN:
            self._controller(channel, transfer.source).sending(time_ns)
        if transfer.payload is None:
            return
        if transfer.pgn in IDENTITY_PGNS:
            self.identities[channel, transfer.source, transfer.pgn] = transfer.payload[:_LONGEST_IDENTITY]
        else:
            self._report(time_ns, channel, transfer.source, transfer.pgn, transfer.payload)

    def _report(self, time_ns: int, channel: str, source: int, pgn: int, payload: bytes) -> None:
        report = decode_report(DM_BY_PGN[pgn], payload, self._conversion.get(source, CURRENT_METHOD))
        if report is not None:
            self._controller(channel, source).report(time_ns, report)

    def _controller(self, channel: str, source: int) -> Controller:
        key = channel, source
        controller = self.controllers.get(key)
        if controller is None:
            controller = self.controllers[key] = Controller(channel, source, self.room, self._on_change)
        return controller

    def _cycles_of(self, channel: str) -> KeyCycles:
        cycles = self.key_cycles.get(channel)
        if cycles is None:
            cycles = self.key_cycles[channel] = KeyCycles(channel, self.engine_address, self.room, self._on_change)
        return cycles
