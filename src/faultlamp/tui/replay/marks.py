"""Where in a recording faults and lamps change: the places that 'next change' jumps to.

The whole recording goes once through a history of its own, by the block road. A fault that ended because its
controller fell silent is known to have ended only when the silence has lasted long enough, so its mark stands there.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

from faultlamp.history.changes import Change, What
from faultlamp.history.history import History
from faultlamp.history.spans import SILENCE_NS
from faultlamp.j1939.diagnostics import LampState
from faultlamp.tui.replay.player import Mark
from faultlamp.tui.replay.recording import Recording

_FAULT_CHANGES = frozenset({What.FAULT_ACTIVE, What.FAULT_CLEARED, What.FAULT_SILENT})


class _Worth:
    """Which changes are worth a jump: those of faults, and of lamps that are or were lit."""

    def __init__(self) -> None:
        self._lit: set[tuple[str, int, str]] = set()

    def a_jump(self, change: Change) -> bool:
        """To be asked for every change, in order."""
        if change.what is not What.LAMP:
            return change.what in _FAULT_CHANGES
        lamp, _, state = change.detail.partition(" ")
        key = change.channel, change.source_address, lamp
        was_lit = key in self._lit
        if LampState(state).lit:
            self._lit.add(key)
            return True
        self._lit.discard(key)
        return was_lit


def find_marks(
    recording: Recording, options: Mapping[str, Any], given_up: Callable[[], bool] = lambda: False
) -> list[Mark]:
    """The marks, in the order of playing, each place once; those so far when it is given up between two blocks."""
    changes: list[Change] = []
    history = History(**options, on_change=changes.append)
    marks: set[Mark] = set()
    worth = _Worth()

    def collect(index: int) -> None:
        for change in changes:
            if worth.a_jump(change):
                wait_ns = SILENCE_NS if change.what is What.FAULT_SILENT else 0
                marks.add(recording.place_of(index, change.time_ns + wait_ns))
        changes.clear()

    position = 0
    for index, block in enumerate(recording.blocks):
        if given_up():
            break
        if block.starts_stretch and index:
            # What the step of the clock ends is known to have ended by the first frame after it.
            history.step_back()
            jumps = [change for change in changes if worth.a_jump(change)]
            if jumps:
                marks.add((recording.elapsed_at(position + 1), position + 1))
            changes.clear()
        history.feed_block(replace(block, starts_stretch=False))
        position += len(block)
        collect(index)
    if history.end_ns is not None:
        history.advance(history.end_ns)
        collect(len(recording.blocks) - 1)
    return sorted(marks)
