"""What of the lanes is looked at: which are shown and which one is picked, how far the time is zoomed and scrolled.

The view follows the present until it is scrolled back or a moment is picked with the cursor; then it holds still
until it is told to be live again.
"""

from __future__ import annotations

from collections.abc import Sequence

from faultlamp.tui.lanes.choice import LaneChoice
from faultlamp.tui.lanes.lane import Lane, LaneKey
from faultlamp.tui.lanes.window import NORMAL_STEP, ROOMY_STEP, STEPS_NS, Window, step_for_all, window_at


class LaneView:
    """State of the third band.

    picked: the lane that is picked, None while there is none. top: first visible row. cursor_ns: the picked moment,
    None while live. choice: which lanes are shown.
    """

    def __init__(self) -> None:
        self.picked: LaneKey | None = None
        self.top = 0
        self.cursor_ns: int | None = None
        self.choice = LaneChoice()
        self._whole = False
        self._step = NORMAL_STEP
        self._end_ns: int | None = None

    @property
    def live(self) -> bool:
        """Following the present."""
        return self._end_ns is None and self.cursor_ns is None

    @property
    def step_ns(self) -> int:
        """How long a column is."""
        return STEPS_NS[self._step]

    def forget(self) -> None:
        """Live again."""
        self.cursor_ns = self._end_ns = None

    def window(self, now_ns: int, start_ns: int, width: int) -> Window:
        """The stretch of time to draw. start_ns: the job's first frame."""
        if self._whole:
            self._step = step_for_all(now_ns - start_ns, width)
        return window_at(now_ns if self._end_ns is None else self._end_ns, start_ns, self.step_ns, width)

    def index(self, lanes: Sequence[Lane]) -> int:
        """Row of the picked lane; the first one while none is picked or the picked one is gone."""
        picked = self.picked
        if picked is None:
            return 0
        found = (place for place, lane in enumerate(lanes) if lane.fault.spn == picked.spn and lane.key == picked)
        return next(found, 0)

    def pick(self, lanes: Sequence[Lane], index: int) -> None:
        """Pick a row, the nearest there is."""
        if lanes:
            self.picked = lanes[min(max(index, 0), len(lanes) - 1)].key

    def move(self, lanes: Sequence[Lane], by: int) -> None:
        """Pick another row."""
        self.pick(lanes, self.index(lanes) + by)

    def scroll_rows(self, lanes: Sequence[Lane], rows: int) -> range:
        """The rows to draw, so that the picked lane is among them."""
        index = self.index(lanes)
        self.top = min(self.top, index, max(len(lanes) - rows, 0))
        self.top = max(self.top, index - rows + 1, 0)
        return range(self.top, min(self.top + rows, len(lanes)))

    def zoom(self, by: int, window: Window, start_ns: int, now_ns: int) -> bool:
        """Longer (positive) or shorter columns, around the cursor where there is one; False at the end of the zoom.

        The longest with which anything is gained shows the whole job; a young job gets room to grow.
        """
        before = self._step
        longest = max(step_for_all(now_ns - start_ns, window.width), ROOMY_STEP)
        self._step = min(max(self._step + by, 0), max(longest, before))
        if self._step == before:
            return False
        self._whole = False
        if self.cursor_ns is not None:
            self._end_ns = min(self.cursor_ns + self.step_ns * (window.width // 2), now_ns)
        return True

    def zoom_to_all(self, length_ns: int, width: int) -> None:
        """The whole job in one window, live, and so it stays while the job grows."""
        self.forget()
        self._whole = True
        self._step = step_for_all(length_ns, width)

    def go_to(self, at_ns: int, window: Window, now_ns: int) -> None:
        """Put the cursor on exactly this moment; where it is out of sight, into the middle of the window."""
        end_ns = window.end_ns - 1
        if not window.first_ns <= at_ns <= end_ns:
            end_ns = at_ns + window.step_ns * (window.width // 2)
        self.cursor_ns = at_ns
        self._end_ns = min(end_ns, now_ns)

    def scroll(self, columns: int, window: Window, now_ns: int) -> None:
        """Show earlier (negative) or later columns; the present is as far as it goes, and is live again."""
        earliest_ns = window.origin_ns if window.origin_ns else window.first_ns - window.step_ns * window.width
        end_ns = max(window.end_ns - 1 + columns * window.step_ns, earliest_ns)
        self._end_ns = end_ns if end_ns < now_ns else None
        if self._end_ns is None:
            self.cursor_ns = None

    def move_cursor(self, columns: int, window: Window, start_ns: int, now_ns: int) -> None:
        """Pick an earlier or later moment, from the present on; past the present it is live again."""
        at = window.column(now_ns if self.cursor_ns is None else self.cursor_ns) + columns
        self.set_cursor(at, window, start_ns, now_ns)

    def set_cursor(self, column: int, window: Window, start_ns: int, now_ns: int) -> None:
        """Pick the moment at which a column begins; what lies outside the window is scrolled to."""
        at_ns = window.time(column)
        if at_ns > now_ns:
            self.forget()
            return
        at_ns = max(at_ns, window.time(window.column(start_ns)))
        self.cursor_ns = at_ns
        end_ns = min(window.end_ns - 1, now_ns)
        if at_ns < window.first_ns:
            end_ns -= window.first_ns - at_ns
        elif at_ns >= window.end_ns:
            end_ns = at_ns
        self._end_ns = end_ns
