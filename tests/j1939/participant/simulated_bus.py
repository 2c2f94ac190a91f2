"""A bus in simulated time: every frame takes its time, reaches all others in order, and may be lost on its way."""

from collections.abc import Callable, Sequence
from typing import NamedTuple, TypeVar

from faultlamp.frames.frame import Frame
from faultlamp.j1939.participant import Participant
from faultlamp.j1939.participant.events import Event
from support.names import name

MS = 1_000_000
SECOND = 1000 * MS
CHANNEL = "can0"

# One frame of 8 bytes at 250 kbit/s lasts 0.52 ms without stuffing (ISO 11898-1 field lengths).
FRAME_NS = 520_000

Kind = TypeVar("Kind")


def node(address: int, **options: object) -> Participant:
    """A participant that has its address already."""
    return Participant(name(address), address, claimed=True, **options)  # type: ignore[arg-type]


def frame(time_ns: int, can_id: int, data: str | bytes) -> Frame:
    """A J1939 frame; data as bytes or in hex."""
    return Frame(time_ns, CHANNEL, can_id, bytes.fromhex(data) if isinstance(data, str) else data)


def play(participant: Participant, lines: str, start_ns: int = 0, gap_ns: int = MS) -> list[Event]:
    """Feed lines of `IDENTIFIER  BYTES`, one each `gap_ns`; the events."""
    events: list[Event] = []
    for place, line in enumerate(lines.strip().splitlines()):
        can_id, data = line.split(maxsplit=1)
        events += participant.feed(frame(start_ns + place * gap_ns, int(can_id, 16), data))
    return events


def of_kind(events: Sequence[Event], kind: type[Kind]) -> list[Kind]:
    """The events of one kind."""
    return [event for event in events if isinstance(event, kind)]


class Passed(NamedTuple):
    """A frame that went over the bus."""

    time_ns: int
    sender: int
    can_id: int
    data: bytes


class SimulatedBus:
    """Participants joined by a bus.

    loses: told each frame's place (from 0) as it leaves; True loses it for all but who sent it.
    echoes: whether senders hear their own frames. passed: all frames in order, also the lost. events: per participant.
    """

    def __init__(
        self, *participants: Participant, loses: Callable[[int, Passed], bool] = lambda *_: False, echoes: bool = False
    ) -> None:
        self.participants = participants
        self.now_ns = 0
        self.passed: list[Passed] = []
        self.events: list[list[Event]] = [[] for _ in participants]
        self._loses = loses
        self._echoes = echoes

    def run(self, limit_ns: int = 3600 * SECOND) -> None:
        """Until nobody has anything to do, or the time is up (the clock then stands at the limit)."""
        while True:
            for place, participant in enumerate(self.participants):
                self.events[place] += participant.advance(self.now_ns)
            waiting = [
                (place, can_id, data)
                for place, participant in enumerate(self.participants)
                for can_id, data in participant.outgoing(self.now_ns)
            ]
            for place, can_id, data in waiting:
                self.inject(can_id, data, place)
            if waiting:
                continue
            times = [next_ns for participant in self.participants if (next_ns := participant.next_ns()) is not None]
            if not times or min(times) > limit_ns:
                self.now_ns = max(self.now_ns, limit_ns if times else self.now_ns)
                return
            self.now_ns = max(self.now_ns, min(times))

    def inject(self, can_id: int, data: bytes, sender: int = -1) -> None:
        """Put one frame on the bus; -1 is a node that is no participant."""
        self.now_ns += FRAME_NS
        passed = Passed(self.now_ns, sender, can_id, data)
        lost = self._loses(len(self.passed), passed)
        self.passed.append(passed)
        for place, participant in enumerate(self.participants):
            if (place != sender and not lost) or (place == sender and self._echoes):
                self.events[place] += participant.feed(frame(self.now_ns, can_id, data))
