"""The last row of every screen: its main keys, made from the bindings; a click on one does what the key does.

Rule: the bindings stand in the order of what they are worth. Where not all have room, those at the end are left out,
but never how to see all keys and how to get back.

One row drawn as text. A widget for each key would have to be made and laid out each time a page opens.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from rich.cells import cell_len
from textual import events
from textual.binding import Binding

from faultlamp.tui.canvas import Canvas
from faultlamp.tui.paint import Line, Piece, Role, fit_line, line
from faultlamp.tui.typed_line import TypedLine

_KEY_NAMES = {
    "left": "←", "right": "→", "up": "↑", "down": "↓", "plus": "+", "equals_sign": "=", "minus": "-", "comma": ",",
    "full_stop": ".", "left_square_bracket": "[", "right_square_bracket": "]", "question_mark": "?", "space": "Space",
    "enter": "Enter", "escape": "Esc", "home": "Home", "end": "End", "pageup": "Page up", "pagedown": "Page down",
    "slash": "/", "tab": "Tab", "backspace": "Backspace", "delete": "Delete",
}
_GAP = 2
_ALWAYS = frozenset({"keys", "leave", "stop"})


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
    shown = list({binding.action: binding for binding in reversed(list(bindings)) if binding.show}.values())[::-1]
    while sum(_cells(binding) + _GAP for binding in shown) + 1 - _GAP > width:
        place = next((at for at in reversed(range(len(shown))) if shown[at].action not in _ALWAYS), len(shown) - 1)
        del shown[place]
    pieces: list[Piece] = []
    entries: list[Entry] = []
    used = 1
    for binding in shown:
        name, text = key_name(binding.key), f" {binding.description}"
        end = used + _cells(binding)
        pieces += [Piece(" " * (_GAP if entries else 1)), Piece(name, Role.TITLE), Piece(text)]
        entries.append(Entry(used, end, binding.key, binding.tooltip or binding.description))
        used = end + _GAP
    return Line(tuple(pieces)), entries


def _cells(binding: Binding) -> int:
    return cell_len(key_name(binding.key)) + 1 + cell_len(binding.description)


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
        """Other keys when the focus moves; other words when something is typed."""
        self.screen.bindings_updated_signal.subscribe(self, lambda _: self.redraw())
        for typed in self.screen.query(TypedLine):
            self.watch(typed, "value", self.redraw, init=False)

    def on_resize(self) -> None:
        """Another width."""
        self.redraw()

    def redraw(self) -> None:
        """The keys that work now."""
        typed = self.screen.focused
        if isinstance(typed, TypedLine) and typed.value:
            # What stands in the line hides the words that say what it is for.
            self._entries = []
            self.show([fit_line(line(Piece(f" {typed.placeholder}", Role.DIM)), self.size.width)])
            return
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
