"""The second band as lines: a title and the readings, side by side, the first ones large where there is room.

In a large window all are large, their figures and trends as high as it allows.

    large, five rows and more        small, two rows
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
from faultlamp.tui.readings.digits import MOST_SCALE, can_enlarge, enlarge, large_rows, large_width
from faultlamp.tui.readings.trend import trend
from faultlamp.tui.readings.value import SHAPES, Seen, Value, in_unit
from faultlamp.tui.times import NS_PER_S, age

TREND_NS = 60 * NS_PER_S
"""How long a trend is unless another length was chosen."""

TALL_SCREEN = 40
"""From so many rows on there is room for what is read from further away."""

_LARGE, _SMALL, _ONE_ROW = 5, 2, 1
_LOW_SCREEN = 24
_TILE = 26
_MOST_TREND_ROWS = 4
# A trend has at most sixty samples: with more columns it would look as if some were missing.
_MOST_COLUMNS = 56
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


class Layout(NamedTuple):
    """How the tiles stand: columns of them, the height of each row, and what all large ones look like.

    scale: how large the figures are. trend_rows: how high the trend is.
    """

    columns: int
    heights: tuple[int, ...]
    scale: int = 1
    trend_rows: int = 1

    @property
    def rows(self) -> int:
        """Of the whole band, its heading included."""
        return 1 + sum(self.heights)


def layout(count: int, width: int, screen_height: int, *, roomy: bool = True, crowded: bool = False) -> Layout:
    """The largest figures at which all readings have room, and under them trends as high as there is room.

    Room is two fifths of the screen; of a tall one half where the lanes need little (roomy): they keep the rest. Where
    not all can be large, rows of large ones stand on top of small ones; rows for which there is not even that room are
    left out.

    crowded: the lanes do not all have room. Then a quarter of the screen is enough, as long as no reading is left out
    for it; in a very low one each has a single row, and a quarter is enough in any case.
    """
    count = max(count, 1)
    share = screen_height // 2 if roomy and screen_height >= TALL_SCREEN else screen_height * 2 // 5
    room = max(share - 1, _SMALL)
    if crowded:
        small_rows = -(-count // max(1, min(count, width // _TILE)))
        quarter = max(screen_height // 4 - 1, _SMALL)
        if screen_height < _LOW_SCREEN:
            return Layout(-(-count // small_rows), (_ONE_ROW,) * min(small_rows, quarter))
        room = min(room, max(quarter, small_rows * _SMALL))
    for scale in range(MOST_SCALE, 0, -1):
        rows = -(-count // max(1, min(count, width // _tile_width(scale))))
        if rows * (_LARGE - large_rows(1) + large_rows(scale)) <= room and width >= _tile_width(scale):
            trend_rows = min(room // rows - 1 - large_rows(scale), _MOST_TREND_ROWS)
            return Layout(-(-count // rows), (1 + large_rows(scale) + trend_rows,) * rows, scale, trend_rows)
    columns = max(1, min(count, width // _TILE))
    heights = [_SMALL] * min(-(-count // columns), room // _SMALL)
    for row in range(len(heights)):
        if sum(heights) + _LARGE - _SMALL <= room:
            heights[row] = _LARGE
    return Layout(columns, tuple(heights))


def band(
    heading: Line, shown: Sequence[Shown], now_ns: int, width: int, screen_height: int, *, held: bool = False,
    roomy: bool = True, crowded: bool = False,
) -> list[Line]:
    """The heading and the tiles, rows of exactly `width` cells.

    held: the readings are of a moment gone by. roomy: the lanes need little room. crowded: they do not all have it.
    """
    columns, heights, scale, trend_rows = layout(len(shown), width, screen_height, roomy=roomy, crowded=crowded)
    cells = width // columns
    beyond = sum(bool(item.beyond) for item in shown)
    if beyond:
        marks = "its mark" if beyond == 1 else "their marks"
        heading = line(*heading.pieces, Piece(f", {beyond} beyond {marks}", Role.WARN))
    left_out = len(shown) - columns * len(heights)
    if left_out > 0:
        words = f", {left_out} more do not fit"
        if cell_len(heading.text) + len(words) > width:
            words = f", {left_out} more"
        heading = line(*heading.pieces, Piece(words, Role.WARN))
    rows = [fit_line(heading, width)]
    for row, height in enumerate(heights):
        tiles = [
            large_tile(item, now_ns, cells - 2, held, scale, trend_rows) if height > _SMALL
            else small_tile(item, now_ns, cells - 2, held) if height == _SMALL
            else [one_row_tile(item, cells - 2, held)]
            for item in shown[row * columns : (row + 1) * columns]
        ]
        for parts in zip(*tiles, strict=True):
            pieces = [piece for part in parts for piece in (*fit_line(part, cells - 2).pieces, Piece("  "))]
            rows.append(fit_line(line(*pieces), width))
    return rows


def one_row_tile(item: Shown, width: int, held: bool) -> Line:
    """One reading in a row: no trend, and of its age only that it is stale."""
    text = f"{_small_text(in_unit(item.value, item.unit))} {item.beyond}".strip()
    room = max(width - cell_len(text) - 1, 0)
    return line(Piece(f"{fit(_label(item, width), room)} ", Role.STRONG), Piece(text, _role(item, held)))


def small_tile(item: Shown, now_ns: int, width: int, held: bool) -> list[Line]:
    """One reading in two rows."""
    value = in_unit(item.value, item.unit)
    label, old = _label(item, width), _age(value, held)
    if cell_len(label) + len(old) >= width:
        old = old.partition(" s")[0] + " s" if " s" in old else old
    first = line(Piece(fit(label, max(width - len(old) - 1, 0)), Role.STRONG), " ", Piece(old, Role.DIM))
    text = f"{_small_text(value)} {item.beyond}".strip()
    graph = "".join(_trend(item, now_ns, width - cell_len(text) - 2, 1))
    return [first, line(Piece(text, _role(item, held)), "  ", Piece(graph, Role.DIM))]


def large_tile(
    item: Shown, now_ns: int, width: int, held: bool, scale: int = 1, trend_rows: int = 1
) -> list[Line]:
    """One reading with large figures over its trend."""
    value = in_unit(item.value, item.unit)
    role = _role(item, held)
    old = _age(value, held)
    said = [Piece(fit(old, max(len(old), 0 if item.beyond else 10)), Role.DIM), Piece(" ")]
    if item.beyond:
        said += [Piece(item.beyond, role), Piece(" ")]
    left = sum(cell_len(piece.text) for piece in said)
    graph = _trend(item, now_ns, width - left, trend_rows)
    over = [line(" " * left, Piece(row, Role.DIM)) for row in graph[:-1]] or [Line()] * (trend_rows - 1)
    last = line(*said, *(Piece(row, Role.DIM) for row in graph[-1:]))
    return [line(Piece(_label(item, width), Role.STRONG)), *_large_text(value, width, role, scale), *over, last]


def _tile_width(scale: int) -> int:
    """The least one: four figures and a unit of four letters, and what keeps it from the next one."""
    return max(large_width("0000", scale) + 7, _TILE)


def _role(item: Shown, held: bool) -> Role:
    return Role.WARN if item.beyond else Role.HELD if held else _ROLES[item.value.seen]


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


def _large_text(value: Value, width: int, role: Role, scale: int) -> list[Line]:
    """Figures as large as there is room, at most `scale`; else words. As many rows as figures of that scale have."""
    height = large_rows(scale)
    if value.seen is Seen.NUMBER and can_enlarge(value.text):
        for size in range(scale, 0, -1):
            if large_width(value.text, size) + len(value.unit) < width:
                rows = [line(Piece(row, role)) for row in enlarge(value.text, size)]
                rows[-1] = line(*rows[-1].pieces, Piece(f" {value.unit}", Role.STRONG))
                return [Line()] * (height - len(rows)) + rows
    word, comma, rest = _small_text(value).partition(", ")
    words = [line(Piece(word, role)), line(Piece(title(rest) if comma else _meaning(value), Role.DIM))]
    above = (height - len(words) + 1) // 2
    return [Line()] * above + words + [Line()] * (height - len(words) - above)


def _meaning(value: Value) -> str:
    return {
        Seen.NOT_AVAILABLE: "its controller says so",
        Seen.ERROR: "its controller says so",
        Seen.STALE: "Last said: no number",
        Seen.NEVER: "no frame carried it",
    }.get(value.seen, "")


def _trend(item: Shown, now_ns: int, width: int, rows: int) -> list[str]:
    if width < 4 or item.value.seen is Seen.NEVER:
        return []
    number = item.value.number or 0.0
    least_span = max(abs(number) * _FLAT, _FLAT_AT_LEAST)
    return trend(item.samples, now_ns - item.trend_ns, now_ns, min(width, _MOST_COLUMNS), least_span, rows)


_ROLES = {
    Seen.NUMBER: Role.STRONG, Seen.NOT_AVAILABLE: Role.DIM, Seen.ERROR: Role.WARN, Seen.STALE: Role.WARN,
    Seen.NEVER: Role.DIM,
}
