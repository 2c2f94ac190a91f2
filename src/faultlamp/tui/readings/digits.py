"""Numbers large enough for two metres: three rows of half blocks, each figure three by five dots.

The dots of a figure stand in fifteen bits, row by row from the top, for instance 7:

    ###     111
    ..#     001
    ..#  =  001
    .#.     010
    .#.     010
"""

from __future__ import annotations

ROWS = 3
_DOT_ROWS = 5
_DOTS = {
    "0": "111 101 101 101 111", "1": "010 110 010 010 111", "2": "111 001 111 100 111", "3": "111 001 011 001 111",
    "4": "101 101 111 001 001", "5": "111 100 111 001 111", "6": "111 100 111 101 111", "7": "111 001 001 010 010",
    "8": "111 101 111 101 111", "9": "111 101 111 001 111", "-": "000 000 111 000 000", ".": "0 0 0 0 1",
}
_BLOCKS = {"00": " ", "10": "▀", "01": "▄", "11": "█"}


def can_enlarge(text: str) -> bool:
    """Only figures, a point and a minus have a large form."""
    return bool(text) and all(char in _DOTS for char in text)


def large_width(text: str) -> int:
    """Cells that the large form takes."""
    return sum(len(_DOTS[char].split()[0]) + 1 for char in text) - 1


def enlarge(text: str) -> list[str]:
    """The large form: three rows of the same width. Raises KeyError for what has none."""
    figures = [[*_DOTS[char].split(), ""] for char in text]
    rows = []
    for row in range(ROWS):
        parts = []
        for figure in figures:
            upper, lower = figure[2 * row], figure[2 * row + 1] or "0" * len(figure[0])
            parts.append("".join(_BLOCKS[up + low] for up, low in zip(upper, lower, strict=True)))
        rows.append(" ".join(parts))
    return rows
