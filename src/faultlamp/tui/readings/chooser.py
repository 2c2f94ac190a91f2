"""The page on which the readings of the second band are chosen from what the bus really carries."""

from __future__ import annotations

from typing import ClassVar

from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.screen import Screen
from textual.widgets import Footer, Input, OptionList, Static
from textual.widgets.option_list import Option

from faultlamp.tui.board import MOST_PICKS, Board
from faultlamp.tui.names import title, who
from faultlamp.tui.paint import fit
from faultlamp.tui.readings.value import Pick, Seen, Value


def offers(board: Board, search: str) -> list[tuple[Pick, Value]]:
    """What can be chosen: picked readings first, then what else the bus carries; those the search words fit."""
    now_ns = board.now_ns or 0
    picked = [(pick, board.readings.value(board.job, pick, now_ns)) for pick in board.picks]
    shown = {(value.spn, value.source) for _, value in picked}
    others = [
        (Pick(value.spn, value.source.channel, value.source.source_address), value)
        for value in board.readings.carried(board.job, now_ns)
        if value.source is not None and (value.spn, value.source) not in shown
    ]
    # What its controller does not measure comes last.
    others.sort(key=lambda offer: offer[1].seen is Seen.NOT_AVAILABLE)
    words = search.lower().split()
    return [
        (pick, value) for pick, value in picked + others
        if all(word in f"{value.spn} {value.name}".lower() for word in words)
    ]


def offer_text(value: Value, picked: bool, width: int) -> str:
    """One row: whether it is shown, number, name, sender, value."""
    sender = title(who(value.source.source_address)) if value.source else "-"
    name_cells = max(width - 48, 12)
    mark = "[x]" if picked else "[ ]"
    return f"{mark} {value.spn:>6} {fit(value.name, name_cells)} {fit(sender, 14)} {fit(value.words, 20)}"


class Chooser(Screen[None]):
    """Type to search, arrows to move, Enter to show a reading or to drop it."""

    DEFAULT_CSS = """
    Chooser { background: $background; }
    Chooser Static { padding: 0 1; color: $text-muted; }
    Chooser Input { padding: 0 1; margin: 0 0 1 0; }
    Chooser OptionList { border: none; height: 1fr; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "leave", "Done", tooltip="Back to the dashboard"),
        Binding("enter", "choose", "Show or drop", tooltip="Show the reading, or drop it"),
        Binding("up", "move(-1)", "Up", show=False, tooltip="Row above"),
        Binding("down", "move(1)", "Down", show=False, tooltip="Row below"),
    ]

    def __init__(self, board: Board) -> None:
        super().__init__()
        self._board = board
        self._offers: list[tuple[Pick, Value]] = []

    def compose(self) -> ComposeResult:
        """Search, list, keys."""
        yield Static(
            f"Readings on the screen, {MOST_PICKS} at most, out of what the bus carries. "
            "Type to search, ↑ ↓ to move, Enter to show or drop, Esc when done.",
            markup=False,
        )
        yield Input(placeholder="type a name or an SPN to search", select_on_focus=False, compact=True)
        yield OptionList(markup=False)
        yield Footer(compact=True, show_command_palette=False)

    def on_mount(self) -> None:
        """Typing searches at once."""
        self.query_one(OptionList).can_focus = False
        self.query_one(Input).focus()

    def on_resize(self) -> None:
        """Another width, other rows."""
        self.call_after_refresh(self._fill)

    @on(Input.Changed)
    def search_changed(self) -> None:
        """Other words, other rows."""
        self.query_one(OptionList).highlighted = None
        self._fill()

    @on(Input.Submitted)
    def submitted(self) -> None:
        """Enter in the search field means the row."""
        self.action_choose()

    @on(OptionList.OptionSelected)
    def clicked(self) -> None:
        """A click on a row means the row."""
        self.action_choose()

    def action_move(self, by: int) -> None:
        """Another row."""
        rows = self.query_one(OptionList)
        if rows.option_count:
            rows.highlighted = min(max((rows.highlighted or 0) + by, 0), rows.option_count - 1)

    def action_choose(self) -> None:
        """Show the reading of the row, or drop it."""
        row = self.query_one(OptionList).highlighted
        if row is None or row >= len(self._offers):
            return
        pick = self._offers[row][0]
        picks = self._board.picks
        if pick in picks:
            if len(picks) > 1:
                picks.remove(pick)
            else:
                self.notify("One reading has to stay.", markup=False)
        elif len(picks) < MOST_PICKS:
            picks.append(pick)
        else:
            self.notify(f"{MOST_PICKS} readings at most: drop one first.", markup=False)
        self._fill()

    def action_leave(self) -> None:
        """Back to the dashboard."""
        self.dismiss()

    def _fill(self) -> None:
        rows = self.query_one(OptionList)
        highlighted = rows.highlighted or 0
        self._offers = offers(self._board, self.query_one(Input).value)
        width = max(self.size.width - 4, 40)
        rows.clear_options()
        rows.add_options(
            Option(offer_text(value, pick in self._board.picks, width)) for pick, value in self._offers
        )
        if self._offers:
            rows.highlighted = min(highlighted, len(self._offers) - 1)
        else:
            rows.add_option(Option("Nothing fits: the bus has not carried such a reading so far.", disabled=True))
