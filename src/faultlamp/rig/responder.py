"""What one controller does, from key on to key off, about what it hears.

Rule: a request is answered within 200 ms (SAE J1939-21, section 5.12.3, from memory), unless bad manners delay it.
Who asks for the same thing before it is answered gets one answer. Questions beyond a bound are not answered: a real
controller has little room for them, too. Its periodic frames never wait for an answer.
"""

from __future__ import annotations

from faultlamp.frames import Frame
from faultlamp.j1939.identifier import GLOBAL_ADDRESS, NULL_ADDRESS, split_identifier
from faultlamp.j1939.participant import Participant
from faultlamp.j1939.participant.events import AddressLost, Delivered, Event, Message, NotDelivered
from faultlamp.j1939.requests import ADDRESS_CLAIMED_PGN, REQUEST_PGN, decode_request
from faultlamp.j1939.transport import END_ACK, ETP_CM, ETP_END_ACK, ETP_RTS, RTS, TP_CM
from faultlamp.rig import shapes
from faultlamp.rig.contents import Contents
from faultlamp.rig.controller import ANSWER_NS
from faultlamp.rig.crooked import CrookedConnection
from faultlamp.rig.lane import Lane
from faultlamp.rig.manners import Manner, Receiving, Temper
from faultlamp.rig.messages.codes import DM22_PGN
from faultlamp.rig.messages.monitors import DM7_PGN
from faultlamp.rig.replies import Question, Reply, reply_to
from faultlamp.rig.rivals import loses_address, told_when_asked

MOST_QUESTIONS = 16
MOST_CONNECTIONS = 32

# One reply at a time: a controller does not fill the bus with answers, whatever it is asked.
_PACE_NS = 5_000_000
_AGAIN_NS = 50_000_000
_COMMANDS = (DM22_PGN, DM7_PGN)
_CONTROLS = (TP_CM, ETP_CM)
_OPENINGS, _CLOSINGS = (RTS, ETP_RTS), (END_ACK, ETP_END_ACK)


