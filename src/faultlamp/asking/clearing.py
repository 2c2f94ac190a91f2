"""Clearing, in an order that loses nothing unseen.

Rules:
- First everything is asked for, and DM1 listened to, so that it can be saved; then the machine waits for `go`.
- After `go` the speeds are heard anew for LOOK_NS. While the engine turns, the machine moves, or nobody says whether,
  nothing is sent (SAE J1939-73, section 5.7.11, leaves it to the controller; refusing here is our own rule).
- The command goes to one controller at a time: a request for DM3 or DM11, or DM22 for one code. One that does not
  answer is asked again as with any question; clearing twice is clearing once. When something begins to turn or to move
  in between, nobody further is told.
- Then SETTLE_NS pass in which DM1 comes at least once a second and what is still wrong comes back
  (SAE J1939-73, section 5.7.1: 1 s, from memory), and DM1 and DM2 are read again.
- Permanent codes (DM28) are no tool's to clear: the controller does it when its monitor has passed (from memory,
  section 5.7.28).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from enum import StrEnum

from faultlamp.asking.intake import Intake
from faultlamp.asking.motion import Motion, MotionWatch
from faultlamp.asking.plan import DM3_PGN, DM11_PGN, READ_BACK, Question, clear_code, clear_group, wanted
from faultlamp.asking.verdicts import Code, Command, Judgement, Kind, Listed, codes_of, judge
from faultlamp.frames import Frame
from faultlamp.j1939.participant import Participant
from faultlamp.j1939.readings import Layouts
from faultlamp.j1939.reports.groups import DM2_PGN

LISTEN_NS = 2_200_000_000
"""How long the asking lasts at least: two DM1 of everybody, as not everybody sends one when asked."""

LOOK_NS = 1_200_000_000
COMMAND_NS = 3_000_000_000
"""How long an acknowledgement may take at least: erasing takes longer than answering (common practice, no source)."""

SETTLE_NS = 5_000_000_000

class Stage(StrEnum):
    """How far it is. WAITING: everything is asked, `go` is awaited."""

    ASKING = "asking"
    WAITING = "waiting"
    LOOKING = "looking"
    COMMANDING = "commanding"
    SETTLING = "settling"
    READING_BACK = "reading_back"
    DONE = "done"


class Clearing:
    """The whole of it. Without named `targets`, controllers that list a code which the command is to clear.

    before, after: the intakes; after is None before there is one. commands: the intake that commands, likewise.
    trouble: one phrase, why it ended before anything was commanded. held: one phrase, why those that were not told yet
    were left alone. judgements: at the end.
    """

    def __init__(
        self,
        participant: Participant,
        command: Command,
        targets: Sequence[int] | None = None,
        *,
        layouts: Layouts | None = None,
        spn_conversion: Mapping[int, int] | None = None,
        answer_ns: int,
        although_engine_may_run: bool = False,
        although_machine_may_move: bool = False,
    ) -> None:
        self.command = command
        self.stage = Stage.ASKING
        self.trouble: str | None = None
        self.held: str | None = None
        self.judgements: tuple[Judgement, ...] = ()
        self._conversion = dict(spn_conversion or {})
        self.before = Intake(
            participant, wanted("all"), targets, layouts=layouts, spn_conversion=self._conversion, test_results=True,
            answer_ns=answer_ns,
        )
        self.commands: Intake | None = None
        self.after: Intake | None = None
        self._participant = participant
        self._named = targets
        self._answer_ns = answer_ns
        self._motion = MotionWatch()
        self._engine_may_run = although_engine_may_run
        self._machine_may_move = although_machine_may_move
        self._due_ns: int | None = None
        self._targets: tuple[int, ...] = ()
        self._gone: dict[int, frozenset[Code]] = {}

    @property
    def done(self) -> bool:
        """Nothing more will happen."""
        return self.stage is Stage.DONE

    @property
    def targets(self) -> tuple[int, ...]:
        """Who will be commanded; known from WAITING on."""
        return self._targets

    @property
    def running(self) -> Intake | None:
        """The intake under way."""
        return {
            Stage.ASKING: self.before, Stage.COMMANDING: self.commands, Stage.READING_BACK: self.after
        }.get(self.stage)

    def listed_before(self, address: int) -> Listed:
        """What the controller listed before."""
        return _listed(self.before, address)

    def motion(self, now_ns: int) -> Motion:
        """The speeds at that moment."""
        return self._motion.at(now_ns)

    def objections(self, now_ns: int) -> list[str]:
        """Why nothing may be cleared now."""
        return self.motion(now_ns).objections(
            although_engine_may_run=self._engine_may_run, although_machine_may_move=self._machine_may_move
        )

    def start(self, now_ns: int) -> None:
        """Begin to ask."""
        self._due_ns = now_ns + LISTEN_NS
        self.before.start(now_ns)

    def go(self, now_ns: int) -> None:
        """Confirmed: look at the speeds again, then command. Only in WAITING."""
        if self.stage is Stage.WAITING:
            self.stage, self._due_ns = Stage.LOOKING, now_ns + LOOK_NS

    def feed(self, frame: Frame) -> None:
        """Hear a frame; its time is now."""
        self._motion.feed(frame)
        self._hold(frame.time_ns)
        self._listener.feed(frame)
        self._note_gone()
        self._step(frame.time_ns)

    def advance(self, now_ns: int) -> None:
        """Let time pass."""
        self._hold(now_ns)
        self._listener.advance(now_ns)
        self._note_gone()
        self._step(now_ns)

    def outgoing(self, now_ns: int) -> list[tuple[int, bytes]]:
        """Frames to put on the bus now."""
        return self._participant.outgoing(now_ns)

    def next_ns(self) -> int | None:
        """When there is something to do without a frame coming."""
        due_ns = self._due_ns if self.stage is not Stage.ASKING or self.before.done else None
        return min((at for at in (due_ns, self._listener.next_ns()) if at is not None), default=None)

    @property
    def _listener(self) -> Intake:
        """The newest intake: it hears for all of them."""
        return self.after or self.commands or self.before

    def _step(self, now_ns: int) -> None:
        if self.stage is Stage.ASKING and self.before.done:
            if self.before.trouble is not None or (self._due_ns is not None and now_ns >= self._due_ns):
                self._due_ns = None
                self._asked()
        elif self.stage is Stage.LOOKING and self._due_ns is not None and now_ns >= self._due_ns:
            self._due_ns = None
            found = self.objections(now_ns)
            if found:
                self._end("; ".join(found))
            else:
                self._command(now_ns)
        elif self.stage is Stage.COMMANDING and self.commands is not None and self.commands.done:
            self._settle(now_ns)
        elif self.stage is Stage.SETTLING and self._due_ns is not None and now_ns >= self._due_ns:
            self._due_ns = None
            self._read_back(now_ns)
        elif self.stage is Stage.READING_BACK and self.after is not None and self.after.done:
            self.judgements = tuple(self._judge(address) for address in self._targets)
            self.stage = Stage.DONE

    def _asked(self) -> None:
        if self.before.trouble is not None:
            self._end(self.before.trouble)
            return
        listing = [a for a in self.before.targets if self.listed_before(a).of_kind(self.command)]
        self._targets = tuple(listing if self._named is None else self.before.targets)
        if self.command.kind is Kind.CODE:
            self._targets = tuple(listing)  # DM22 has to say whether the code is active, so it must be known
        self.stage = Stage.WAITING

    def _command(self, now_ns: int) -> None:
        self.stage = Stage.COMMANDING
        self.commands = Intake(
            self._participant, self._questions(), spn_conversion=self._conversion,
            answer_ns=max(self._answer_ns, COMMAND_NS),
        )
        self.commands.start(now_ns)

    def _hold(self, now_ns: int) -> None:
        """Tell no further controller when something begins to turn or to move while others are told.

        A speed that nobody says any more is no reason: who erases may be silent for a while.
        """
        if self.stage is not Stage.COMMANDING or self.commands is None or self.held is not None:
            return
        found = self.motion(now_ns).objections(
            although_engine_may_run=self._engine_may_run, although_machine_may_move=self._machine_may_move,
            unknown_counts=False,
        )
        if found:
            self.held = "; ".join(found)
            self.commands.stop(now_ns)

    def _settle(self, now_ns: int) -> None:
        self.stage, self._due_ns = Stage.SETTLING, now_ns + SETTLE_NS
        if self.commands is not None:
            self.commands.hearing.active.clear()  # what was heard until now may be from before

    def _read_back(self, now_ns: int) -> None:
        self.stage = Stage.READING_BACK
        self.after = Intake(
            self._participant, READ_BACK, self._targets, spn_conversion=self._conversion, answer_ns=self._answer_ns
        )
        self.after.start(now_ns)

    def _end(self, trouble: str) -> None:
        self.trouble, self.stage = trouble, Stage.DONE

    def _questions(self) -> dict[int, tuple[Question, ...]]:
        if self.command.code is None:
            pgn = DM3_PGN if self.command.kind is Kind.STORED else DM11_PGN
            return {address: (clear_group(pgn),) for address in self._targets}
        return {address: self._code_questions(address, self.command.code) for address in self._targets}

    def _code_questions(self, address: int, code: Code) -> tuple[Question, ...]:
        listed = self.listed_before(address)
        return tuple(
            clear_code(*code, active=active)
            for active, codes in ((True, listed.active), (False, listed.stored))
            if codes is not None and code in codes
        )

    def _note_gone(self) -> None:
        """Remember which codes a DM1 left out since the command, so that those that come back are known as such."""
        if self.stage in (Stage.SETTLING, Stage.READING_BACK):
            for address in self._targets:
                listed = _listed(self._listener, address).active
                if listed is not None:
                    gone = self.listed_before(address).of_kind(self.command) - listed
                    self._gone[address] = self._gone.get(address, frozenset()) | gone

    def _judge(self, address: int) -> Judgement:
        results = () if self.commands is None else self.commands.results.values()
        return judge(
            address, self.command, [result for result in results if result.address == address],
            self.listed_before(address), self._listed_after(address), self._gone.get(address, frozenset()),
            untold=self.held or (self.commands.trouble if self.commands is not None else None) or "",
        )

    def _listed_after(self, address: int) -> Listed:
        newest = Listed(None, None) if self.after is None else _listed(self.after, address)
        if newest.active is None and self.commands is not None:
            return Listed(_listed(self.commands, address).active, newest.stored)
        return newest


def _listed(intake: Intake, address: int) -> Listed:
    stored = [codes_of(r.report) for r in intake.results.values() if (r.address, r.question.pgn) == (address, DM2_PGN)]
    return Listed(codes_of(intake.hearing.active.get(address)), stored[0] if stored else None)
