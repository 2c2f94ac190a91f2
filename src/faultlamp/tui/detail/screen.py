"""The page that Enter opens on a lane."""

from __future__ import annotations

from faultlamp.j1939.diagnostics import LAMP_PLACES, Lamp
from faultlamp.knowledge.explanation import Explanation, explanation
from faultlamp.tui.board import Board
from faultlamp.tui.detail.text import detail_lines
from faultlamp.tui.lanes.lane import Lane, LaneKey
from faultlamp.tui.names import LAMP_WORDS
from faultlamp.tui.page import Page
from faultlamp.tui.paint import Line, line


class DetailPage(Page):
    """One fault, `key`; it stays up to date while it is open."""

    def __init__(self, board: Board) -> None:
        super().__init__()
        self._board = board
        self.key: LaneKey | None = None
        self._explained: Explanation | None = None

    def page(self, width: int) -> list[Line]:
        """What is known of the fault now."""
        board, key = self._board, self.key
        if key is None:
            return []
        lane = next((lane for lane in board.lanes if lane.key == key), None)
        if lane is None:
            return [line(f"SPN {key.spn} FMI {key.fmi} has not been reported yet at this moment.")]
        return detail_lines(
            board.job, lane, board.now_ns or 0, width, self._explain(lane), board.causes.about(key),
            board.causes.current, board.feed.status().gaps,
        )

    def _explain(self, lane: Lane) -> Explanation:
        """The explanation, put together again only when the fault or its lamps are others."""
        fault, lamps = lane.fault, asked_for(lane)
        known = self._explained
        if known is None or (known.spn, known.fmi, known.lamps) != (fault.spn, fault.fmi, lamps):
            tables = self._board.tables
            known = self._explained = explanation(
                fault.spn, fault.fmi, lamps, names=tables.names, crosswalk=tables.crosswalk
            )
        return known


def asked_for(lane: Lane) -> tuple[Lamp, ...] | None:
    """The lamps that the fault's controller asks for while it is active, the gravest first; None: nobody knows."""
    lamps = lane.controller.lamps
    if lamps is None or not lane.fault.active:
        return None
    return tuple(lamp for lamp in LAMP_WORDS if lamps[LAMP_PLACES[lamp]].lit)
