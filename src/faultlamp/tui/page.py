"""A screen of its own for text that is read, not watched: scrolled by keys, redrawn while it is open."""

from __future__ import annotations

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.screen import Screen
from textual.widgets import Footer

from faultlamp.tui.canvas import Canvas
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
        yield Footer(compact=True, show_command_palette=False)

    def page(self, width: int) -> list[Line]:
        """The rows, each at most `width` cells."""
        raise NotImplementedError

    def on_mount(self) -> None:
        """Keys scroll from the start."""
        self.query_one(VerticalScroll).focus()

    def on_resize(self) -> None:
        """Another width, other rows."""
        self.call_after_refresh(self.redraw)

    def redraw(self) -> None:
        """Draw what is true now."""
        canvases = self.query(Canvas)
        if not canvases:
            # A tick may come while the screen is put up or taken down.
            return
        canvas = canvases.first()
        lines = self.page(max(self.size.width - 3, 20))
        canvas.styles.height = len(lines)
        canvas.show(lines)

    def action_leave(self) -> None:
        """Back to where one came from."""
        self.dismiss()
