"""Who asks while the dashboard watches: a thread with a line of its own, and what it has learnt so far.

Rule: nothing is sent before `start`, and nothing once all questions are settled. After `stop` an abort (SAE J1939-21,
section 5.10) ends each transfer that is under way, so that no controller waits for us, and then nothing is sent. The
watching never waits for the asking: what is read here is a copy, made under a lock that is held for microseconds.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from enum import StrEnum
from threading import Event, Lock, Thread
from typing import TYPE_CHECKING, Any, NamedTuple

from faultlamp.bus.conversing import CHANNEL, SteadyClock, converse
from faultlamp.bus.lending import OPENED_TWICE, line_beside
from faultlamp.bus.line import Line
from faultlamp.bus.reconnect import Reconnecting
from faultlamp.errors import BusError, FaultlampError
from faultlamp.frames import Frame
from faultlamp.j1939.address import Name
from faultlamp.j1939.identifier import split_identifier
from faultlamp.j1939.readings import Layouts
from faultlamp.j1939.transport import ABORT, ETP_CM, TP_CM

if TYPE_CHECKING:
    # What asks is loaded with the yes: the watching starts sooner without it.
    from faultlamp.asking.intake import Intake
    from faultlamp.asking.plan import Question
    from faultlamp.j1939.participant import Participant

TOOL_ADDRESS = 249
ASKED = "all"

_STOP_TIMEOUT_S = 3.0


class Stage(StrEnum):
    """How far it is."""

    NOT_ASKED = "not asked"
    OPENING = "opening"
    ASKING = "asking"
    OVER = "over"


class Progress(NamedTuple):
    """How far the asking is.

    done, of: questions settled, of how many; of is 0 while nobody knows whom to ask. asking: the address and question
    under way. sent: frames that left. passed_s: since the yes, until the end.
    """

    done: int
    of: int
    asking: tuple[int, Question] | None
    sent: int
    passed_s: float


class Asker:
    """Asks everybody on the bus that `listening` hears, once `start` is called.

    title: the bus in words. name: our NAME. objection: why nothing can be sent on the bus, a phrase, or None; asked
    before each yes. listen_only: never send. spn_conversion: as `Intake` has it.

    stage: how far it is. trouble: why it ended early, one line, else empty. stopped: the user ended it. began_s: when
    the yes was given, seconds since the epoch. count: how often that was. own: addresses that were ours.
    """

    def __init__(
        self,
        listening: Reconnecting,
        title: str,
        name: Name,
        layouts: Layouts,
        *,
        spn_conversion: Mapping[int, int] | None = None,
        listen_only: bool = False,
        objection: Callable[[], str | None] = lambda: None,
    ) -> None:
        self.title = title
        self.listen_only = listen_only
        self.objection = objection
        self.stage = Stage.NOT_ASKED
        self.trouble = ""
        self.stopped = False
        self.began_s = 0.0
        self.count = 0
        self.own: set[int] = set()
        self._told_count = 0
        self._listening = listening
        self._name = name
        self._layouts = layouts
        self._conversion = spn_conversion
        self._lock = Lock()
        self._stop = Event()
        self._thread: Thread | None = None
        self._intake: Intake | None = None
        self._sent = 0
        self._passed_s: float | None = None
        self._began_steady_s = 0.0
        self._document: tuple[tuple[int, ...], list[dict[str, Any]]] = (), []

    @property
    def reopens(self) -> bool:
        """The adapter changes hands for it."""
        return self._listening.settings.interface not in OPENED_TWICE

    @property
    def busy(self) -> bool:
        """From the yes to the end: it may transmit."""
        return self.stage in (Stage.OPENING, Stage.ASKING)

    @property
    def stopping(self) -> bool:
        """It was told to stop, and nothing is asked any more, but the bus is not closed yet."""
        return self.busy and self._stop.is_set()

    @property
    def progress(self) -> Progress:
        """How far it is."""
        passed_s = time.monotonic() - self._began_steady_s if self._passed_s is None else self._passed_s
        with self._lock:
            intake = self._intake
            if intake is None:
                return Progress(0, 0, None, self._sent, passed_s)
            return Progress(*intake.progress, intake.asking, self._sent, passed_s)

    @property
    def found_nobody(self) -> str:
        """Why nobody was asked, when that is known: a phrase."""
        with self._lock:
            intake = self._intake
            if intake is None or not intake.done:
                return ""
            return intake.trouble or ("" if intake.targets else "nobody was heard")

    def controllers(self) -> list[dict[str, Any]]:
        """What they said so far, as docs/asking.md has it."""
        with self._lock:
            intake = self._intake
            if intake is None:
                return []
            state = (
                self.count, len(intake.results), len(intake.hearing.names), len(intake.hearing.contested),
                sum(result.payload is not None for result in intake.results.values()),
            )
            if state != self._document[0]:
                from faultlamp.asking.document import intake_document

                self._document = state, intake_document(intake, self._layouts)
            return self._document[1]

    def take_end(self) -> bool:
        """Whether it has ended since this was asked last."""
        ended = self.stage is Stage.OVER and self._told_count != self.count
        if ended:
            self._told_count = self.count
        return ended

    def start(self) -> None:
        """The user said yes: ask. Does nothing while it asks already, and never when it must only listen."""
        if self.busy or self.listen_only:
            return
        with self._lock:
            self._intake, self._sent = None, 0
        self.trouble, self.stopped, self._passed_s = "", False, None
        self.began_s, self._began_steady_s = time.time(), time.monotonic()
        self.count += 1
        self._stop.clear()
        self.stage = Stage.OPENING
        self._thread = Thread(target=self._run, name="faultlamp-intake", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Ask nothing any more, end what is under way; what was answered stays. Returns at once."""
        if self.busy:
            self.stopped = True
            self._stop.set()

    def close(self) -> None:
        """Stop, and wait until the bus is closed; harmless when repeated."""
        self.stop()
        if self._thread is not None:
            self._thread.join(_STOP_TIMEOUT_S)

    def _run(self) -> None:
        try:
            self._check()
            with line_beside(self._listening, self._stop.is_set) as line:
                self._ask(line)
        except FaultlampError as error:
            self._end_with(str(error))
        except Exception as error:  # a thread that dies in silence would look like asking for ever
            self._end_with(f"asking stopped on a fault of faultlamp itself: {error!r}")
        finally:
            self._passed_s = time.monotonic() - self._began_steady_s
            self.stage = Stage.OVER

    def _end_with(self, trouble: str) -> None:
        if not self._stop.is_set():
            self.trouble = trouble

    def _check(self) -> None:
        objection = self.objection()
        if objection:
            raise BusError(objection)

    def _ask(self, line: Line) -> None:
        from faultlamp.asking.intake import Intake
        from faultlamp.asking.plan import WITH_TEST_RESULTS, wanted
        from faultlamp.j1939.participant import Participant

        clock = SteadyClock()
        participant = Participant(self._name, TOOL_ADDRESS, channel=CHANNEL)
        intake = Intake(
            participant, wanted(ASKED), layouts=self._layouts, spn_conversion=self._conversion,
            test_results=ASKED in WITH_TEST_RESULTS,
        )
        with self._lock:
            self._intake = intake
            self.stage = Stage.ASKING
            intake.start(clock())
        talk = _Talk(self, line, intake, self._lock, self._stop)
        try:
            converse(talk, talk, clock, lambda: intake.done or self._stop.is_set())
        finally:
            talk.hang_up(participant, clock())
            if participant.address is not None:
                self.own.add(participant.address)

    def note_sent(self) -> None:
        """A frame has left."""
        self._sent += 1


