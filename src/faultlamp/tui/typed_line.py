"""A line to type something into, shown when it is needed; Esc puts it away."""

from __future__ import annotations

from typing import ClassVar

from textual.binding import Binding, BindingType
from textual.widgets import Input


class TypedLine(Input):
    """Hidden until `ask`."""

    DEFAULT_CSS = """
    TypedLine { display: none; padding: 0 1; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "put_away", "Back", show=False)]

    def __init__(self, placeholder: str, *, id: str) -> None:
        super().__init__(placeholder=placeholder, id=id, compact=True)

    def ask(self) -> None:
        """Let something be typed."""
        self.display = True
        self.focus()

    def action_put_away(self) -> None:
        """Back to what one came from."""
        self.value = ""
        self.display = False
        self.screen.set_focus(None)
