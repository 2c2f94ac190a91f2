"""Where in a recording faults and lamps change: the places that 'next change' jumps to.

The whole recording goes once through a history of its own, by the block road. A fault that ended because its
controller fell silent is known to have ended only when the silence has lasted long enough, so its mark stands there.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from faultlamp.history.changes import Change, What
from faultlamp.history.history import History
from faultlamp.history.spans import SILENCE_NS
from faultlamp.tui.replay.player import Mark
from faultlamp.tui.replay.recording import Recording

_WORTH_A_JUMP = frozenset({What.FAULT_ACTIVE, What.FAULT_CLEARED, What.FAULT_SILENT, What.LAMP})


def find_marks(recording: Recording, options: Mapping[str, Any]) -> list[Mark]:
    """The marks, in the order of playing, each place once."""
    changes: list[Change] = []
    history = History(**options, on_change=changes.append)
    marks: set[Mark] = set()

    def collect(index: int) -> None:
        for change in changes:
            if change.what in _WORTH_A_JUMP:
                wait_ns = SILENCE_NS if change.what is What.FAULT_SILENT else 0
                marks.add(recording.place_of(index, change.time_ns + wait_ns))
        changes.clear()

    position = 0
    for index, block in enumerate(recording.blocks):
        if block.starts_stretch and index:
            # What the step of the clock ends is known to have ended by the first frame after it.
            history.step_back()
            if any(change.what in _WORTH_A_JUMP for change in changes):
                marks.add((recording.elapsed_at(position + 1), position + 1))
            changes.clear()
        history.feed_block(replace(block, starts_stretch=False))
        position += len(block)
        collect(index)
    if history.end_ns is not None:
        history.advance(history.end_ns)
        collect(len(recording.blocks) - 1)
    return sorted(marks)
