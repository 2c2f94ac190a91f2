"""The list of keys, made from the bindings themselves, and the words of the trade that the screen uses.

Rule: each key of ours says in its tooltip what it does. One without a tooltip comes from the toolkit, for moving
between fields and copying what the mouse has marked, and is nothing that has to be known here.
"""

from __future__ import annotations

from collections.abc import Iterable

from textual.binding import Binding

from faultlamp.tui.key_line import key_name
from faultlamp.tui.page import Page
from faultlamp.tui.paint import Line, Piece, Role, fit, line, wrap

_WORDS = (
    ("ECU, controller", "a control unit that talks on the bus: of the engine, the transmission, the brakes"),
    ("source address", "the number, 0 to 253, under which a controller talks; 0 is by preference engine 1"),
    ("SPN", "suspect parameter number: which signal or part the fault is about"),
    ("FMI", "failure mode identifier: how it fails, 0 to 31"),
    ("OC", "occurrence count: how often the fault has come; '-' where its controller does not count"),
    ("DM1", "the message in which a controller lists its active faults and asks for lamps, once a second"),
    ("DM2", "the list of faults that were active before; sent only when a tool asks for it"),
    ("freeze frame", "readings that a controller kept from the moment a fault came; sent only when asked for"),
    ("readiness", "which of its own tests of the exhaust system a controller has finished since codes were cleared"),
    ("red stop lamp", "so grave that the engine is to be stopped"),
    ("amber warning", "lamp: something is wrong, the engine need not be stopped at once"),
    ("protect lamp", "most likely not an electronic part: a coolant, pressure or temperature limit, for example"),
    ("malfunction lamp", "malfunction indicator: a fault that bears on the exhaust gas"),
    ("derate", "the controller takes power or speed back to protect the engine or to press for a repair"),
    ("key cycle", "from key on to key off, here: from the first to the last frame of the engine's controller"),
    ("broken messages", "a long message travels in several packets (BAM: to all at once); some packets did not come"),
    ("PGN, group", "parameter group number: which kind of message a frame is, and so which readings it carries"),
    ("VIN, NAME", "the machine's number; the 64 bits by which a controller says what it is"),
    ("■ ◐ ◑ □ · ?", "a lamp: on; flashes fast; flashes slowly; off; not available; reserved"),
    ("● active", "the latest DM1 lists it"),
    ("◌ silent", "it was active when its controller stopped sending DM1: nobody knows since"),
    ("◇ stored", "not active; the latest DM2 lists it as previously active"),
    ("○ inactive", "it was listed before, and is not now"),
    ("█ ▐ ▌ ▞", "active all through the column; began in it; ended in it; came and went in it"),
    ("░ ▒", "not heard, because the bus was lost; not heard in part of the column, active in the rest"),
    ("┏ ┣", "these faults most likely have one cause; the words above say where to look first"),
    ("╎", "in another group of such faults: c shows all"),
    ("◆", "the fault that changed last"),
    ("*", "in the key row: a moment that was marked"),
)


def key_lines(bindings: Iterable[Binding], width: int) -> list[Line]:
    """A row for each action with all its keys, then the words."""
    bindings = [binding for binding in bindings if binding.tooltip]
    keys: dict[str, list[str]] = {}
    texts: dict[str, str] = {}
    for binding in bindings:
        keys.setdefault(binding.action, []).append(key_name(binding.key))
        texts.setdefault(binding.action, binding.tooltip)
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
        whole = [binding for binding in type(self.app).BINDINGS if isinstance(binding, Binding)]
        return key_lines([*self._keys, *whole], width)
