"""Lines of text in pieces, each with the role it plays; what a role looks like is the stylesheet's business.

Everything on the screen is drawn as such lines by functions that know no running application: numbers, a width and a
height go in, lines come out, and their plain text says all that they mean. Colour only repeats it.
"""

from __future__ import annotations

from collections.abc import Iterable
from enum import StrEnum
from typing import NamedTuple

from rich.cells import cell_len, set_cell_size


class Role(StrEnum):
    """What a piece of text is, for the eye. Each has a style in `canvas.Canvas`."""

    PLAIN = "plain"
    STRONG = "strong"
    DIM = "dim"
    TITLE = "title"
    ALARM = "alarm"
    STOP = "stop"
    WARN = "warn"
    CALM = "calm"
    HELD = "held"
    CURSOR = "cursor"
    PICKED = "picked"


class Piece(NamedTuple):
    """Text in one role."""

    text: str
    role: Role = Role.PLAIN


class Line(NamedTuple):
    """One row of the screen; `ground` is the role that lies under all its pieces."""

    pieces: tuple[Piece, ...] = ()
    ground: Role = Role.PLAIN

    @property
    def text(self) -> str:
        """The row without its roles."""
        return "".join(piece.text for piece in self.pieces)


def line(*pieces: Piece | str, ground: Role = Role.PLAIN) -> Line:
    """A row from pieces; bare strings are plain."""
    return Line(tuple(Piece(piece) if isinstance(piece, str) else piece for piece in pieces), ground)


def fit(text: str, width: int) -> str:
    """Exactly `width` cells: filled with spaces, or cut with an ellipsis where it is longer."""
    if width <= 0:
        return ""
    return set_cell_size(text, width) if cell_len(text) <= width else set_cell_size(text, width - 1) + "…"


def fit_line(row: Line, width: int) -> Line:
    """The row at exactly `width` cells."""
    left = width
    pieces: list[Piece] = []
    for text, role in row.pieces:
        cells = cell_len(text)
        if cells >= left:
            pieces.append(Piece(text if cells == left else fit(text, left), role))
            left = 0
            break
        pieces.append(Piece(text, role))
        left -= cells
    if left > 0:
        pieces.append(Piece(" " * left))
    return Line(tuple(pieces), row.ground)


def wrap(text: str, width: int) -> list[str]:
    """The words in rows of at most `width` cells; a word that is longer is cut."""
    rows: list[str] = []
    for word in text.split():
        if rows and cell_len(rows[-1]) + 1 + cell_len(word) <= width:
            rows[-1] += " " + word
        else:
            rows.append(word if cell_len(word) <= width else fit(word, width))
    return rows or [""]


def hung(
    begin: str, text: str, width: int, role: Role = Role.PLAIN, *, more: str | None = None,
    begin_role: Role | None = None,
) -> list[Line]:
    """A paragraph that hangs from its first row: `begin` before that one, `more` (blanks) before the others."""
    rest = " " * cell_len(begin) if more is None else more
    room = max(width - max(cell_len(begin), cell_len(rest)), 10)
    return [
        line(Piece(rest if place else begin, begin_role or role), Piece(row, role))
        for place, row in enumerate(wrap(text, room))
    ]


def flow(cells: Iterable[Piece], width: int, *, indent: int = 0, gap: int = 2) -> list[Line]:
    """Pieces side by side, going on in the next row, `indent` cells in, when a row is full."""
    rows: list[list[Piece]] = [[]]
    used = indent
    for cell in cells:
        size = cell_len(cell.text)
        if rows[-1] and used + gap + size > width:
            rows.append([])
            used = indent
        if rows[-1]:
            rows[-1].append(Piece(" " * gap))
            used += gap
        rows[-1].append(cell)
        used += size
    return [Line(tuple(row)) for row in rows]
