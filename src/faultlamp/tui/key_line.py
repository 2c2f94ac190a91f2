"""The last row of every screen: its main keys, made from the bindings; a click on one does what the key does.

One row drawn as text. A widget for each key would have to be made and laid out each time a page opens.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from rich.cells import cell_len
from textual import events
from textual.binding import Binding

from faultlamp.tui.canvas import Canvas
from faultlamp.tui.paint import Line, Piece, Role

_KEY_NAMES = {
    "left": "←", "right": "→", "up": "↑", "down": "↓", "plus": "+", "equals_sign": "=", "minus": "-", "comma": ",",
    "full_stop": ".", "left_square_bracket": "[", "right_square_bracket": "]", "question_mark": "?", "space": "Space",
    "enter": "Enter", "escape": "Esc", "home": "Home", "end": "End", "pageup": "Page up", "pagedown": "Page down",
    "slash": "/", "tab": "Tab", "backspace": "Backspace", "delete": "Delete",
}
_GAP = 2


class Entry(NamedTuple):
    """One key in the row, at cells `start` up to `end`; `key` as Textual names it, `words` say what it does."""

    start: int
    end: int
    key: str
    words: str


def key_name(key: str) -> str:
    """A key as it is printed on the keyboard."""
    modifier, plus, rest = key.rpartition("+")
    return f"{modifier.title()}+{key_name(rest)}" if plus and rest else _KEY_NAMES.get(key, key)


def key_line(bindings: Iterable[Binding], width: int) -> tuple[Line, list[Entry]]:
    """The row, and where each key stands in it. One key for each action; what does not fit whole is left out."""
    pieces: list[Piece] = []
    entries: list[Entry] = []
    actions: set[str] = set()
    used = 1
    for binding in bindings:
        if not binding.show or binding.action in actions:
            continue
        actions.add(binding.action)
        name, text = key_name(binding.key), f" {binding.description}"
        end = used + cell_len(name) + cell_len(text)
        if end > width:
            break
        pieces += [Piece(" " * (_GAP if entries else 1)), Piece(name, Role.TITLE), Piece(text)]
        entries.append(Entry(used, end, binding.key, binding.tooltip or binding.description))
        used = end + _GAP
    return Line(tuple(pieces)), entries


class KeyLine(Canvas):
    """The row of its screen."""

    ALLOW_SELECT = False
    DEFAULT_CSS = """
    KeyLine { dock: bottom; height: 1; background: $panel; }
    """

    def __init__(self) -> None:
        super().__init__()
        self._entries: list[Entry] = []

    def on_mount(self) -> None:
        """Other keys when the focus moves."""
        self.screen.bindings_updated_signal.subscribe(self, lambda _: self.redraw())

    def on_resize(self) -> None:
        """Another width."""
        self.redraw()

    def redraw(self) -> None:
        """The keys that work now."""
        active = self.screen.active_bindings.values()
        row, self._entries = key_line((one.binding for one in active if one.enabled), self.size.width)
        self.show([row])

    def on_mouse_move(self, event: events.MouseMove) -> None:
        """Say what the key under the pointer does."""
        entry = self._entry_at(event.x)
        self.tooltip = entry.words if entry else None

    def on_click(self, event: events.Click) -> None:
        """As if the key were pressed."""
        event.stop()
        if entry := self._entry_at(event.x):
            self.app.simulate_key(entry.key)

    def _entry_at(self, column: int) -> Entry | None:
        return next((entry for entry in self._entries if entry.start <= column < entry.end), None)
