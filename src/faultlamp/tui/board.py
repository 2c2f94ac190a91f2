"""The dashboard without a screen: it takes what the feed brings and draws the bands as lines for any size."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from faultlamp.j1939.readings import Layouts
from faultlamp.tui.feed import Feed
from faultlamp.tui.head.lamps import lamp_lines
from faultlamp.tui.head.sentence import sentence
from faultlamp.tui.job import Job
from faultlamp.tui.lanes.lane import Lane, lanes_of
from faultlamp.tui.lanes.table import label_width, table
from faultlamp.tui.lanes.view import LaneView
from faultlamp.tui.lanes.window import Window
from faultlamp.tui.paint import Line, Piece, Role, fit_line, line, wrap
from faultlamp.tui.readings.tiles import TREND_NS, Shown, band
from faultlamp.tui.readings.value import Pick, Readings, Value
from faultlamp.tui.status import status_line
from faultlamp.tui.times import NS_PER_S, age, moment

ENGINE_SPEED = 190
FIRST_PICKS = tuple(Pick(spn) for spn in (ENGINE_SPEED, 110, 168, 247, 92, 100))
"""Engine speed, coolant temperature, battery, hours, load, oil pressure."""
MOST_PICKS = 12

_SENTENCE_ROWS = 2
_MOST_SENTENCE_ROWS = 4
_MANY_LANES = 2000


class Board:
    """Feed, job and what of it is looked at.

    options: keyword arguments of `History`. picks: the readings of the second band. now_ns: the present moment.
    """

    def __init__(self, feed: Feed, layouts: Layouts, options: Mapping[str, Any]) -> None:
        self.feed = feed
        self.readings = Readings(layouts)
        self.view = LaneView()
        self.picks = list(FIRST_PICKS)
        self.now_ns: int | None = None
        self._options = dict(options)
        self._epoch = feed.epoch
        self.job = self._new_job()
        self._lanes: list[Lane] = []
        self._lanes_of: tuple[object, ...] = ()

    def tick(self) -> None:
        """Take what has come."""
        if self.feed.epoch != self._epoch:
            self._epoch = self.feed.epoch
            self.job = self._new_job()
            self.view.forget()
        self.job.take(self.feed.take())
        settled_ns = self.feed.settled_ns()
        if settled_ns is not None:
            self.job.advance(settled_ns)
        self.now_ns = self.feed.now_ns()

    @property
    def lanes(self) -> list[Lane]:
        """The lanes in order; sorted again only when something happened, and with very many once a second."""
        faults = sum(len(controller.faults) for controller in self.job.history.controllers.values())
        state: tuple[object, ...] = (self.job, self.job.changes, faults)
        if len(self._lanes) > _MANY_LANES and faults == len(self._lanes):
            state = (self.job, (self.now_ns or 0) // NS_PER_S, faults)
        if state != self._lanes_of:
            self._lanes_of = state
            self._lanes = lanes_of(self.job.history)
        return self._lanes

    @property
    def start_ns(self) -> int:
        """The job's first moment."""
        start_ns = self.job.history.start_ns
        return start_ns if start_ns is not None else self.now_ns or 0

    @property
    def at_ns(self) -> int:
        """The moment whose readings are shown: the cursor's, or now."""
        return self.view.cursor_ns if self.view.cursor_ns is not None else self.now_ns or 0

    @property
    def held(self) -> bool:
        """The readings are of a moment gone by."""
        return self.view.cursor_ns is not None

    def window(self, width: int) -> Window:
        """The stretch of time that the lanes show on a screen of `width` cells."""
        return self.view.window(self.now_ns or 0, self.start_ns, max(width - label_width(width), 1))

    def value(self, pick: Pick) -> Value:
        """A reading at the moment that is shown."""
        return self.readings.value(self.job, pick, self.at_ns, past=self.held)

    def head(self, width: int, screen_height: int) -> list[Line]:
        """The first band: the sentence, always about now, and the lamps."""
        engine = Pick(ENGINE_SPEED, source_address=self.job.history.engine_address)
        speed = self.readings.value(self.job, engine, self.now_ns or 0)
        status = self.feed.status()
        said = sentence(self.job, speed, self.now_ns, waiting=status.waiting, trouble=status.trouble)
        text = wrap(f"{said.text} {status.warning}", width - 2)[:_MOST_SENTENCE_ROWS]
        text += [""] * (_SENTENCE_ROWS - len(text))
        role = Role.ALARM if said.role is Role.STOP else said.role
        rows = [fit_line(line(Piece(f" {row}", role), ground=role), width) for row in text]
        if self.job.history.frames:
            most = max(2, screen_height // 8)
            rows += [fit_line(line(" ", *row.pieces), width) for row in lamp_lines(self.job, width - 2, most)]
        return rows

    def readings_band(self, width: int, screen_height: int) -> list[Line]:
        """The second band."""
        at_ns = self.at_ns
        engine = self.job.history.engine_address
        shown = []
        for pick in self.picks:
            value = self.value(pick)
            samples = self.readings.trend(self.job, value, at_ns - TREND_NS, at_ns)
            shown.append(Shown(value, samples, value.source is None or value.source.source_address == engine))
        heading = line(Piece(" READINGS", Role.TITLE), *self._when())
        rows = band(heading, shown, at_ns, width - 1, screen_height, held=self.held)
        return [rows[0], *(fit_line(line(" ", *row.pieces), width) for row in rows[1:])]

    def lanes_band(self, width: int, height: int) -> list[Line]:
        """The third band."""
        return table(
            self.job, self.lanes, self.view, self.now_ns or 0, width, height, gaps=self.feed.status().gaps
        )

    def status(self, width: int) -> Line:
        """The status line."""
        now_ns = self.now_ns or 0
        return status_line(self.feed.status(), self.job.frames_per_s(now_ns), self.job.transport(now_ns), width)

    def _when(self) -> list[Piece]:
        at_ns = self.at_ns
        at = moment(at_ns, self.start_ns)
        if self.held:
            return [Piece(f" AT {at}, {age((self.now_ns or at_ns) - at_ns)} BEFORE NOW, NOT LIVE", Role.HELD)]
        status = self.feed.status()
        if status.trouble:
            return [Piece(" as last heard, NOT LIVE", Role.HELD)]
        if status.live:
            return [Piece(" live")]
        return [Piece(f" as recorded at {at}" if self.now_ns is not None else "")]

    def _new_job(self) -> Job:
        return Job(self.readings.layouts.groups, self._options)
