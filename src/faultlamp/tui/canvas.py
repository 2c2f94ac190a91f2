"""A widget that shows lines: the thin skin between the drawing functions and the running application."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from rich.segment import Segment
from textual.geometry import Region
from textual.strip import Strip
from textual.widget import Widget

from faultlamp.tui.paint import Line, Role


class Canvas(Widget):
    """Rows of text, replaced as a whole by `show`; only rows that changed are drawn again.

    Text is put on the screen as it is: nothing in it is read as markup.
    """

    COMPONENT_CLASSES: ClassVar[set[str]] = {f"ink-{role}" for role in Role}
    DEFAULT_CSS = """
    Canvas {
        width: 1fr;
        & > .ink-plain { color: $foreground; }
        & > .ink-strong { text-style: bold; }
        & > .ink-dim { color: $foreground-darken-3; }
        & > .ink-title { text-style: bold; color: $text-accent; }
        & > .ink-alarm { background: $error; color: $background; text-style: bold; }
        & > .ink-stop { color: $text-error; text-style: bold; }
        & > .ink-warn { color: $text-warning; text-style: bold; }
        & > .ink-calm { color: $text-success; text-style: bold; }
        & > .ink-held { text-style: italic; color: $text-primary; }
        & > .ink-cursor { text-style: reverse; }
        & > .ink-picked { background: $panel; }
        &:nocolor > .ink-alarm { background: $foreground; color: $background; }
    }
    """

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.lines: list[Line] = []

    def show(self, lines: Sequence[Line]) -> None:
        """Show these rows from the top."""
        before, self.lines = self.lines, list(lines)
        rows = max(len(before), len(self.lines))
        for row in range(rows):
            old = before[row] if row < len(before) else None
            new = self.lines[row] if row < len(self.lines) else None
            if old != new:
                self.refresh(Region(0, row, self.size.width, 1))

    def render_line(self, y: int) -> Strip:
        """One row, as Textual asks for it."""
        width = self.size.width
        base = self.rich_style
        if y >= len(self.lines):
            return Strip.blank(width, base)
        row = self.lines[y]
        if row.ground is not Role.PLAIN:
            base += self.get_component_rich_style(f"ink-{row.ground}", partial=True)
        segments = [
            Segment(text, base + self.get_component_rich_style(f"ink-{role}", partial=True))
            for text, role in row.pieces
        ]
        return Strip(segments).adjust_cell_length(width, base)
