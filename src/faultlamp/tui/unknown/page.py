"""The page of the parameter groups without a layout, for the curious: number, sender, rate, latest bytes."""

from __future__ import annotations

from faultlamp.tui.board import Board
from faultlamp.tui.names import count_of, title, who
from faultlamp.tui.page import Page
from faultlamp.tui.paint import Line, Piece, Role, fit, line, wrap
from faultlamp.tui.times import age
from faultlamp.tui.unknown.groups import Group, Heard, UnknownGroups

_INTRODUCTION = (
    "Parameter groups that came and of which faultlamp knows no layout, with their latest bytes in hexadecimal. "
    "'own' marks numbers that every maker may use for something else. A DBC file given with --dbc makes readings of "
    "those that it describes."
)
_NONE = "None so far: every group that came has a layout, or faultlamp reads it in another way."
_NOTHING_HEARD = "Nothing has been heard so far. Key on? Connector seated? `faultlamp doctor` checks adapter and bus."
_MAKERS_OWN = "own"


def unknown_lines(
    unknown: UnknownGroups, now_ns: int, channels: int, width: int, *, heard: bool = True
) -> list[Line]:
    """The page, rows of at most `width` cells.

    channels: how many the job has; of several each is named. heard: whether there was any frame.
    """
    rows = [
        line(Piece("GROUPS WITHOUT A LAYOUT", Role.TITLE), Piece(f"  {count_of(len(unknown.groups), 'group')}")),
        *(line(Piece(text, Role.DIM)) for text in wrap(_INTRODUCTION, width)),
        Line(),
    ]
    if unknown.refused:
        text = f"{unknown.refused} further messages of more groups found no room here."
        rows.insert(1, line(Piece(text, Role.WARN)))
    if not unknown.groups:
        return [*rows, *(line(text) for text in wrap(_NONE if heard else _NOTHING_HEARD, width))]
    sender_cells = max(min(width - 64, 40), 12)
    rows.append(_fitted(_row("PGN", "hex", "Sender", sender_cells, "Rate", "Heard", "Bytes"), width, Role.STRONG)[0])
    for group, latest in sorted(unknown.groups.items(), key=lambda item: (item[0].pgn, item[0])):
        rows += _fitted(_group(group, latest, now_ns, channels, sender_cells), width)
    return rows


def _fitted(parts: tuple[str, str], width: int, role: Role = Role.PLAIN) -> list[Line]:
    """In one row, or the bytes below where there is no room beside."""
    text = "  ".join(parts).rstrip()
    if len(text) <= width:
        return [line(Piece(text, role))]
    return [line(Piece(fit(parts[0], width), role)), line(Piece(fit(f"       {parts[1].rstrip()}", width), role))]


def _group(group: Group, heard: Heard, now_ns: int, channels: int, sender_cells: int) -> tuple[str, str]:
    sender = title(who(group.source_address, group.channel if channels > 1 else ""))
    content = f"{heard.size} bytes in packets" if heard.size else heard.payload.hex(" ").upper() or "no bytes"
    own = f"  {_MAKERS_OWN}" if _is_makers_own(group.pgn) else ""
    ago = f"{age(max(now_ns - heard.last_ns, 0))} ago"
    return _row(str(group.pgn), f"{group.pgn:05X}", sender, sender_cells, rate_words(heard), ago, f"{content:<23}{own}")


def _row(number: str, hexadecimal: str, sender: str, cells: int, rate: str, ago: str, content: str) -> tuple[str, str]:
    return f"{number:>6} {hexadecimal:>5} {fit(sender, cells)} {rate:>9} {ago:>10}", content


def rate_words(heard: Heard) -> str:
    """`10/s`, `every 5 s`, `once`."""
    rate = heard.rate
    if rate is None:
        return "once" if heard.frames == 1 else "-"
    if rate >= 0.95:
        return f"{rate:.0f}/s"
    return f"every {1 / rate:.0f} s" if rate > 0 else "-"


def _is_makers_own(pgn: int) -> bool:
    """Proprietary A, A2 and B: SAE J1939-21, section 5.4.6 (from memory); B on both data pages."""
    return pgn in (61184, 126720) or 0xFF00 <= pgn & 0x1FFFF <= 0xFFFF or 0x1FF00 <= pgn <= 0x1FFFF


class UnknownPage(Page):
    """What is heard and not understood; it stays up to date while it is open."""

    def __init__(self, board: Board) -> None:
        super().__init__()
        self._board = board

    def page(self, width: int) -> list[Line]:
        """The groups as they are now."""
        job = self._board.job
        heard = bool(job.history.frames)
        return unknown_lines(job.unknown, self._board.now_ns or 0, len(job.history.channels), width, heard=heard)
