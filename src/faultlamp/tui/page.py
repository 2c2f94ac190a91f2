"""A screen of its own for text that is read, not watched: scrolled by keys, redrawn while it is open.

Each is made once and shown again: that is quick, and nothing is left over by opening and closing.
"""

from __future__ import annotations

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.screen import Screen

from faultlamp.tui.canvas import Canvas
from faultlamp.tui.key_line import KeyLine
from faultlamp.tui.paint import Line


class Page(Screen[None]):
    """Subclasses say what is on it."""

    DEFAULT_CSS = """
    Page VerticalScroll { padding: 0 1; scrollbar-size-vertical: 1; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape,enter,q", "leave", "Back", tooltip="Back to the dashboard"),
    ]

    def compose(self) -> ComposeResult:
        """The text over the keys."""
        with VerticalScroll():
            yield Canvas(id="page")
        yield KeyLine()

    def page(self, width: int) -> list[Line]:
        """The rows, each at most `width` cells."""
        raise NotImplementedError

    def on_mount(self) -> None:
        """Keys scroll from the start."""
        for scroll in self.query(VerticalScroll):
            scroll.focus()
        self.redraw()

    def on_screen_resume(self) -> None:
        """Opened again: from the top, and as it is now."""
        for scroll in self.query(VerticalScroll):
            scroll.scroll_home(animate=False)
        self.redraw()

    def on_resize(self) -> None:
        """Another width, other rows."""
        self.redraw()

    def redraw(self) -> None:
        """Draw what is true now."""
        lines = self.page(max(self.app.size.width - 3, 20))
        # None: a tick may come while the screen is put up or taken down.
        for canvas in self.query("#page").results(Canvas):
            if len(lines) != len(canvas.lines):
                canvas.styles.height = len(lines)
            canvas.show(lines)

    def action_leave(self) -> None:
        """Back to where one came from."""
        self.dismiss()
