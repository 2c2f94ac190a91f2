"""The page for finding a loose wire by hand, with the screen across the bay: one word, large, and a bell."""

from __future__ import annotations

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType

from faultlamp.findings.make_and_break import Contact
from faultlamp.knowledge.names import fmi_meaning
from faultlamp.text import printable
from faultlamp.tui.board import Board
from faultlamp.tui.canvas import Canvas
from faultlamp.tui.key_line import KeyLine
from faultlamp.tui.lanes.lane import LaneKey
from faultlamp.tui.names import who
from faultlamp.tui.page import Page
from faultlamp.tui.paint import Line
from faultlamp.tui.readings.value import Pick
from faultlamp.tui.wiggle.targets import reading_of, targets
from faultlamp.tui.wiggle.text import Shown, wiggle_lines
from faultlamp.tui.wiggle.watch import Target

_SLOW = "A fault answers only when its controller decides, a second and more after the wire."


class WigglePage(Page):
    """The contact that the board watches."""

    DEFAULT_CSS = """
    WigglePage #page { height: 1fr; margin: 0 1; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("right,tab", "next(1)", "Next", tooltip="Watch the next one: the fault, its reading, other readings"),
        Binding("left,shift+tab", "next(-1)", "Previous", show=False, tooltip="Watch the one before"),
        Binding("r", "reset", "Count anew", tooltip="Count makes and breaks from zero"),
        Binding("h", "hush", "Bell", tooltip="No bell any more, or again"),
        Binding("x", "leave", "Back", show=False, tooltip="Back to the dashboard"),
    ]

    def __init__(self, board: Board) -> None:
        super().__init__()
        self._board = board
        self._picked: LaneKey | None = None

    def compose(self) -> ComposeResult:
        """All of the screen, nothing to scroll."""
        yield Canvas(id="page")
        yield KeyLine()

    def on_screen_resume(self) -> None:
        """It can be heard."""
        self._board.watch.on_screen = True
        super().on_screen_resume()

    def on_screen_suspend(self) -> None:
        """Not any more."""
        self._board.watch.on_screen = False

    def open_on_pick(self) -> bool:
        """Watch the picked fault, or go on with what was watched for it; False when there is nothing to watch."""
        board, found = self._board, targets(self._board)
        if not found or board.now_ns is None:
            return False
        picked = found[0].fault
        # It stays picked when the lanes change places.
        board.view.move(board.shown_lanes, 0)
        if board.watch.target is None or picked != self._picked:
            board.watch.begin(found[0], board.job, board.now_ns)
        self._picked = picked
        board.watch.hush()
        return True

    def redraw(self) -> None:
        """Draw what is true now, and ring for what is new."""
        size = self.app.size
        for canvas in self.query("#page").results(Canvas):
            canvas.show(self.page_of(size.width - 2, size.height - 1))
        board = self._board
        if self.app.screen is self and board.watch.take_bell() and not board.attention.muted:
            self.app.bell()

    def page_of(self, width: int, height: int) -> list[Line]:
        """Rows for a size."""
        board = self._board
        target = board.watch.target
        if target is None or width < 1:
            return []
        mode = "" if board.feed.status().live else board.feed.status().short_mode
        shown = Shown(
            f"{self._what(target)}{f' ({mode})' if mode else ''}", board.watch.state, board.watch.log,
            self._said(target), self._notes(target),
            "bell off, h: on" if board.attention.muted else "a bell on each, h: off",
        )
        return wiggle_lines(shown, board.now_ns or 0, board.start_ns, width, height)

    def action_next(self, by: int) -> None:
        """Watch another one."""
        board, found = self._board, targets(self._board)
        if not found or board.now_ns is None:
            return
        target = board.watch.target
        place = (found.index(target) + by) % len(found) if target in found else 0
        if found[place] == target:
            self.notify("There is nothing else to watch: the bus carries no reading of it.", timeout=3, markup=False)
            return
        board.watch.begin(found[place], board.job, board.now_ns)
        self.redraw()

    def action_reset(self) -> None:
        """From zero."""
        if self._board.now_ns is not None:
            self._board.watch.reset(self._board.now_ns)
            self.notify("Counted from zero.", timeout=2, markup=False)
            self.redraw()

    def action_hush(self) -> None:
        """No bell, or again."""
        attention = self._board.attention
        attention.muted = not attention.muted
        self._board.watch.hush()
        self.redraw()

    def _what(self, target: Target) -> str:
        board = self._board
        name = board.tables.names.describe(target.spn)
        several = len(board.job.history.channels) > 1
        if target.fault is not None:
            fault = target.fault
            sender = who(fault.source_address, fault.channel if several else "")
            return f"WIGGLE fault SPN {fault.spn} FMI {fault.fmi} {name}: {fmi_meaning(fault.fmi)}, {sender}"
        source = target.source
        sender = "" if source is None else f", {who(source.source_address, source.channel if several else '')}"
        return f"WIGGLE reading SPN {target.spn} {name}{sender}"

    def _said(self, target: Target) -> str:
        board, watch = self._board, self._board.watch
        if watch.lost:
            return f"the bus is lost, {printable(watch.lost, longest=120)}"
        if target.source is not None and watch.state is not Contact.BROKEN:
            pick = Pick(target.spn, target.source.channel, target.source.source_address)
            value = board.choices.presented(board.readings.value(board.job, pick, board.now_ns or 0))
            return value.words
        return watch.log.text

    def _notes(self, target: Target) -> list[str]:
        board = self._board
        notes = ["The recording moved back: counted anew from there."] if board.watch.moved else []
        if target.fault is not None:
            lane = next((lane for lane in board.lanes if lane.key == target.fault), None)
            reading = None if lane is None else reading_of(board, lane)
            better = "The bus carries no reading of it." if reading is None else (
                "Its reading answers at once: Tab watches that."
            )
            return [*notes, f"{_SLOW} {better}"]
        jump = board.watch.jump
        far = "" if jump is None else f", a jump of more than {jump[0]:g} {jump[1]}"
        return [
            *notes, f"Answers with every frame. A break is: sensor error, not available, no frame{far} "
            "(common practice, no source).",
        ]
