"""The second band as lines: a title and the readings, side by side, the first ones large where there is room.

    large, five rows                 small, two rows
    Engine speed                     Battery           <1 s ago
    ▀█  █▀▀ █▀█ █▀█                  27.6 V          ▄▄▄▅▅▄▄▄▄▄
     █  ▀▀█ █ █ █ █
    ▀▀▀ ▀▀▀ ▀▀▀ ▀▀▀ rpm
    <1 s ago        ▁▂▃▅▇███
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from rich.cells import cell_len

from faultlamp.tui.names import title, who
from faultlamp.tui.paint import Line, Piece, Role, fit, fit_line, line
from faultlamp.tui.readings.digits import ROWS, can_enlarge, enlarge, large_width
from faultlamp.tui.readings.trend import trend
from faultlamp.tui.readings.value import SHAPES, Seen, Value, in_unit
from faultlamp.tui.times import NS_PER_S, age

TREND_NS = 60 * NS_PER_S
"""How long a trend is unless another length was chosen."""

_LARGE, _SMALL = ROWS + 2, 2
_TILE = 26
_SHORT_NAMES = {
    92: "Load", 100: "Oil pressure", 110: "Coolant temperature", 168: "Battery", 190: "Engine speed",
    247: "Engine hours",
}
# A trend that covers less than this share of the number is noise.
_FLAT = 0.05
_FLAT_AT_LEAST = 1.0

Samples = Sequence[tuple[int, float | None]]


class Shown(NamedTuple):
    """A reading with its recent samples, both as sent.

    of_engine: no need to say who sent it. unit: in which to show it, "" for as sent. beyond: which mark it is beyond,
    in words. trend_ns: how long the trend is.
    """

    value: Value
    samples: Samples = ()
    of_engine: bool = True
    unit: str = ""
    beyond: str = ""
    trend_ns: int = TREND_NS


def tile_rows(count: int, width: int, screen_height: int) -> list[int]:
    """Heights of the rows of tiles: large ones from the top as long as all take two fifths of the screen at most.

    Rows for which there is not even that room are left out.
    """
    columns = _columns(count, width)
    room = max(screen_height * 2 // 5 - 1, _SMALL)
    heights = [_SMALL] * min(-(-count // columns), room // _SMALL)
    for row in range(len(heights)):
        if sum(heights) + _LARGE - _SMALL <= room:
            heights[row] = _LARGE
    return heights


def band(
    heading: Line, shown: Sequence[Shown], now_ns: int, width: int, screen_height: int, *, held: bool = False
) -> list[Line]:
    """The heading and the tiles, rows of exactly `width` cells. held: the readings are of a moment gone by."""
    columns = _columns(len(shown), width)
    cells = width // columns
    heights = tile_rows(len(shown), width, screen_height)
    beyond = sum(bool(item.beyond) for item in shown)
    if beyond:
        marks = "its mark" if beyond == 1 else "their marks"
        heading = line(*heading.pieces, Piece(f", {beyond} beyond {marks}", Role.WARN))
    left_out = len(shown) - columns * len(heights)
    if left_out > 0:
        heading = line(*heading.pieces, Piece(f", {left_out} more do not fit", Role.WARN))
    rows = [fit_line(heading, width)]
    for row, height in enumerate(heights):
        tiles = [
            tile(item, now_ns, cells - 2, height == _LARGE, held) for item in shown[row * columns : (row + 1) * columns]
        ]
        for parts in zip(*tiles, strict=True):
            pieces = [piece for part in parts for piece in (*fit_line(part, cells - 2).pieces, Piece("  "))]
            rows.append(fit_line(line(*pieces), width))
    return rows


def tile(item: Shown, now_ns: int, width: int, large: bool, held: bool) -> list[Line]:
    """One reading, five rows or two."""
    value = in_unit(item.value, item.unit)
    role = Role.WARN if item.beyond else Role.HELD if held else _ROLES[value.seen]
    label = _label(item, width)
    old = _age(value, held)
    if not large:
        if cell_len(label) + len(old) >= width:
            old = old.partition(" s")[0] + " s" if " s" in old else old
        first = line(Piece(fit(label, max(width - len(old) - 1, 0)), Role.STRONG), " ", Piece(old, Role.DIM))
        text = f"{_small_text(value)} {item.beyond}".strip()
        graph = _trend(item, now_ns, width - cell_len(text) - 2)
        return [first, line(Piece(text, role), "  ", Piece(graph, Role.DIM))]
    said = [Piece(fit(old, max(len(old), 0 if item.beyond else 10)), Role.DIM), Piece(" ")]
    if item.beyond:
        said += [Piece(item.beyond, role), Piece(" ")]
    graph = _trend(item, now_ns, width - sum(cell_len(piece.text) for piece in said))
    last = line(*said, Piece(graph, Role.DIM))
    return [line(Piece(label, Role.STRONG)), *_large_text(value, width, role), last]


def _columns(count: int, width: int) -> int:
    return max(1, min(count, width // _TILE))


def _label(item: Shown, width: int) -> str:
    value = item.value
    name = _SHORT_NAMES.get(value.spn) or value.name
    if cell_len(name) > width:
        # What is cut off is often what tells one reading from another.
        name = f"{value.spn} {name}"
    return name if item.of_engine or value.source is None else f"{name}, {who(value.source.source_address)}"


def _age(value: Value, held: bool) -> str:
    if value.age_ns is None:
        return ""
    return f"{age(value.age_ns)} {'old then' if held else 'ago'}"


def _small_text(value: Value) -> str:
    if value.seen is Seen.NUMBER:
        return value.amount
    last = f", last {value.amount}" if value.seen is Seen.STALE and value.amount else ""
    return f"{SHAPES[value.seen]} {str(value.seen).upper()}{last}"


def _large_text(value: Value, width: int, role: Role) -> list[Line]:
    if value.seen is Seen.NUMBER and can_enlarge(value.text) and large_width(value.text) + len(value.unit) < width:
        rows = [line(Piece(row, role)) for row in enlarge(value.text)]
        return [*rows[:-1], line(*rows[-1].pieces, Piece(f" {value.unit}", Role.STRONG))]
    word, comma, rest = _small_text(value).partition(", ")
    return [Line(), line(Piece(word, role)), line(Piece(title(rest) if comma else _meaning(value), Role.DIM))]


def _meaning(value: Value) -> str:
    return {
        Seen.NOT_AVAILABLE: "its controller says so",
        Seen.ERROR: "its controller says so",
        Seen.STALE: "last said: no number",
        Seen.NEVER: "no frame carried it",
    }.get(value.seen, "")


def _trend(item: Shown, now_ns: int, width: int) -> str:
    if width < 4 or item.value.seen is Seen.NEVER:
        return ""
    number = item.value.number or 0.0
    return trend(item.samples, now_ns - item.trend_ns, now_ns, width, max(abs(number) * _FLAT, _FLAT_AT_LEAST))


_ROLES = {
    Seen.NUMBER: Role.STRONG, Seen.NOT_AVAILABLE: Role.DIM, Seen.ERROR: Role.WARN, Seen.STALE: Role.WARN,
    Seen.NEVER: Role.DIM,
}
