"""Two recordings held against each other: what became of every fault and lamp.

Rule: a fault is a pair of SPN and FMI of one source address (SAE J1939-73, section 5.7.1), on channels that belong
together. Active in BEFORE and not in AFTER it went, the other way round it came; active in both it stayed, or was
cleared when AFTER shows DM1s without it since. A controller that sent no DM1 in AFTER is not heard: nothing is known.
Addresses are not followed through address claims: a controller that moved is not heard at its old address.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise

from faultlamp.compare.channels import ChannelPair, match_channels
from faultlamp.compare.evidence import Doubt, Evidence, Witness
from faultlamp.compare.story import Heard, Story
from faultlamp.history.controllers import Controller, Fault, FaultState
from faultlamp.history.spans import EndReason
from faultlamp.j1939.diagnostics import Lamp, LampState

_NOT_OVER = {6, 12}


class Became(StrEnum):
    """What became of a fault."""

    STAYED = "stayed"
    CLEARED = "cleared"
    WENT = "went"
    NOT_HEARD = "not_heard"
    CAME = "came"
    STORED_ONLY = "stored_only"


class How(StrEnum):
    """The circumstances: how AFTER ends for the fault."""

    ACTIVE_AT_END = "active_at_end"
    SILENT = "silent"
    CLEARED = "cleared"
    NOT_LISTED = "not_listed"
    PREVIOUSLY_ACTIVE = "previously_active"
    OTHERWISE_REPORTED = "otherwise_reported"


@dataclass(frozen=True, slots=True)
class Side:
    """A fault in one of the recordings. fault: None where no message of it names it. active: its spans."""

    fault: Fault | None
    state: FaultState | None
    active: list[Heard]
    evidence: Evidence


@dataclass(frozen=True, slots=True)
class FaultChange:
    """One fault in both recordings.

    doubts: for those that went or were cleared, why that proves no repair. intermittent: it was cleared
    and came again within AFTER. known_before: one that came and that BEFORE names, though never as active.
    """

    pair: ChannelPair
    source_address: int
    spn: int
    fmi: int
    became: Became
    how: How | None
    doubts: list[Doubt]
    intermittent: bool
    known_before: bool
    before: Side
    after: Side

    @property
    def proven(self) -> bool:
        """It went, or was cleared, and AFTER is proof of it."""
        return self.became in (Became.WENT, Became.CLEARED) and not self.doubts


@dataclass(frozen=True, slots=True)
class LampSide:
    """A lamp in one of the recordings: what the last DM1 asked, and how long it asked for light."""

    last: LampState
    lit_ns: int
    heard_ns: int


@dataclass(frozen=True, slots=True)
class LampChange:
    """One lamp of one sender; None where it sent no DM1."""

    pair: ChannelPair
    source_address: int
    lamp: Lamp
    before: LampSide | None
    after: LampSide | None


@dataclass(frozen=True, slots=True)
class Comparison:
    """All of it. faults by channel, source address, SPN, FMI; lamps by channel, source address, lamp."""

    before: Story
    after: Story
    channels: list[ChannelPair]
    faults: list[FaultChange]
    lamps: list[LampChange]

    def count(self, became: Became) -> int:
        """How many faults this became of."""
        return sum(fault.became is became for fault in self.faults)


def compare(before: Story, after: Story, given: Sequence[tuple[str, str]] = ()) -> Comparison:
    """Hold two whole recordings against each other.

    given: pairs of channel names, of BEFORE and AFTER. Raises CaptureError where they are not there.
    """
    before.finish()
    after.finish()
    channels = match_channels(before.history.channels, after.history.channels, given)
    faults: list[FaultChange] = []
    lamps: list[LampChange] = []
    for pair, address in _senders(before, after, channels):
        sender = _Sender(before, after, pair, address)
        faults += sender.faults()
        lamps += sender.lamps()
    return Comparison(before, after, channels, faults, lamps)


def _senders(before: Story, after: Story, channels: Sequence[ChannelPair]) -> Iterator[tuple[ChannelPair, int]]:
    there = {"before": before.history.controllers, "after": after.history.controllers}
    for pair in channels:
        addresses = {address for channel, address in there["before"] if channel == pair.before}
        addresses |= {address for channel, address in there["after"] if channel == pair.after}
        for address in sorted(addresses):
            yield pair, address


class _Sender:
    """One controller in both recordings."""

    def __init__(self, before: Story, after: Story, pair: ChannelPair, address: int) -> None:
        self._pair, self._address = pair, address
        self._sides = [
            _SenderSide(story, channel, address) for story, channel in ((before, pair.before), (after, pair.after))
        ]

    def faults(self) -> Iterator[FaultChange]:
        """By SPN and FMI."""
        pairs = {pair for side in self._sides if side.controller for pair in side.controller.faults}
        changes = [self._fault(spn, fmi) for spn, fmi in sorted(pairs)]
        # What is not in order yet, by SPN: that it fails in another way now repairs nothing.
        failing = {change.spn for change in changes if change.became in (Became.CAME, Became.STAYED)}
        for change in changes:
            if change.spn in failing and change.became in (Became.WENT, Became.CLEARED):
                change.doubts.append(Doubt.OTHER_FMI)
            yield change

    def lamps(self) -> Iterator[LampChange]:
        """Those that either recording has."""
        for lamp in Lamp:
            if any(side.has(lamp) for side in self._sides):
                before, after = (side.lamp(lamp) for side in self._sides)
                yield LampChange(self._pair, self._address, lamp, before, after)

    def _fault(self, spn: int, fmi: int) -> FaultChange:
        before, after = (side.fault(spn, fmi) for side in self._sides)
        became = self._became(before, after)
        doubts: list[Doubt] = []
        if became in (Became.WENT, Became.CLEARED):
            if after.evidence.came_anew or _intermittent(after):
                doubts.append(Doubt.CAME_AGAIN)
            doubts += after.evidence.doubts()
            if _still_reported(after):
                doubts.append(Doubt.STILL_REPORTED)
        return FaultChange(
            self._pair, self._address, spn, fmi, became, _how(became, after), doubts, _intermittent(after),
            became is Became.CAME and before.fault is not None, before, after,
        )

    def _became(self, before: Side, after: Side) -> Became:
        if before.active and after.active:
            return Became.CLEARED if _gone_since(after) else Became.STAYED
        if after.active:
            return Became.CAME
        if before.active:
            return Became.WENT if self._sides[1].witness.heard else Became.NOT_HEARD
        return Became.STORED_ONLY


class _SenderSide:
    """One controller in one recording; empty where the channel is not there."""

    def __init__(self, story: Story, channel: str | None, address: int) -> None:
        self._story = story
        self.controller: Controller | None = (
            None if channel is None else story.history.controllers.get((channel, address))
        )
        self.witness = Witness(story, channel or "", address)

    def fault(self, spn: int, fmi: int) -> Side:
        """The fault, as far as it is there."""
        controller = self.controller
        fault = controller.faults.get((spn, fmi)) if controller is not None else None
        if controller is None or fault is None:
            return Side(None, None, [], self.witness.about([]))
        active = self._story.active(controller, spn, fmi)
        return Side(fault, controller.state_of(fault), active, self.witness.about(active))

    def has(self, lamp: Lamp) -> bool:
        """Whether the controller ever said anything of this lamp."""
        return self.controller is not None and any(
            span.state is not LampState.NOT_AVAILABLE for span in self.controller.lamp_spans[lamp]
        )

    def lamp(self, lamp: Lamp) -> LampSide | None:
        """The lamp, None where no DM1 came."""
        spans = self.controller.lamp_spans[lamp] if self.controller is not None else []
        if self.controller is None or self.controller.last_dm1_ns is None or not spans:
            return None
        last_ns = self.controller.last_dm1_ns
        lengths = [
            (span.state.lit, (last_ns if span.end_ns is None else span.end_ns) - span.start_ns) for span in spans
        ]
        return LampSide(
            spans[-1].state, sum(length for lit, length in lengths if lit), sum(length for _, length in lengths)
        )


def _gone_since(side: Side) -> bool:
    """The last word on a fault that was active: a DM1 without it."""
    last = side.fault.spans[-1] if side.fault is not None else None
    return last is not None and not last.open and (last.reason is EndReason.CLEARED or side.evidence.heard_since)


def _how(became: Became, after: Side) -> How | None:
    if became in (Became.STAYED, Became.CAME, Became.CLEARED):
        if after.state is FaultState.ACTIVE:
            return How.ACTIVE_AT_END
        return How.CLEARED if _gone_since(after) else How.SILENT
    if became is Became.WENT:
        if after.state is FaultState.PREVIOUSLY_ACTIVE:
            return How.PREVIOUSLY_ACTIVE
        return How.OTHERWISE_REPORTED if after.fault is not None else How.NOT_LISTED
    return None


def _still_reported(after: Side) -> bool:
    """Pending in DM6, or active and emission-related in DM12 (SAE J1939-73, sections 5.7.6 and 5.7.12, from memory)."""
    return after.fault is not None and bool(after.fault.reported_in & _NOT_OVER)


def _intermittent(after: Side) -> bool:
    """It was cleared, and came again; breaks of the key cycle do not count."""
    if after.fault is None:
        return False
    return any(earlier.reason is EndReason.CLEARED for earlier, _ in pairwise(after.fault.spans))
