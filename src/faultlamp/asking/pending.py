"""What is still to be asked of one controller, and the question that waits for its answer.

Rules:
- A controller answers with the group that was asked for, in one frame or in a transfer; it refuses with an
  acknowledgement that names the group (SAE J1939-21, sections 5.4.2 and 5.4.4, from memory). While packets of the
  answer come, it is waited for.
- Who left _PATIENCE questions unanswered is asked each further one once, until it answers; anybody else MOST_TRIES
  times.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

from faultlamp.asking.plan import Question, results_of
from faultlamp.frames import Frame
from faultlamp.j1939.identifier import GLOBAL_ADDRESS, NULL_ADDRESS, split_identifier
from faultlamp.j1939.participant.events import Message
from faultlamp.j1939.reports.freeze_frames import SupportedSpns
from faultlamp.j1939.requests import Acknowledgement
from faultlamp.j1939.transport import BAM, ETP_CM, ETP_DT, ETP_RTS, RTS, TP_CM, TP_DT

MOST_TRIES = 3
LONGEST_ANSWER_NS = 120_000_000_000
"""A broadcast of 1785 bytes may take 51 s; nothing is waited for longer."""

MOST_TEST_RESULTS = 100
"""Parameters whose test results are asked for, in one controller."""

_PATIENCE = 2


@dataclass(slots=True)
class UnderWay:
    """A question that waits: for its turn while `asked_ns` is None, then for its answer; `due_ns` ends the wait.

    tries: how many times it was asked. busy: how many times the controller was. arriving: packets of the answer come.
    acknowledged: the controller said yes, and the answer is still to come.
    """

    address: int
    question: Question
    due_ns: int
    asked_ns: int | None = None
    tries: int = 0
    busy: int = 0
    arriving: bool = False
    acknowledged: bool = False

    def ask(self, now_ns: int, answer_ns: int) -> None:
        """It is sent now, and its answer has that long to begin."""
        self.tries += 1
        self.asked_ns, self.due_ns = now_ns, now_ns + answer_ns

    def ask_again(self, at_ns: int) -> None:
        """Its turn comes once more then."""
        self.asked_ns, self.arriving, self.due_ns = None, False, at_ns

    def hear(self, frame: Frame, own_address: int | None, answer_ns: int) -> None:
        """A J1939 frame of anybody: when it is part of a transfer of the answer, the next part has `answer_ns`."""
        identifier = split_identifier(frame.can_id)
        if self.asked_ns is None or identifier.source != self.address:
            return
        if identifier.destination not in (GLOBAL_ADDRESS, own_address):
            return
        if identifier.pgn in (TP_CM, ETP_CM) and len(frame.data) == 8 and frame.data[0] in (RTS, BAM, ETP_RTS):
            self.arriving |= int.from_bytes(frame.data[5:8], "little") == self.question.pgn
        if self.arriving and identifier.pgn in (TP_CM, TP_DT, ETP_CM, ETP_DT):
            self.due_ns = min(frame.time_ns + answer_ns, self.asked_ns + LONGEST_ANSWER_NS)

    def is_answered_by(self, message: Message) -> bool:
        """Whether a message is the answer. It may come while the question waits to be asked again."""
        return bool(
            self.tries and (message.source, message.pgn) == (self.address, self.question.pgn)
            and self.question.is_answered_by(message.payload)
        )

    def is_meant_by(self, said: Acknowledgement, source: int, own_address: int | None) -> bool:
        """Whether an acknowledgement is about the question."""
        if not self.tries or source != self.address:
            return False
        # Byte 5 should be who asked; some controllers put their own address or nothing there.
        return (
            said.address in (own_address, source, GLOBAL_ADDRESS, NULL_ADDRESS)
            and said.pgn in (self.question.pgn, self.question.sent_pgn)
        )


@dataclass(slots=True)
class Target:
    """A controller that is asked. waiting: its questions to come. spoke: it has answered something, or refused it."""

    waiting: deque[Question]
    spoke: bool = False
    _unanswered: int = 0
    _followed: set[int] = field(default_factory=set)

    @property
    def most_tries(self) -> int:
        """How many times a question without an answer is asked."""
        return MOST_TRIES if self._unanswered < _PATIENCE else 1

    def settled(self, *, answered: bool) -> None:
        """A question has come to its end."""
        self.spoke |= answered
        self._unanswered = 0 if answered else self._unanswered + 1

    def follow(self, supported: SupportedSpns) -> None:
        """Ask for the test results that the controller says it has."""
        for line in supported.spns:
            if line.in_test_results and line.spn not in self._followed and len(self._followed) < MOST_TEST_RESULTS:
                self._followed.add(line.spn)
                self.waiting.append(results_of(line.spn))
