"""Numbers large enough for two metres: half blocks, each figure three by five dots, a dot square whatever its size.

The dots of a figure stand in fifteen bits, row by row from the top, for instance 7:

    ###     111
    ..#     001
    ..#  =  001
    .#.     010
    .#.     010

At scale 1 a dot is one cell wide and half a cell high; at scale 2 twice that, and so on.
"""

from __future__ import annotations

MOST_SCALE = 4
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


def large_rows(scale: int) -> int:
    """Rows that the large form takes: 3, 5, 8, 10."""
    return (_DOT_ROWS * scale + 1) // 2


def large_width(text: str, scale: int = 1) -> int:
    """Cells that the large form takes."""
    return scale * (sum(len(_DOTS[char].split()[0]) + 1 for char in text) - 1)


def enlarge(text: str, scale: int = 1) -> list[str]:
    """The large form: rows of the same width. Raises KeyError for what has none."""
    dots = ["0".join(parts) for parts in zip(*(_DOTS[char].split() for char in text), strict=True)]
    halves = ["".join(dot * scale for dot in row) for row in dots for _ in range(scale)]
    halves += ["0" * len(halves[0])] * (len(halves) % 2)
    return [
        "".join(_BLOCKS[up + low] for up, low in zip(upper, lower, strict=True))
        for upper, lower in zip(halves[::2], halves[1::2], strict=True)
    ]
