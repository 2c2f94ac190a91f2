"""The page of the intake: the question whether to transmit, the asking, and afterwards who is who.

Rule: the yes is never the first answer, and never the same key as the one that opened the page: it has to be chosen,
then confirmed.
"""

from __future__ import annotations

import time
from typing import Any, ClassVar

from textual import events
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll

from faultlamp.tui.board import Board
from faultlamp.tui.canvas import Canvas
from faultlamp.tui.intake.asker import Asker, Stage
from faultlamp.tui.intake.panel import detail_lines, panel_lines
from faultlamp.tui.intake.text import Situation, choice_line, consent_lines, outcome_words, progress_lines
from faultlamp.tui.key_line import KeyLine
from faultlamp.tui.page import Page
from faultlamp.tui.paint import Line, Piece, Role, line, wrap
from faultlamp.tui.readings.choice import ENGINE_SPEED
from faultlamp.tui.readings.value import Pick, Seen

_VEHICLE_SPEED = 84
_NO, _YES = 0, 1
_LOOK_EVERY_S = 1.0
_NOTHING = "Nobody answered. Key on? Connector seated? Bit rate right? `faultlamp doctor` checks adapter and bus."


class IntakePage(Page, inherit_bindings=False):
    """Asks for the yes unless something was asked already; then it shows that, and what is going on."""

    DEFAULT_CSS = """
    IntakePage #choice { dock: bottom; height: 2; margin: 0 0 1 1; display: none; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("tab", "choose", "Choose", priority=True, tooltip="The other answer"),
        Binding("right,left,shift+tab", "choose", "Choose", show=False, priority=True, tooltip="The other answer"),
        Binding("enter", "decide", "Do it", tooltip="Do what is chosen"),
        Binding("escape", "stop", "STOP asking", tooltip="Ask nothing any more; what was answered stays"),
        Binding("escape", "leave", "Back", tooltip="Back to the dashboard"),
        Binding("enter", "leave", "Dashboard", show=False, tooltip="Back to the dashboard; what is asked goes on"),
        Binding("q", "leave", "Dashboard", tooltip="Back to the dashboard; what is asked goes on"),
        Binding("i", "leave", "Back", show=False, tooltip="Back to the dashboard; what is asked goes on"),
        Binding("d", "details", "Details", tooltip="Every answer in full, or in short again"),
        Binding("a", "again", "Ask again", tooltip="Ask again; transmits only after another yes"),
    ]

    def __init__(self, board: Board) -> None:
        super().__init__()
        self._board = board
        self._consenting = False
        self._chosen = _NO
        self._possible = False
        self._places: list[tuple[int, int]] = []
        self._in_full = False
        self._objection = ""
        self._shown: tuple[object, ...] = ()
        self._looked_s = 0.0
        self._controllers: list[dict[str, Any]] = []
        self._rows: list[Line] = []
        self._rows_of: tuple[object, ...] = ()

    @property
    def _asker(self) -> Asker:
        asker = self._board.asker
        assert asker is not None, "the dashboard opens this page over a bus only"
        return asker

    def compose(self) -> ComposeResult:
        """The text, the two answers, the keys."""
        with VerticalScroll():
            yield Canvas(id="page")
        yield Canvas(id="choice")
        yield KeyLine()

    def on_screen_resume(self) -> None:
        """Opened again: no answer is chosen, and one that was given before does not count."""
        self._ask_first(self._asker.stage is Stage.NOT_ASKED)
        super().on_screen_resume()

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Each key where it means something."""
        asker = self._board.asker
        if asker is None:
            return action == "leave"
        if action in ("choose", "decide"):
            return self._consenting
        if action == "stop":
            return asker.busy and not self._consenting
        if action in ("again", "details"):
            return asker.stage is Stage.OVER and not self._consenting
        return True

    def page(self, width: int) -> list[Line]:
        """The question, the progress, or the answers."""
        asker = self._asker
        if self._consenting:
            return consent_lines(self._situation(), width)
        opening = asker.stage is Stage.OPENING
        if asker.busy:
            rows = progress_lines(asker.title, asker.progress, width, opening=opening, stopping=asker.stopping)
            now_s = time.monotonic()
            if now_s - self._looked_s >= _LOOK_EVERY_S:
                self._looked_s, self._controllers = now_s, asker.controllers()
        else:
            self._controllers = asker.controllers()
            at = time.strftime("%H:%M:%S", time.localtime(asker.began_s))
            early = bool(asker.trouble or asker.found_nobody)
            said = outcome_words(asker.progress, asker.trouble or asker.found_nobody, stopped=asker.stopped)
            full = ", every answer in full" if self._in_full else ""
            rows = [line(Piece(f"WHO IS WHO{full}", Role.TITLE), f"  asked at {at}; nothing is sent any more")]
            rows += [line(Piece(row, Role.WARN if early else Role.DIM)) for row in wrap(said, width)]
        if self._controllers:
            rows += [Line(), *self._answers(width)]
        elif not asker.busy and not asker.stopped and not asker.trouble:
            rows += [Line(), *(line(row) for row in wrap(_NOTHING, width))]
        return rows

    def redraw(self) -> None:
        """Draw what is true now."""
        state = self._consenting, self._asker.stage, self._asker.stopping
        if state != self._shown:
            self._shown = state
            self.refresh_bindings()
        super().redraw()
        self._asker.take_end()
        for canvas in self.query("#choice").results(Canvas):
            canvas.display = self._consenting
            row, self._places = choice_line(self._chosen, self.app.size.width - 2, possible=self._possible)
            canvas.show([row])

    def action_choose(self) -> None:
        """The other answer."""
        if self._possible:
            self._chosen = _YES if self._chosen == _NO else _NO
        self.redraw()

    def action_decide(self) -> None:
        """What is chosen."""
        if self._chosen == _YES and self._possible:
            self._ask_first(False)
            self._controllers, self._looked_s, self._in_full = [], 0.0, False
            self._asker.start()
            self._top()
        elif self._asker.stage is Stage.NOT_ASKED:
            self.action_leave()
        else:
            self._ask_first(False)
            self.redraw()

    def action_stop(self) -> None:
        """End it."""
        self._asker.stop()
        self.redraw()

    def action_again(self) -> None:
        """The same question once more."""
        self._ask_first(True)
        self._top()

    def action_details(self) -> None:
        """All or the gist."""
        self._in_full = not self._in_full
        self._top()

    def on_click(self, event: events.Click) -> None:
        """The first click on an answer chooses it, the next one does it."""
        if not self._consenting or not isinstance(event.widget, Canvas) or event.widget.id != "choice":
            return
        for answer, (start, end) in enumerate(self._places):
            if start <= event.x < end:
                if self._chosen == answer:
                    self.action_decide()
                else:
                    self._chosen = answer
                    self.redraw()
                return

    def _ask_first(self, wanted: bool) -> None:
        self._consenting, self._chosen = wanted, _NO
        self._objection = (self._asker.objection() or "") if wanted else ""
        self._possible = wanted and not self._objection

    def _top(self) -> None:
        for scroll in self.query(VerticalScroll):
            scroll.scroll_home(animate=False)
        self.redraw()

    def _situation(self) -> Situation:
        board, status = self._board, self._board.feed.status()
        objection = self._objection or (f"nothing can be heard now: {status.trouble}" if status.trouble else "")
        self._possible = not objection
        if objection:
            self._chosen = _NO
        now_ns = board.now_ns or 0
        engine, vehicle = (board.readings.value(board.job, Pick(spn), now_ns) for spn in (ENGINE_SPEED, _VEHICLE_SPEED))
        moving = any(value.seen is Seen.NUMBER and (value.number or 0) > 0 for value in (engine, vehicle))
        heard = sorted({address for _, address in board.job.nodes.nodes} - self._asker.own)
        return Situation(
            self._asker.title, heard, engine.words, vehicle.words, moving, objection, self._asker.reopens
        )

    def _answers(self, width: int) -> list[Line]:
        """Drawn anew only when something is new: an answer may be long."""
        so_far = self._asker.busy
        state = self._controllers, width, self._in_full, so_far
        if not self._rows_of or self._rows_of[0] is not state[0] or self._rows_of[1:] != state[1:]:
            self._rows_of = state
            if self._in_full:
                self._rows = detail_lines(self._controllers, width)
            else:
                self._rows = panel_lines(self._controllers, width, so_far=so_far)
        return self._rows