class _Talk:
    """An intake and its line, for `converse`: one thread asks, others look; after a stop only aborts leave."""

    def __init__(self, asker: Asker, line: Line, intake: Intake, lock: Lock, stop: Event) -> None:
        self._asker = asker
        self._line = line
        self._intake = intake
        self._lock = lock
        self._stop = stop

    def read(self, timeout_s: float) -> list[Frame]:
        return self._line.read(timeout_s)

    def send(self, can_id: int, data: bytes) -> None:
        if not self._stop.is_set():
            self._line.send(can_id, data)
            self._asker.note_sent()

    def hang_up(self, participant: Participant, now_ns: int) -> None:
        """Abort transfers that are under way. Never raises BusError."""
        with self._lock:
            participant.hang_up(now_ns)
            leaving = [(can_id, data) for can_id, data in participant.outgoing(now_ns) if _is_abort(can_id, data)]
        with suppress(BusError):
            for can_id, data in leaving:
                self._line.send(can_id, data)
                self._asker.note_sent()

    def feed(self, frame: Frame) -> None:
        with self._lock:
            self._intake.feed(frame)

    def advance(self, now_ns: int) -> None:
        with self._lock:
            self._intake.advance(now_ns)

    def outgoing(self, now_ns: int) -> list[tuple[int, bytes]]:
        with self._lock:
            return self._intake.outgoing(now_ns)

    def next_ns(self) -> int | None:
        with self._lock:
            return self._intake.next_ns()


def _is_abort(can_id: int, data: bytes) -> bool:
    return split_identifier(can_id).pgn in (TP_CM, ETP_CM) and data[0] == ABORT
