"""One line for somebody who is here for the first time; gone after a minute, or when a page is opened."""

from __future__ import annotations

from collections.abc import Callable

from faultlamp.tui.canvas import Canvas
from faultlamp.tui.hints import FIRST_TIME
from faultlamp.tui.paint import Piece, Role, fit_line, line

_SHOWN_S = 60.0


class HintLine(Canvas):
    """The line. due: whether the person has not seen it yet. seen: called when it is shown."""

    DEFAULT_CSS = """
    HintLine { display: none; height: 1; background: $panel; }
    """

    def __init__(self, due: Callable[[], bool], seen: Callable[[], None]) -> None:
        super().__init__(id="hint")
        self._due = due
        self._seen = seen

    def on_mount(self) -> None:
        """Once for each person."""
        if self._due():
            self.display = True
            self._seen()
            self.set_timer(_SHOWN_S, self.put_away)

    def on_resize(self) -> None:
        """As wide as there is room."""
        self.show([fit_line(line(Piece(f" {FIRST_TIME}", Role.TITLE)), self.size.width)])

    def put_away(self) -> None:
        """Not needed any more."""
        self.display = False
