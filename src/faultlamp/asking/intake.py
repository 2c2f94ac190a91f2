"""Asking controllers, one question at a time.

Rules:
- An address first (SAE J1939-81). Without named targets the address claims of everybody are asked for, and whoever
  answers or talks is a target.
- A question goes to one controller; a request to everybody is refused by nobody, so silence would mean nothing
  (SAE J1939-21, section 5.4.2). Never more than one is under way, and PAUSE_NS lies between two of them.
- A controller has to answer within 200 ms (Tr); the answer counts as missing after 1250 ms, the longest time that
  SAE J1939-21, section 5.12.3, has for the other side (from memory). What is missing or broke off is asked for again,
  as often as `pending` says.
- Who is busy is asked again after BUSY_PAUSE_NS, MOST_BUSY times. Who was never heard is asked one question.
- An answer that comes late counts for the question it belongs to.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Mapping, Sequence

from faultlamp.asking.hearing import Hearing
from faultlamp.asking.pending import Target, UnderWay
from faultlamp.asking.plan import Question
from faultlamp.asking.results import Outcome, Result, read_answer
from faultlamp.frames import EXTENDED, Frame
from faultlamp.j1939.identifier import GLOBAL_ADDRESS, NULL_ADDRESS, is_j1939, split_identifier
from faultlamp.j1939.participant import ClaimState, Participant
from faultlamp.j1939.participant.events import AddressClaimed, AddressLost, Event, Message, ReceiveFailed
from faultlamp.j1939.readings import Layouts
from faultlamp.j1939.reports.freeze_frames import SUPPORTED_SPNS_PGN, SupportedSpns
from faultlamp.j1939.reports.groups import NAME_PGN
from faultlamp.j1939.requests import ACKNOWLEDGEMENT_PGN, REQUEST_PGN, Acknowledgement, Answer, encode_request

_MS = 1_000_000
ANSWER_NS = 1250 * _MS
LOOK_NS = 1500 * _MS
PAUSE_NS = 50 * _MS
RETRY_PAUSE_NS = 250 * _MS
BUSY_PAUSE_NS = 1000 * _MS
MOST_BUSY = 5

_REFUSALS = {
    Answer.REFUSED: Outcome.REFUSED, Answer.ACCESS_DENIED: Outcome.ACCESS_DENIED, Answer.BUSY: Outcome.BUSY
}


class Intake:
    """Asks `questions` of `targets`, or of everybody who is there; or each address its own, given a mapping.

    The participant may have its address already. spn_conversion: for a source address, how to read the SPN of codes
    whose CM bit is 1 (1 to 4, see `diagnostics.decode_dtc`).

    results: by address and question, in the order in which they were settled. hearing: what was heard on the side.
    done: nothing more will be sent. trouble: one phrase, why it ended early, None otherwise.
    """

    def __init__(
        self,
        participant: Participant,
        questions: Sequence[Question] | Mapping[int, Sequence[Question]],
        targets: Sequence[int] | None = None,
        *,
        layouts: Layouts | None = None,
        spn_conversion: Mapping[int, int] | None = None,
        test_results: bool = False,
        answer_ns: int = ANSWER_NS,
    ) -> None:
        self.results: dict[tuple[int, Question], Result] = {}
        self.hearing = Hearing(spn_conversion or {})
        self.done = False
        self.trouble: str | None = None
        self._participant = participant
        self._own: dict[int, Sequence[Question]] = {}
        self._questions: tuple[Question, ...] = ()
        if isinstance(questions, Mapping):
            self._own, targets = dict(questions), tuple(questions)
        else:
            self._questions = tuple(questions)
        self._named = None if targets is None else tuple(dict.fromkeys(targets))
        self._layouts = layouts
        self._test_results = test_results
        self._answer_ns = answer_ns
        self._targets: dict[int, Target] | None = None
        self._look_until_ns: int | None = None
        self._current: UnderWay | None = None
        self._free_ns = 0
        self._stopped = False

    @property
    def targets(self) -> tuple[int, ...]:
        """Who is asked; empty while that is not known yet."""
        return () if self._targets is None else tuple(self._targets)

    @property
    def progress(self) -> tuple[int, int]:
        """How many questions are settled, of how many; (0, 0) while nobody knows whom to ask."""
        left = sum(len(target.waiting) for target in (self._targets or {}).values()) + (self._current is not None)
        return len(self.results), len(self.results) + left

    @property
    def asking(self) -> tuple[int, Question] | None:
        """The question under way and whom it goes to."""
        return None if self._current is None else (self._current.address, self._current.question)

    def start(self, now_ns: int) -> None:
        """Begin: claim an address, unless there is one."""
        if self._participant.state is ClaimState.SILENT:
            self._participant.claim(now_ns)
        self._free_ns = now_ns
        self._step(now_ns)

    def stop(self, now_ns: int) -> None:
        """Ask nothing more, and nothing again. The answer to what was asked already is still waited for."""
        self._stopped = True
        current = self._current
        if current is not None and current.asked_ns is None:
            if current.tries:
                self._settle(Outcome.BUSY if current.busy else Outcome.NO_ANSWER, now_ns)
            else:
                self._current = None

    def feed(self, frame: Frame) -> None:
        """Hear a frame; its time is now."""
        if frame.flags == EXTENDED and is_j1939(frame.can_id):
            self._hear(frame)
        self._handle(self._participant.feed(frame))
        self._step(frame.time_ns)

    def advance(self, now_ns: int) -> None:
        """Let time pass."""
        self._handle(self._participant.advance(now_ns))
        self._step(now_ns)

    def outgoing(self, now_ns: int) -> list[tuple[int, bytes]]:
        """Frames to put on the bus now."""
        return self._participant.outgoing(now_ns)

    def next_ns(self) -> int | None:
        """When there is something to do without a frame coming."""
        of_participant = self._participant.next_ns()
        if self.done or self._participant.state is not ClaimState.CLAIMED:
            return of_participant
        due = self._look_until_ns if self._current is None else self._current.due_ns
        return min((at for at in (due, of_participant) if at is not None), default=None)

    def _hear(self, frame: Frame) -> None:
        source = split_identifier(frame.can_id).source
        if source >= NULL_ADDRESS or source == self._participant.address:
            return
        self.hearing.heard.add(source)
        if self._current is not None:
            self._current.hear(frame, self._participant.address, self._answer_ns)

    def _handle(self, events: Iterable[Event]) -> None:
        for event in events:
            if isinstance(event, Message):
                self._message(event)
            elif isinstance(event, ReceiveFailed):
                self._failed(event)
            elif isinstance(event, AddressClaimed):
                # Some drivers hand out our own claim as if somebody had sent it.
                self.hearing.heard.discard(event.address)
            elif isinstance(event, AddressLost) and self._current is not None:
                # Whoever would answer now answers somebody else. The question waits for the next address.
                self._current.asked_ns = None

    def _message(self, message: Message) -> None:
        if message.source >= NULL_ADDRESS:
            return
        if message.pgn == ACKNOWLEDGEMENT_PGN:
            self._acknowledgement(message)
            return
        self.hearing.note(message)
        current = self._current
        if current is not None and current.is_answered_by(message):
            self._answered(current.question, message, current.tries)
            self._settled(message.time_ns, answered=True)
            return
        self._late(message)

    def _late(self, message: Message) -> None:
        """An answer to an earlier question that had been given up."""
        for (address, question), result in self.results.items():
            if (
                address == message.source and question.pgn == message.pgn
                and result.outcome in (Outcome.NO_ANSWER, Outcome.BROKEN_OFF) and result.tries
                and question.is_answered_by(message.payload)
            ):
                self._answered(question, message, result.tries)
                return

    def _answered(self, question: Question, message: Message, tries: int) -> None:
        outcome, report, words = read_answer(
            question, message.payload, self._layouts, self.hearing.method(message.source)
        )
        self.results[message.source, question] = Result(
            message.source, question, outcome, message.time_ns, tries, message.payload, report, words
        )
        if isinstance(report, SupportedSpns) and self._test_results and question.pgn == SUPPORTED_SPNS_PGN:
            target = (self._targets or {}).get(message.source)
            if target is not None:
                target.follow(report)

    def _acknowledgement(self, message: Message) -> None:
        current, found = self._current, Acknowledgement.decode(message.payload)
        if current is None or found is None:
            return
        if not current.is_meant_by(found, message.source, self._participant.address):
            return
        now_ns = message.time_ns
        if found.answer is Answer.ACKNOWLEDGED:
            current.acknowledged = True
            if current.question.is_command:
                self._settle(Outcome.ACKNOWLEDGED, now_ns)
        elif found.answer is Answer.BUSY and current.busy < MOST_BUSY and not self._stopped:
            current.busy += 1
            current.ask_again(now_ns + BUSY_PAUSE_NS)
        else:
            self._settle(_REFUSALS[found.answer], now_ns)

    def _failed(self, event: ReceiveFailed) -> None:
        current = self._current
        if current is not None and event.source == current.address and event.pgn == current.question.pgn:
            self._missing(Outcome.BROKEN_OFF, event.time_ns, event.words)

    def _missing(self, outcome: Outcome, now_ns: int, words: str = "") -> None:
        """No answer, or not a whole one: ask again, or leave it."""
        current = self._current
        if current is None or current.asked_ns is None:
            return
        if current.tries < (self._targets or {})[current.address].most_tries and not self._stopped:
            current.ask_again(now_ns + RETRY_PAUSE_NS)
        else:
            self._settle(outcome, now_ns, words)

    def _settle(self, outcome: Outcome, now_ns: int, words: str = "") -> None:
        current = self._current
        if current is None:
            return
        result = Result(current.address, current.question, outcome, now_ns, current.tries, words=words)
        self.results[current.address, current.question] = result
        self._settled(now_ns, answered=outcome.somebody_spoke)

    def _settled(self, now_ns: int, *, answered: bool) -> None:
        current, self._current = self._current, None
        self._free_ns = now_ns + PAUSE_NS
        target = (self._targets or {}).get(current.address) if current is not None else None
        if target is None or current is None:
            return
        target.settled(answered=answered)
        if not answered and not target.spoke and current.address not in self.hearing.heard:
            for question in target.waiting:
                self.results[current.address, question] = Result(
                    current.address, question, Outcome.NO_ANSWER, now_ns, 0, words="never heard, so not asked"
                )
            target.waiting.clear()

    def _step(self, now_ns: int) -> None:
        if self.done:
            return
        if self._participant.state is ClaimState.CANNOT_CLAIM:
            self.trouble, self.done = "no address is free for faultlamp on this bus", True
            return
        if self._participant.state is not ClaimState.CLAIMED:
            return
        if self._targets is None and not self._look(now_ns):
            return
        current = self._current
        if current is not None and current.asked_ns is not None and now_ns >= current.due_ns:
            if current.arriving:
                self._missing(Outcome.BROKEN_OFF, now_ns, "the answer stopped midway")
            elif current.acknowledged:
                self._settle(Outcome.ACKNOWLEDGED, now_ns, "acknowledged, but no data came")
            else:
                self._missing(Outcome.NO_ANSWER, now_ns)
        if self._current is None:
            self._next()
        if self._current is None:
            self.done = True
        elif self._current.asked_ns is None and now_ns >= self._current.due_ns:
            self._ask(self._current, now_ns)

    def _look(self, now_ns: int) -> bool:
        """Find out whom to ask; whether that is known now."""
        if self._named is not None:
            self._begin(self._named, now_ns)
            return True
        if self._look_until_ns is None:
            self._look_until_ns = now_ns + LOOK_NS
            self._participant.send(now_ns, REQUEST_PGN, GLOBAL_ADDRESS, encode_request(NAME_PGN))
            return False
        if now_ns < self._look_until_ns:
            return False
        self._look_until_ns = None
        self._begin(sorted(self.hearing.heard - {self._participant.address}), now_ns)
        return True

    def _begin(self, addresses: Iterable[int], now_ns: int) -> None:
        self._targets = {}
        for address in addresses:
            asked = self._own.get(address, self._questions)
            questions = deque(asked)
            self._targets[address] = Target(questions)
            name = self.hearing.names.get(address)
            for question in asked:
                if question.pgn == NAME_PGN and name is not None:  # it was claimed a moment ago
                    questions.remove(question)
                    self.results[address, question] = Result(
                        address, question, Outcome.ANSWERED, now_ns, 1, name.to_bytes(), name
                    )

    def _next(self) -> None:
        if self._stopped:
            return
        for address, target in (self._targets or {}).items():
            if target.waiting:
                self._current = UnderWay(address, target.waiting.popleft(), self._free_ns)
                return

    def _ask(self, current: UnderWay, now_ns: int) -> None:
        if current.address == self._participant.address:
            self._settle(Outcome.NO_ANSWER, now_ns, "this is faultlamp's own address")
            return
        current.ask(now_ns, self._answer_ns)
        question = current.question
        self._participant.send(now_ns, question.sent_pgn, current.address, question.sent)
