"""The list of keys, made from the bindings themselves, and the words of the trade that the screen uses."""

from __future__ import annotations

from collections.abc import Iterable

from textual.binding import Binding

from faultlamp.tui.page import Page
from faultlamp.tui.paint import Line, Piece, Role, fit, line, wrap

_KEY_NAMES = {
    "left": "←", "right": "→", "up": "↑", "down": "↓", "plus": "+", "equals_sign": "=", "minus": "-", "comma": ",",
    "full_stop": ".", "left_square_bracket": "[", "right_square_bracket": "]", "question_mark": "?", "space": "Space",
    "enter": "Enter", "escape": "Esc", "home": "Home", "end": "End", "pageup": "Page up", "pagedown": "Page down",
}
_WORDS = (
    ("SPN", "suspect parameter number: which signal or part the fault is about"),
    ("FMI", "failure mode identifier: how it fails"),
    ("OC", "occurrence count: how often the fault has come; '-' where its controller does not count"),
    ("DM1", "the message in which a controller lists its active faults and asks for lamps, once a second"),
    ("DM2", "the list of faults that were active before; sent only when a tool asks for it"),
    ("● active", "the latest DM1 lists it"),
    ("◌ silent", "it was active when its controller stopped sending DM1: nobody knows since"),
    ("◇ stored", "not active; the latest DM2 lists it as previously active"),
    ("○ inactive", "it was listed before, and is not now"),
    ("█ ▐ ▌ ▞", "active all through the column; began in it; ended in it; came and went in it"),
    ("░ ▒", "not heard, because the bus was lost; not heard in part of the column, active in the rest"),
    ("◆", "the fault that changed last"),
)


def key_name(key: str) -> str:
    """A key as it is printed on the keyboard."""
    modifier, plus, rest = key.rpartition("+")
    return f"{modifier.title()}+{key_name(rest)}" if plus and rest else _KEY_NAMES.get(key, key)


def key_lines(bindings: Iterable[Binding], width: int) -> list[Line]:
    """A row for each action with all its keys, then the words."""
    keys: dict[str, list[str]] = {}
    texts: dict[str, str] = {}
    for binding in bindings:
        keys.setdefault(binding.action, []).append(key_name(binding.key))
        texts.setdefault(binding.action, binding.tooltip or binding.description)
    rows = [line(Piece("KEYS", Role.TITLE))]
    for action, names in keys.items():
        rows += _entry(", ".join(dict.fromkeys(names)), texts[action], width)
    rows += [Line(), line(Piece("WORDS", Role.TITLE))]
    for word, meaning in _WORDS:
        rows += _entry(word, meaning, width)
    return rows


def _entry(name: str, text: str, width: int) -> list[Line]:
    first, *more = wrap(text, max(width - 22, 10))
    return [line(Piece(fit(name, 20), Role.STRONG), f"  {first}"), *(line(" " * 22 + row) for row in more)]


class KeysPage(Page):
    """All keys of the dashboard."""

    def __init__(self, bindings: list[Binding]) -> None:
        super().__init__()
        self._keys = bindings

    def page(self, width: int) -> list[Line]:
        """The keys and the words."""
        return key_lines(self._keys, width)