class Responder:
    """One controller that is awake. Frame times and `now_ns` are real, `scenario_ns` counts from its beginning.

    lost: somebody on the bus took its address, and it sends nothing more before the next key on.
    unanswered: how many questions found no room.
    """

    def __init__(self, contents: Contents, temper: Temper, channel: str) -> None:
        ecu = contents.ecu
        self.address = ecu.address
        self.lost = False
        self.unanswered = 0
        self.lane = Lane()
        # Against its rival of the scenario it has no chance either.
        self._muted = loses_address(ecu)
        self._contents = contents
        self._temper = temper
        self._node = Participant(ecu.claim, ecu.address, channel=channel, spare=(), claimed=True, answered=None)
        self._due: dict[Question, tuple[int, Manner]] = {}
        self._under_way: dict[int, Question] = {}
        self._crooked: dict[int, CrookedConnection] = {}
        self._ready: list[tuple[int, bytes]] = []
        self._free_ns = 0

    def feed(self, frame: Frame) -> None:
        """Take a frame from the bus."""
        _, pgn, destination, source = split_identifier(frame.can_id)
        if self._muted:
            self._hear_muted(pgn, destination, frame.data)
            return
        if pgn in _CONTROLS and destination == self.address and frame.data:
            if self._contents.ecu.manners.receiving is Receiving.NO_CTS and frame.data[0] in _OPENINGS:
                return
            if pgn == TP_CM and source in self._crooked:
                self._crooked[source].control(frame.time_ns, frame.data)
        self._note(frame.time_ns, self._node.feed(frame))

    def advance(self, now_ns: int, scenario_ns: int) -> None:
        """Reply to what is due."""
        self._note(now_ns, self._node.advance(now_ns))
        if self._due and now_ns >= self._due_ns():
            question = min(self._due, key=lambda waiting: self._due[waiting][0])
            _, manner = self._due.pop(question)
            self._free_ns = now_ns + _PACE_NS
            reply = reply_to(question, manner, self._contents, scenario_ns)
            if reply is not None:
                self._dispatch(now_ns, question, manner, reply)

    def outgoing(self, now_ns: int) -> list[tuple[int, bytes]]:
        """What goes out now."""
        frames, self._ready = self._ready, []
        frames += [frame for frame in self._node.outgoing(now_ns) if not self._swallows(frame)]
        frames += self.lane.outgoing(now_ns)
        for connection in list(self._crooked.values()):
            frames += connection.outgoing(now_ns)
            if connection.done:
                del self._crooked[connection.peer]
        return frames

    def next_ns(self) -> int | None:
        """When there is something to do; None: not before a frame comes."""
        times = [self._due_ns()] if self._due else []
        times += [connection.next_ns() for connection in self._crooked.values()]
        times += [at_ns for at_ns in (self._node.next_ns(), self.lane.next_ns()) if at_ns is not None]
        return 0 if self._ready else min(times, default=None)

    def _due_ns(self) -> int:
        """When the next of the waiting questions is replied to."""
        return max(min(due_ns for due_ns, _ in self._due.values()), self._free_ns)

    def _hear_muted(self, pgn: int, destination: int, data: bytes) -> None:
        asked = pgn == REQUEST_PGN and destination in (GLOBAL_ADDRESS, self.address)
        if asked and decode_request(data) == ADDRESS_CLAIMED_PGN:
            self._tell_claims()

    def _tell_claims(self) -> None:
        told = told_when_asked(self._contents.ecu)
        self._ready += [frame for frame in told if frame not in self._ready]

    def _note(self, now_ns: int, events: list[Event]) -> None:
        for event in events:
            if isinstance(event, Message) and not self.lost:
                self._hear(now_ns, event)
            elif isinstance(event, Delivered | NotDelivered):
                self._under_way.pop(event.number, None)
            elif isinstance(event, AddressLost):
                self.lost = True
                self._due.clear()
                self._crooked.clear()
                self.lane = Lane()

    def _hear(self, now_ns: int, message: Message) -> None:
        alone = message.destination == self.address
        if alone and message.source >= NULL_ADDRESS:
            return  # nobody whom an answer could reach
        asked_by = message.source if alone else GLOBAL_ADDRESS
        if message.pgn == REQUEST_PGN:
            pgn = decode_request(message.payload)
            if pgn == ADDRESS_CLAIMED_PGN:
                self._tell_claims()  # the node tells its own
            elif pgn is not None:
                self._ask(now_ns, Question(pgn, asked_by))
        elif message.pgn in _COMMANDS and alone:
            self._ask(now_ns, Question(message.pgn, asked_by, message.payload[:8]))

    def _ask(self, now_ns: int, question: Question) -> None:
        if question in self._due or question in self._under_way.values():
            return
        if len(self._due) >= MOST_QUESTIONS:
            self.unanswered += 1
            return
        conduct = self._temper.about(question.pgn)
        self._due[question] = now_ns + ANSWER_NS + conduct.delay_ns, conduct.manner

    def _dispatch(self, now_ns: int, question: Question, manner: Manner, reply: Reply) -> None:
        if not shapes.is_long(reply.payload):
            self._ready.append(shapes.single(reply, self.address))
        elif reply.destination == GLOBAL_ADDRESS:
            if not self.lane.say(shapes.broadcast(reply, self.address)):
                self.unanswered += 1
        elif len(self._under_way) + len(self._crooked) >= MOST_CONNECTIONS:
            self.unanswered += 1
        elif reply.destination in self._crooked or (reply.manner is not Manner.ANSWER and self._talks_to(reply)):
            self._due[question] = now_ns + _AGAIN_NS, manner
        elif reply.manner is Manner.ANSWER:
            number = self._node.send(now_ns, reply.pgn, reply.destination, reply.payload)
            self._under_way[number] = question
        else:
            self._crooked[reply.destination] = CrookedConnection(now_ns, reply, self.address)

    def _talks_to(self, reply: Reply) -> bool:
        return any(question.asked_by == reply.destination for question in self._under_way.values())

    def _swallows(self, frame: tuple[int, bytes]) -> bool:
        """Whether bad manners keep back this frame of the node's."""
        if self._contents.ecu.manners.receiving is Receiving.PROPER:
            return False
        return split_identifier(frame[0]).pgn in _CONTROLS and frame[1][0] in _CLOSINGS
