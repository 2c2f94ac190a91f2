"""What can be watched from here: the picked fault, the reading of the same signal, the readings on the screen."""

from __future__ import annotations

from faultlamp.tui.board import Board
from faultlamp.tui.lanes.lane import Lane
from faultlamp.tui.readings.value import Pick
from faultlamp.tui.wiggle.watch import Target


def targets(board: Board) -> list[Target]:
    """In the order in which the keys go through them; the fault first, since it is what was picked."""
    lanes = board.shown_lanes
    found: list[Target] = []
    if lanes:
        lane = lanes[board.view.index(lanes)]
        found.append(Target(lane.fault.spn, fault=lane.key))
        reading = reading_of(board, lane)
        if reading is not None:
            found.append(reading)
    for pick in board.picks:
        value = board.readings.value(board.job, pick, board.now_ns or 0)
        if value.source is not None:
            found.append(Target(value.spn, source=value.source))
    return list(dict.fromkeys(found))


def reading_of(board: Board, lane: Lane) -> Target | None:
    """The reading of the signal that the fault is about, of its own controller before others; None: nobody sends it."""
    channel, address, spn, _ = lane.key
    for pick in (Pick(spn, channel, address), Pick(spn, channel)):
        value = board.readings.value(board.job, pick, board.now_ns or 0)
        if value.source is not None:
            return Target(spn, source=value.source)
    return None
