"""The dashboard without a screen: it takes what the feed brings and draws the bands as lines for any size."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from functools import cached_property, partial
from typing import TYPE_CHECKING, Any

from faultlamp.history.changes import Change
from faultlamp.j1939.readings import Layouts
from faultlamp.tui.attention import Attention
from faultlamp.tui.detail.tables import UserTables
from faultlamp.tui.export.stock import RecentFrames, Stock
from faultlamp.tui.feed import Feed
from faultlamp.tui.head.lamps import banner, lamp_lines
from faultlamp.tui.head.sentence import sentence
from faultlamp.tui.hints import SILENT_AFTER_NS, empty_lines, silent_lines
from faultlamp.tui.job import Job
from faultlamp.tui.lanes.choice import chosen
from faultlamp.tui.lanes.lane import Lane, lanes_of
from faultlamp.tui.lanes.table import ROWS_ABOVE, ROWS_BELOW, label_width, rows_above, table
from faultlamp.tui.lanes.view import LaneView
from faultlamp.tui.lanes.window import Window
from faultlamp.tui.marks.notes import Notes
from faultlamp.tui.names import count_of
from faultlamp.tui.paint import Line, Piece, Role, fit_line, line, wrap
from faultlamp.tui.readings.choice import ENGINE_SPEED, TRENDS_MIN, Choices
from faultlamp.tui.readings.tiles import TALL_SCREEN, Shown, band, layout
from faultlamp.tui.readings.value import Pick, Readings, Seen, Value
from faultlamp.tui.status import Note, status_line
from faultlamp.tui.times import NS_PER_S, age, moment

if TYPE_CHECKING:
    from faultlamp.tui.findings.causes import CommonCauses
    from faultlamp.tui.findings.checks import Checks
    from faultlamp.tui.intake.asker import Asker
    from faultlamp.tui.wiggle.watch import Watch

_NS_PER_MIN = 60 * NS_PER_S
_SENTENCE_ROWS = 2
_MOST_SENTENCE_ROWS = 4
_MANY_LANES = 2000
_LEAST_LANES = 3
_ROOMY_LANES = 8
_LOW_SCREEN = 30
_NARROW = 60
_LAMP_ROWS = 2
_STATUS_AND_KEYS = 2


class Board:
    """Feed, job and what of it is looked at.

    options: keyword arguments of `History`. choices: what the second band shows; `choose` changes it for the user, and
    chosen counts how often. now_ns: the present moment.
    tables: what the user brought along. rows_above: rows of the third band over its lanes.
    stock: the frames that can be saved; None: those held of a live bus. notes: the moments that were marked.
    asker: who asks when the user says so, None: nobody can be asked. attention: what is new and unseen. clock:
    nanoseconds that only go forward, for what is shown for a while only.
    """

    def __init__(
        self, feed: Feed, layouts: Layouts, options: Mapping[str, Any], *,
        clock: Callable[[], int] = time.monotonic_ns, tables: UserTables | None = None,
        stock: Stock | None = None,
    ) -> None:
        self.feed = feed
        self.readings = Readings(layouts)
        self.view = LaneView()
        self.choices = Choices()
        self.chosen = 0
        self.now_ns: int | None = None
        self.attention = Attention()
        self.tables = tables or UserTables()
        self._causes: CommonCauses | None = None
        self._watch: Watch | None = None
        self.rows_above = ROWS_ABOVE
        self.stock: Stock = stock or RecentFrames()
        self.notes = Notes()
        self.asker: Asker | None = None
        self._clock = clock
        self._began_ns = clock()
        self._options = dict(options)
        self._epoch = feed.epoch
        self.job = self._new_job()
        self._lanes: list[Lane] = []
        self._lanes_of: tuple[object, ...] = ()
        self._shown: list[Lane] = []
        self._shown_of: tuple[object, ...] = ()
        self._head_rows = 0

    def tick(self, *, jumped: bool = False) -> None:
        """Take what has come. jumped: because the user went there, so it is no news."""
        jumped |= self.feed.behind
        if self.feed.epoch != self._epoch:
            self._epoch = self.feed.epoch
            self.job = self._new_job()
            self.view.forget()
            self.attention.forget()
            jumped = True
        # What is there at the first look is no news either.
        self.attention.begin(quiet=jumped or not self.job.history.frames)
        blocks = self.feed.take()
        self.stock.add(blocks)
        self.job.take(blocks)
        if self._watch is not None:
            self._watch.heed(self.job, self.now_ns, self.feed.status().trouble)
        settled_ns = self.feed.settled_ns()
        if settled_ns is not None:
            self.job.advance(settled_ns)
        self.now_ns = self.feed.now_ns()
        self.attention.look(self.job.history, self.now_ns, self._clock())
        if not self.feed.behind and (self._causes is not None or self.lanes):
            self.causes.look(self.job, self.now_ns)
        if self._watch is not None:
            self._watch.look(self.job, self.now_ns, quiet=jumped or self.feed.behind, behind=self.feed.behind)

    # The three below load rules and tables: only once there is a fault, or a page is opened that shows them.

    @property
    def causes(self) -> CommonCauses:
        """Faults with one likely cause."""
        if self._causes is None:
            from faultlamp.tui.findings.causes import CommonCauses

            self._causes = CommonCauses(self._clock)
        return self._causes

    @cached_property
    def checks(self) -> Checks:
        """Whether the readings agree."""
        from faultlamp.tui.findings.checks import Checks

        return Checks(self.readings.layouts, self._clock)

    @property
    def watch(self) -> Watch:
        """A contact that is watched for makes and breaks."""
        if self._watch is None:
            from faultlamp.tui.wiggle.watch import Watch

            self._watch = Watch(self.readings.layouts, self._clock)
            self._watch.heed(self.job, self.now_ns, self.feed.status().trouble)
        return self._watch

    def take_bell(self) -> bool:
        """Whether to ring now for what is new; what is watched on the screen and came with it is heard with it."""
        rings = self.attention.take_bell()
        if rings and self._watch is not None and self._watch.on_screen:
            self._watch.hush()
        return rings

    @property
    def picks(self) -> list[Pick]:
        """The readings of the second band, in order."""
        return self.choices.picks

    def choose(self, choices: Choices) -> None:
        """The user wants the second band like this."""
        if choices != self.choices:
            self.choices = choices
            self.chosen += 1

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
    def shown_lanes(self) -> list[Lane]:
        """Those of them that were chosen to be shown."""
        lanes, choice = self.lanes, self.view.choice
        if choice.all:
            return lanes
        state = (*self._lanes_of, choice)
        if state != self._shown_of:
            self._shown_of = state
            self._shown = chosen(lanes, choice)
        return self._shown

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
        """The first band: the sentence, always about now, the gravest lamp large where there is room, the lamps."""
        engine = Pick(ENGINE_SPEED, source_address=self.job.history.engine_address)
        speed = self.readings.value(self.job, engine, self.now_ns or 0)
        status = self.feed.status()
        said = sentence(self.job, speed, self.now_ns, waiting=status.waiting, trouble=status.trouble)
        text = wrap(f"{said.text} {status.warning}", width - 2)[:_MOST_SENTENCE_ROWS]
        text += [""] * (_SENTENCE_ROWS - len(text))
        role = Role.ALARM if said.role is Role.STOP else said.role
        if self.attention.lit(self._clock()):
            role = Role.CURSOR
        if said.lamp is not None and screen_height >= TALL_SCREEN:
            text += banner(said.lamp, width - 2)
        rows = [fit_line(line(Piece(f" {row}", role), ground=role), width) for row in text]
        if self.job.history.frames:
            most = _LAMP_ROWS if screen_height < _LOW_SCREEN else screen_height // 8
            rows += [fit_line(line(" ", *row.pieces), width) for row in lamp_lines(self.job, width - 2, most)]
        self._head_rows = len(rows)
        return rows

    def readings_band(self, width: int, screen_height: int) -> list[Line]:
        """The second band."""
        at_ns = self.at_ns
        engine = self.job.history.engine_address
        choices = self.choices
        trend_ns = choices.trend_min * _NS_PER_MIN
        shown = []
        for choice in choices.readings:
            value = self.value(choice.pick)
            shown.append(Shown(
                value, self.readings.trend(self.job, value, at_ns - trend_ns, at_ns),
                value.source is None or value.source.source_address == engine,
                choices.unit(choice, value.unit), choices.beyond(value, choice), trend_ns,
            ))
        trends = f", trends {choices.trend_min} min" if choices.trend_min != TRENDS_MIN[0] else ""
        said = *self._when(narrow=width < _NARROW), Piece(trends), *self._none(shown), *self._no_room()
        heading = line(Piece(" READINGS", Role.TITLE), *said)
        roomy = len(self.lanes) <= _ROOMY_LANES
        crowded = self._crowded(layout(len(shown), width - 1, screen_height, roomy=roomy).rows, screen_height)
        rows = band(
            heading, shown, at_ns, width - 1, screen_height, held=self.held, roomy=roomy, crowded=crowded
        )
        return [rows[0], *(fit_line(line(" ", *row.pieces), width) for row in rows[1:])]

    def lanes_band(self, width: int, height: int) -> list[Line]:
        """The third band."""
        status = self.feed.status()
        if status.live and not self.job.history.frames and not status.trouble:
            waited = self._clock() - self._began_ns >= SILENT_AFTER_NS
            return silent_lines(width, height) if waited else [fit_line(Line(), width)] * height
        lanes = height - ROWS_ABOVE - ROWS_BELOW
        most = 0 if lanes <= _LEAST_LANES else 1 if lanes < _ROOMY_LANES else 2
        words = self._notice(width, most)
        marks = {} if self._causes is None else self._causes.marks
        above = rows_above(height)
        self.rows_above = above + len(words)
        return table(
            self.job, self.shown_lanes, self.view, self.now_ns or 0, width, height, gaps=status.gaps,
            total=len(self.lanes), unseen=self.attention.unseen, notice=words, marks=marks,
            marked=self.notes.marks,
            nothing=() if self.lanes else empty_lines(
                self.job, width, max(height - above, 1), live=status.live
            ),
        )

    def status(self, width: int) -> Line:
        """The status line."""
        now_ns = self.now_ns or 0
        status = self.feed.status()
        if self.asker is not None and self.asker.busy:
            # It does not only listen just now; a note says so.
            status = status._replace(mode="", short_mode="")
        return status_line(
            status, self.job.traffic(now_ns), self.job.transport(now_ns), width, self._notes()
        )

    def _crowded(self, readings_rows: int, screen_height: int) -> bool:
        """Whether the lanes, and the words about their common cause, find no room below readings of so many rows.

        While nothing was heard the checks of a silent bus say more than readings that there are not.
        """
        if not self.job.history.frames:
            return True
        room = screen_height - self._head_rows - readings_rows - ROWS_ABOVE - ROWS_BELOW - _STATUS_AND_KEYS
        return len(self.lanes) + (self._causes is not None and bool(self._causes.current)) > room

    def _notice(self, width: int, most: int) -> list[Line]:
        """The words about a common cause, at most that many rows."""
        if self._causes is None:
            return []
        from faultlamp.tui.findings.causes import notice

        return notice(self._causes.current, width, most)

    def _notes(self) -> list[Note]:
        nodes = self.job.nodes
        conflicts = sum(bool(nodes.rivals(node)) for node in nodes.nodes.values())
        notes = []
        if self.asker is not None and self.asker.busy:
            notes.append(Note("ASKING: transmits, i shows and stops it", "TRANSMITS", wrong=True))
        if conflicts:
            notes.append(Note(f"{count_of(conflicts, 'address conflict')}, b", f"{conflicts} addr", wrong=True))
        if self.attention.muted:
            notes.append(Note("bell off", "no bell"))
        elif self.attention.resting:
            notes.append(Note("bell rests until a is pressed", "bell rests"))
        return notes

    def _when(self, *, narrow: bool) -> list[Piece]:
        at_ns = self.at_ns
        at = moment(at_ns, self.start_ns)
        if self.held:
            return [Piece(f" AT {at}, {age((self.now_ns or at_ns) - at_ns)} BEFORE NOW, NOT LIVE", Role.HELD)]
        status = self.feed.status()
        if status.trouble:
            return [Piece(" as last heard, NOT LIVE", Role.HELD)]
        if status.live:
            return [Piece(" live")]
        words = "at" if narrow else "as recorded at"
        return [Piece(f" {words} {at}" if self.now_ns is not None else "")]

    def _none(self, shown: Sequence[Shown]) -> list[Piece]:
        """What to do where none of the readings was ever heard."""
        if not self.job.nodes.nodes or any(item.value.seen is not Seen.NEVER for item in shown):
            return []
        return [Piece(", none of these heard; r shows what the bus carries", Role.WARN)]

    def _no_room(self) -> list[Piece]:
        latest = self.job.latest
        count = latest.dropped + latest.refused
        return [Piece(f", {count} samples found no room", Role.WARN)] if count else []

    def _note(self, job: Job, change: Change) -> None:
        heard = self._watch is not None and self._watch.rings_for(change)
        self.attention.note(job.history, change, heard=heard)

    def _new_job(self) -> Job:
        job = Job(self.readings.layouts.groups, self._options)
        job.names = self.tables.names
        job.on_change = partial(self._note, job)
        return job
