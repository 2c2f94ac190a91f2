"""One of the two recordings: its history, and in which stretches of its clock everything happened.

Rule, common practice, no source: who says nothing has no opinion. That a fault is absent is known only while its
controller sends DM1 (SAE J1939-73, section 5.7.1: once a second, with or without a fault), and every DM1 speaks for all
four lamps; so the spans of a lamp, one after the other, are the times in which the controller was heard.

A clock that steps back makes times ambiguous. Every span and key cycle therefore carries the number of its stretch.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from faultlamp.frames import FrameBlock
from faultlamp.history.changes import Change, What
from faultlamp.history.controllers import Controller
from faultlamp.history.history import History
from faultlamp.history.key_cycles import NO_SPEED
from faultlamp.history.spans import SILENCE_NS
from faultlamp.j1939.diagnostics import Lamp

_ANY_LAMP = Lamp.MALFUNCTION_INDICATOR
_Place = tuple[str, int]


class Heard(NamedTuple):
    """A time from `start_ns` to `end_ns`, both included, in one stretch of the clock."""

    stretch: int
    start_ns: int
    end_ns: int

    def surely_within(self, stretch: int, start_ns: int, end_ns: int) -> bool:
        """Whether a DM1 of this time, of which only the first, the last and the 5 s rule are known, lies between."""
        if self.stretch != stretch or self.start_ns > end_ns or self.end_ns < start_ns:
            return False
        overlap_ns = min(self.end_ns, end_ns) - max(self.start_ns, start_ns)
        return overlap_ns >= SILENCE_NS or self.start_ns >= start_ns or self.end_ns <= end_ns


class Cycle(NamedTuple):
    """A key cycle. ran_ns: when the engine speed reached that of a running engine, None when it did not. speed_seen: a
    speed was sent at all.
    """

    stretch: int
    start_ns: int
    end_ns: int
    ran_ns: int | None
    speed_seen: bool


class Story:
    """A recording, read once from front to back."""

    def __init__(self, *, engine_address: int = 0, spn_conversion: Mapping[int, int] | None = None) -> None:
        self.history = History(
            engine_address=engine_address, spn_conversion=spn_conversion, on_change=self._note
        )
        self._stretch = 0
        self._lamp_stretches: dict[_Place, list[int]] = {}
        self._fault_stretches: dict[tuple[str, int, int, int], list[int]] = {}
        self._cycle_stretches: dict[str, list[int]] = {}
        self._ran_ns: dict[str, dict[int, int]] = {}
        self._cycles: dict[str, list[Cycle]] = {}

    def feed_block(self, block: FrameBlock) -> None:
        """The next frames."""
        self.history.feed_block(block)

    def finish(self) -> None:
        """That was all: nothing came after the last frame."""
        if self.history.end_ns is not None:
            self.history.advance(self.history.end_ns)

    def cycles(self, channel: str) -> list[Cycle]:
        """The key cycles of a channel, in the order of the recording. To be asked for after `finish`."""
        known = self._cycles.get(channel)
        if known is None:
            keyed = self.history.key_cycles.get(channel)
            stretches = self._cycle_stretches.get(channel, [])
            ran_ns = self._ran_ns.get(channel, {})
            known = self._cycles[channel] = [
                Cycle(stretch, cycle.start_ns, cycle.last_ns, ran_ns.get(place), cycle.max_speed_raw != NO_SPEED)
                for place, (stretch, cycle) in enumerate(zip(stretches, keyed.cycles if keyed else [], strict=True))
            ]
        return known

    def heard(self, channel: str, source_address: int) -> list[Heard]:
        """When this controller sent DM1, without a silence of 5 s between."""
        controller = self.history.controllers.get((channel, source_address))
        if controller is None or controller.last_dm1_ns is None:
            return []
        times: list[Heard] = []
        stretches = self._lamp_stretches.get((channel, source_address), [])
        for stretch, span in zip(stretches, controller.lamp_spans[_ANY_LAMP], strict=True):
            end_ns = controller.last_dm1_ns if span.end_ns is None else span.end_ns
            if times and times[-1].stretch == stretch and times[-1].end_ns == span.start_ns:
                times[-1] = times[-1]._replace(end_ns=end_ns)
            else:
                times.append(Heard(stretch, span.start_ns, end_ns))
        return times

    def active(self, controller: Controller, spn: int, fmi: int) -> list[Heard]:
        """When the fault was active, an open span up to the controller's last DM1."""
        fault = controller.faults.get((spn, fmi))
        if fault is None:
            return []
        stretches = self._fault_stretches.get((controller.channel, controller.source_address, spn, fmi), [])
        last_ns = controller.last_dm1_ns or 0
        return [
            Heard(stretch, span.start_ns, last_ns if span.end_ns is None else span.end_ns)
            for stretch, span in zip(stretches, fault.spans, strict=True)
        ]

    def _note(self, change: Change) -> None:
        place = change.channel, change.source_address
        if change.what is What.CLOCK_STEP:
            self._stretch += 1
        elif change.what is What.FAULT_ACTIVE and change.spn is not None and change.fmi is not None:
            self._fault_stretches.setdefault((*place, change.spn, change.fmi), []).append(self._stretch)
        elif change.what is What.KEY_ON:
            self._cycle_stretches.setdefault(change.channel, []).append(self._stretch)
        elif change.what is What.ENGINE_RAN:
            number = len(self._cycle_stretches[change.channel]) - 1
            self._ran_ns.setdefault(change.channel, {})[number] = change.time_ns
        elif change.what is What.LAMP:
            # One change a lamp comes here, also where its span found no room.
            stretches = self._lamp_stretches.setdefault(place, [])
            spans = self.history.controllers[place].lamp_spans[_ANY_LAMP]
            stretches.extend([self._stretch] * (len(spans) - len(stretches)))
