"""The page that Enter opens on a lane."""

from __future__ import annotations

from faultlamp.tui.board import Board
from faultlamp.tui.detail.text import detail_lines
from faultlamp.tui.lanes.lane import LaneKey
from faultlamp.tui.page import Page
from faultlamp.tui.paint import Line, line


class DetailPage(Page):
    """One fault; it stays up to date while it is open."""

    def __init__(self, board: Board, key: LaneKey) -> None:
        super().__init__()
        self._board = board
        self._key = key

    def page(self, width: int) -> list[Line]:
        """What is known of the fault now."""
        board = self._board
        lane = next((lane for lane in board.lanes if lane.key == self._key), None)
        if lane is None:
            return [line(f"SPN {self._key.spn} FMI {self._key.fmi} has not been reported yet at this moment.")]
        return detail_lines(board.job, lane, board.now_ns or 0, width, board.feed.status().gaps)
