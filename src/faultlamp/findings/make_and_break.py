"""Every make and break of one contact while somebody moves the wires: of a fault, or of a reading.

Rule: a break is the moment at which something is lost, a make the moment at which it is back. A fault breaks when a
DM1 lists it and makes when one does not (SAE J1939-73, section 5.7.1: up to a second after the wire). A reading breaks
when its controller says 'error' or 'not available', when it goes stale, or when it jumps further from one frame to the
next than a healthy one does; it shows a bad contact at once, before any fault does.

The log is a pure function of frames and `advance`; a screen draws `ContactLog`.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from enum import StrEnum
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from faultlamp.findings.onsets import report_stretches
from faultlamp.frames import EXTENDED, Frame, FrameBlock
from faultlamp.history.controllers import Controller
from faultlamp.history.latest import Source
from faultlamp.history.spans import EndReason
from faultlamp.j1939.identifier import is_addressed, is_j1939, split_identifier
from faultlamp.j1939.readings import ERROR, OK, GroupLayout, SignalLayout, decode_columns, value_column

MOST_EVENTS = 10_000
"""Events that a log keeps; of more, the oldest are forgotten and only counted."""

_INACTIVE, _SILENT = "not active", "its controller is silent"


class Contact(StrEnum):
    """The state of what is watched."""

    WHOLE = "whole"
    BROKEN = "broken"
    UNKNOWN = "unknown"


class Event(NamedTuple):
    """One change. number: of this make or break, counted from 1; 0 for a change to unknown. text: in words."""

    time_ns: int
    state: Contact
    number: int
    text: str


class ContactLog:
    """What is watched, now and since when, and every change, oldest first.

    makes, breaks: how many there have been. jumps: leaps of a reading that stayed a number; each counts as a break
    and a make. events: the newest MOST_EVENTS. forgotten: how many older ones there were.
    """

    def __init__(self) -> None:
        self.state = Contact.UNKNOWN
        self.since_ns: int | None = None
        self.makes = 0
        self.breaks = 0
        self.jumps = 0
        self.events: deque[Event] = deque(maxlen=MOST_EVENTS)
        self._text = ""
        self._told = 0

    @property
    def forgotten(self) -> int:
        """Events that found no room."""
        return self._told - len(self.events)

    @property
    def text(self) -> str:
        """The state in words."""
        return self._text or str(self.state)

    def change(self, time_ns: int, state: Contact, text: str) -> None:
        """It is so from `time_ns` on. The first state is no make or break; nor is coming back whole from unknown."""
        if state is self.state and text == self._text:
            return
        number = 0
        if state is Contact.BROKEN and self.state is not Contact.BROKEN and self.since_ns is not None:
            self.breaks += 1
            number = self.breaks
        elif state is Contact.WHOLE and self.state is Contact.BROKEN:
            self.makes += 1
            number = self.makes
        if state is not self.state or self.since_ns is None:
            self.state, self.since_ns = state, time_ns
        self._text = text
        self._tell(Event(time_ns, state, number, text))

    def jump(self, time_ns: int, text: str) -> None:
        """It leapt and is whole: the contact was lost between two frames."""
        self.jumps += 1
        self.breaks += 1
        self.makes += 1
        self._tell(Event(time_ns, Contact.BROKEN, self.breaks, text))

    def _tell(self, event: Event) -> None:
        self.events.append(event)
        self._told += 1


def fault_contacts(controller: Controller | None, pair: tuple[int, int], from_ns: int, at_ns: int) -> ContactLog:
    """The log of a fault (SPN, FMI) from `from_ns`, when the watching began, to `at_ns`.

    controller: who reports it, None when it never sent a DM1. While it is silent the state is unknown. Asked again
    later it gives the same log, longer.
    """
    log = ContactLog()
    log.change(from_ns, Contact.UNKNOWN, _SILENT)
    for time_ns, state, text in sorted(_fault_changes(controller, pair, from_ns, at_ns)) if controller else ():
        if time_ns <= from_ns:
            log = ContactLog()  # how it was when the watching began
        log.change(max(time_ns, from_ns), state, text)
    return log


def _fault_changes(
    controller: Controller, pair: tuple[int, int], from_ns: int, at_ns: int
) -> Iterator[tuple[int, Contact, str]]:
    """Changes up to `at_ns`, from the last one before `from_ns` on, in any order."""
    fault = controller.faults.get(pair)
    starts = set()
    for span in reversed(fault.spans) if fault else ():
        if span.start_ns <= at_ns:
            starts.add(span.start_ns)
            yield span.start_ns, Contact.BROKEN, "active"
            if span.end_ns is not None and span.end_ns <= at_ns and span.reason is not EndReason.SILENT:
                yield span.end_ns, Contact.WHOLE, _INACTIVE
        if span.start_ns < from_ns:
            break
    for start_ns, end_ns in report_stretches(controller):
        if start_ns <= at_ns and start_ns not in starts:
            yield start_ns, Contact.WHOLE, _INACTIVE
        if end_ns is not None and end_ns <= at_ns:
            yield end_ns, Contact.UNKNOWN, _SILENT


class ReadingContacts:
    """Watches one reading of one sender, frame by frame.

    source: who sends it, with the group's number. group, signal: where it lies. jump: how far it may go from one frame
    to the next, in its unit; None to let it jump.
    """

    def __init__(self, source: Source, group: GroupLayout, signal: SignalLayout, jump: float | None) -> None:
        self.log = ContactLog()
        self.value: float | None = None
        self._source = source
        self._signal = signal
        self._jump = jump
        self._stale_ns = group.stale_after_ns
        self._last_ns: int | None = None

    def feed(self, frame: Frame) -> None:
        """Take one frame, of any kind."""
        if frame.flags != EXTENDED or not is_j1939(frame.can_id) or frame.channel != self._source.channel:
            return
        fields = split_identifier(frame.can_id)
        if (fields.source, fields.pgn) == self._source[1:]:
            word = int.from_bytes(frame.data[:8].ljust(8, b"\xff"), "little")
            self._take(np.array([frame.time_ns]), np.array([word], np.uint64), np.array([len(frame.data)], np.uint8))

    def feed_block(self, block: FrameBlock) -> None:
        """Take many frames; where the block starts a stretch, times begin again."""
        if block.starts_stretch and self._last_ns is not None:
            self.lost(self._last_ns, "the clock stepped back")
        if self._source.channel not in block.channels:
            return
        pgn, address = self._source.pgn, self._source.source_address
        identifier = block.can_id & np.uint32(0x3FFFFFF)
        if is_addressed(pgn):  # bits 8 to 15 are the destination
            identifier &= np.uint32(0x3FF00FF)
        rows = np.flatnonzero(
            (block.flags == EXTENDED) & (identifier == (pgn << 8 | address))
            & (block.channel == block.channels.index(self._source.channel))
        )
        self._take(block.time_ns[rows], block.data[rows], block.length[rows])

    def advance(self, now_ns: int) -> None:
        """Nothing came until `now_ns`."""
        if self._last_ns is not None and now_ns - self._last_ns > self._stale_ns:
            self.log.change(self._last_ns + self._stale_ns, Contact.BROKEN, "stale: no frame")
            self.value = None

    def lost(self, at_ns: int, text: str) -> None:
        """From then on nobody listened: unknown until the next frame, which is no make."""
        self.log.change(at_ns, Contact.UNKNOWN, text)
        self._last_ns = self.value = None

    def _take(
        self, times: npt.NDArray[np.int64], words: npt.NDArray[np.uint64], lengths: npt.NDArray[np.uint8]
    ) -> None:
        raw, state = decode_columns(self._signal, words, lengths)
        values = value_column(self._signal, raw)
        for time_ns, code, value in zip(times.tolist(), state.tolist(), values.tolist(), strict=True):
            if code > ERROR:
                continue  # a multiplexer says that the signal is not in this frame
            self.advance(time_ns)
            self._last_ns = time_ns
            if code != OK:
                self.log.change(time_ns, Contact.BROKEN, "error" if code == ERROR else "not available")
                self.value = None
                continue
            if self.value is not None and self._jump is not None and abs(value - self.value) > self._jump:
                self.log.jump(time_ns, f"jumped from {self.value:.5g} to {value:.5g} {self._signal.unit}".rstrip())
            self.log.change(time_ns, Contact.WHOLE, "a number")
            self.value = value
