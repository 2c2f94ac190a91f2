"""The page on which the readings of the second band are chosen from what the bus really carries, and put in order."""

from __future__ import annotations

from typing import ClassVar

from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.screen import Screen
from textual.widgets import Input, OptionList, Static
from textual.widgets.option_list import Option

from faultlamp.tui.board import Board
from faultlamp.tui.key_line import KeyLine
from faultlamp.tui.names import title, who
from faultlamp.tui.paint import fit
from faultlamp.tui.readings.choice import MOST_PICKS
from faultlamp.tui.readings.setup import Setup
from faultlamp.tui.readings.value import Pick, Seen, Value

_MOST_ROWS = 400
_REFRESH_S = 1.0


def offers(board: Board, search: str) -> list[tuple[Pick, Value]]:
    """What can be chosen: picked readings first, then what else the bus carries; those the search words fit."""
    now_ns = board.now_ns or 0
    picked = [(pick, board.readings.value(board.job, pick, now_ns)) for pick in board.picks]
    shown = {(value.spn, value.source) for _, value in picked}
    # A machine's choices outlive the channel that it was heard on: it is named only where there are several.
    several = len(board.job.history.channels) > 1
    others = [
        (Pick(value.spn, value.source.channel if several else None, value.source.source_address), value)
        for value in board.readings.carried(board.job, now_ns)
        if value.source is not None and (value.spn, value.source) not in shown
    ]
    # One SPN in two groups of one sender is one reading; what its controller does not measure comes last.
    others = list({pick: (pick, value) for pick, value in reversed(others)}.values())[::-1]
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
    Chooser OptionList { border: none; height: 1fr; background: $background; }
    Chooser OptionList > .option-list--option-highlighted {
        color: $block-cursor-foreground; background: $block-cursor-background; text-style: bold;
    }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "leave", "Done", tooltip="Back to the dashboard"),
        Binding("enter", "choose", "Show or drop", tooltip="Show the reading, or drop it"),
        Binding("tab", "setup", "Unit, marks, trends", tooltip="Unit, low and high mark, place, length of the trends"),
        Binding("shift+up", "order(-1)", "Forward", tooltip="Show the reading one place further forward"),
        Binding("shift+down", "order(1)", "Back", tooltip="Show the reading one place further back"),
        Binding("up", "move(-1)", "Up", show=False, tooltip="Row above"),
        Binding("down", "move(1)", "Down", show=False, tooltip="Row below"),
        Binding("pageup", "move(-10)", "Ten up", show=False, tooltip="Ten rows up"),
        Binding("pagedown", "move(10)", "Ten down", show=False, tooltip="Ten rows down"),
    ]

    def __init__(self, board: Board) -> None:
        super().__init__()
        self._board = board
        self._offers: list[tuple[Pick, Value]] = []
        self._setup = Setup(board)
        self._marked = 0

    def compose(self) -> ComposeResult:
        """Search, list, keys."""
        yield Static(
            f"Readings on the screen, {MOST_PICKS} at most, out of what the bus carries. Type to search, ↑ ↓ to move, "
            "Enter to show or drop, Shift+↑ ↓ to put in order, Tab for unit, marks and trends, Esc when done.",
            markup=False,
        )
        yield Input(placeholder="type a name or an SPN to search", select_on_focus=False, compact=True)
        yield OptionList(markup=False)
        yield KeyLine()

    def on_mount(self) -> None:
        """Typing searches at once."""
        self.app.install_screen(self._setup, Setup.__name__)
        self.query_one(OptionList).can_focus = False
        self.query_one(Input).focus()
        self.set_interval(_REFRESH_S, self._follow)

    def on_screen_resume(self) -> None:
        """Opened again: nothing searched for yet. Back from the settings of a reading: as it was left."""
        if self._setup.pick is not None:
            pick, self._setup.pick = self._setup.pick, None
            self._fill(pick)
            return
        for search in self.query(Input):
            search.value = ""
            self.query_one(OptionList).highlighted = None
            self._fill()

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

    @on(OptionList.OptionHighlighted)
    def highlighted(self) -> None:
        """The arrow goes with it: not colour alone says which row it is."""
        row = self.query_one(OptionList).highlighted
        before, self._marked = self._marked, row or 0
        for place in {before, self._marked}:
            self._write(place)

    def action_move(self, by: int) -> None:
        """Another row."""
        rows = self.query_one(OptionList)
        if self._offers:
            rows.highlighted = min(max((rows.highlighted or 0) + by, 0), len(self._offers) - 1)

    def action_choose(self) -> None:
        """Show the reading of the row, or drop it."""
        pick, board = self._pick(), self._board
        if pick is None:
            return
        if pick not in board.picks and len(board.picks) >= MOST_PICKS:
            self.notify(f"{MOST_PICKS} readings at most: drop one first.", markup=False)
        elif board.picks == [pick]:
            self.notify("One reading has to stay.", markup=False)
        else:
            board.choose(board.choices.toggled(pick))
        self._fill()

    def action_order(self, by: int) -> None:
        """Another place for the reading of the row; the row goes with it."""
        pick, board = self._pick(), self._board
        if pick not in board.picks:
            self.notify("Only readings that are shown have a place: Enter shows it.", markup=False)
            return
        board.choose(board.choices.moved(pick, by))
        self._fill(pick)

    def action_setup(self) -> None:
        """Unit, marks, place."""
        pick = self._pick()
        if pick not in self._board.picks:
            self.notify("Only readings that are shown have settings: Enter shows it.", markup=False)
        elif self.app.screen is self:
            self._setup.pick = pick
            self.app.push_screen(self._setup)

    def action_leave(self) -> None:
        """Back to the dashboard."""
        self.dismiss()

    def _pick(self) -> Pick | None:
        row = self.query_one(OptionList).highlighted
        return self._offers[row][0] if row is not None and row < len(self._offers) else None

    def _follow(self) -> None:
        """Present values, and readings that have come up meanwhile; what is highlighted stays."""
        # A tick may come while the application ends, when there is no screen any more.
        if not self.is_current:
            return
        before = [pick for pick, _ in self._offers]
        found = offers(self._board, self.query_one(Input).value)
        if [pick for pick, _ in found[:_MOST_ROWS]] != before:
            self._fill(self._pick())
            return
        for place, offer in enumerate(found[:_MOST_ROWS]):
            if offer != self._offers[place]:
                self._offers[place] = offer
                self._write(place)

    def _fill(self, pick: Pick | None = None) -> None:
        """All rows anew. pick: whose row to highlight."""
        rows = self.query_one(OptionList)
        highlighted = rows.highlighted or 0
        found = offers(self._board, self.query_one(Input).value)
        self._offers = found[:_MOST_ROWS]
        picks = [offer[0] for offer in self._offers]
        self._marked = picks.index(pick) if pick in picks else max(min(highlighted, len(picks) - 1), 0)
        rows.clear_options()
        rows.add_options(Option(self._text(place)) for place in range(len(self._offers)))
        if picks:
            rows.highlighted = self._marked
        else:
            rows.add_option(Option("Nothing fits: the bus has not carried such a reading so far.", disabled=True))
        if len(found) > len(picks):
            rows.add_option(Option(f"and {len(found) - len(picks)} more: type to search", disabled=True))

    def _write(self, place: int) -> None:
        if place < len(self._offers):
            self.query_one(OptionList).replace_option_prompt_at_index(place, self._text(place))

    def _text(self, place: int) -> str:
        pick, value = self._offers[place]
        choices = self._board.choices
        shown, width = pick in choices.picks, max(self.size.width - 5, 40)
        arrow = "▸" if place == self._marked else " "
        return arrow + offer_text(choices.presented(value, choices.of(pick)), shown, width)
