"""Words and counts that are read from across the bay: letters of five by seven dots, as large as there is room.

A dot is at least half a cell high; larger, it is a block of cells twice as wide as high, which looks square. The seven
rows of a letter stand in five bits each, from the top, for instance T:

    #####   ..#..   ..#..   ..#..   ..#..   ..#..   ..#..
"""

from __future__ import annotations

_ROWS = 7
_DOTS = {
    "A": "01110 10001 10001 11111 10001 10001 10001", "B": "11110 10001 10001 11110 10001 10001 11110",
    "C": "01110 10001 10000 10000 10000 10001 01110", "D": "11110 10001 10001 10001 10001 10001 11110",
    "E": "11111 10000 10000 11110 10000 10000 11111", "F": "11111 10000 10000 11110 10000 10000 10000",
    "H": "10001 10001 10001 11111 10001 10001 10001", "I": "01110 00100 00100 00100 00100 00100 01110",
    "K": "10001 10010 10100 11000 10100 10010 10001", "L": "10000 10000 10000 10000 10000 10000 11111",
    "M": "10001 11011 10101 10101 10001 10001 10001", "N": "10001 11001 11001 10101 10011 10011 10001",
    "O": "01110 10001 10001 10001 10001 10001 01110", "P": "11110 10001 10001 11110 10000 10000 10000",
    "R": "11110 10001 10001 11110 10100 10010 10001", "S": "01111 10000 10000 01110 00001 00001 11110",
    "T": "11111 00100 00100 00100 00100 00100 00100", "U": "10001 10001 10001 10001 10001 10001 01110",
    "W": "10001 10001 10001 10101 10101 11011 10001", "0": "01110 10001 10011 10101 11001 10001 01110",
    "1": "00100 01100 00100 00100 00100 00100 01110", "2": "01110 10001 00001 00110 01000 10000 11111",
    "3": "01110 10001 00001 00110 00001 10001 01110", "4": "00010 00110 01010 10010 11111 00010 00010",
    "5": "11111 10000 11110 00001 00001 10001 01110", "6": "01110 10000 10000 11110 10001 10001 01110",
    "7": "11111 00001 00010 00100 01000 01000 01000", "8": "01110 10001 10001 01110 10001 10001 01110",
    "9": "01110 10001 10001 01111 00001 00001 01110", " ": "000 000 000 000 000 000 000",
}
_HALVES = {"00": " ", "10": "▀", "01": "▄", "11": "█"}


def large(text: str, width: int, height: int) -> list[str]:
    """The text as large as fits; itself where not even the smallest form does. Raises KeyError for other letters."""
    rows = ["0".join(parts) for parts in zip(*(_DOTS[char].split() for char in text), strict=True)]
    scale = min(width // (2 * len(rows[0])), height // _ROWS)
    if scale:
        return [
            "".join(("█" if dot == "1" else " ") * (2 * scale) for dot in row) for row in rows for _ in range(scale)
        ]
    if len(rows[0]) <= width and height > _ROWS // 2:
        pairs = zip(rows[::2], [*rows[1::2], "0" * len(rows[0])], strict=True)
        return ["".join(_HALVES[up + low] for up, low in zip(*pair, strict=True)) for pair in pairs]
    return [text]
