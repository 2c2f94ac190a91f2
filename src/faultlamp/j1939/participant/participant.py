"""A node of the bus: it has an address, hears everything, and sends and takes messages of any length.

Rule: SAE J1939-21, sections 5.4 (messages, requests, acknowledgements) and 5.10 (transport), SAE J1939-81 (address);
sections from memory.

                      feed(frame)        advance(now)
                           |                  |
     claim.py     <--------+------------------+-----> receiving.py, transport.py     messages to us and to everybody
     sending.py   <--------+                  |
                           v                  v
                     outgoing(now) --> frames for the bus

- Nothing is sent before an address is ours. What is handed to `send` earlier waits for it.
- Each transfer has the bus to itself as far as the standard wants: one broadcast at a time, one connection to a node at
  a time. The next message to the same place waits; single frames do not.
- A request to our address for something that the owner does not answer is refused; one to everybody never is.
- Transport frames have priority 7, whatever the message's own.

Times are those of one clock for frames and `now_ns`, and do not run backwards. All that others can make us hold has a
bound: 254 connections to us, of which extended ones announce 4 MiB together; a frame that finds the queue of answers
full is not answered.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Collection, Sequence
from itertools import chain

from faultlamp.frames.frame import EXTENDED, Frame
from faultlamp.j1939 import segmentation
from faultlamp.j1939.address import Name
from faultlamp.j1939.identifier import (
    GLOBAL_ADDRESS,
    NULL_ADDRESS,
    build_identifier,
    is_j1939,
    split_identifier,
)
from faultlamp.j1939.participant.claim import SPARE_ADDRESSES, TOOL_ADDRESS, Claim, ClaimState
from faultlamp.j1939.participant.echoes import Echoes
from faultlamp.j1939.participant.events import (
    AbortReason,
    AddressClaimed,
    AddressLost,
    CannotClaim,
    Delivered,
    Event,
    Message,
    NotDelivered,
)
from faultlamp.j1939.participant.inbox import Inbox
from faultlamp.j1939.participant.outbox import Letter, Outbox, Sending
from faultlamp.j1939.participant.session import Session
from faultlamp.j1939.requests import (
    ACKNOWLEDGEMENT_PGN,
    ADDRESS_CLAIMED_PGN,
    NO_GROUP_FUNCTION,
    REQUEST_PGN,
    Acknowledgement,
    Answer,
    decode_request,
)
from faultlamp.j1939.transport import (
    ABORT,
    CTS,
    END_ACK,
    ETP_CM,
    ETP_CTS,
    ETP_END_ACK,
    TP_CM,
    TP_LARGEST,
    TRANSPORT_PGNS,
)

LARGEST_SENT = 1 << 20
_MOST_OWED = 4096
_TRANSPORT_PRIORITY = 7
_ANSWER_PRIORITY = 6


class Participant:
    """One node on one channel.

    name: our NAME. preferred: the address to claim first. spare: those to try next, if the NAME may move.
    channel: frames of other channels are ignored.
    claimed: the address counts as ours already; then other frames from it are not taken for an impostor's.
    answered: groups for which the owner answers requests to our address, by `send` or `acknowledge`; requests for all
    others are refused here. None leaves every request to the owner.
    cannot_claim_delay_ns: 0 to 153 ms of waiting before 'cannot claim'; None takes it from the NAME.
    Raises ValueError for an address above 253 or a delay out of range.
    """

    def __init__(
        self,
        name: Name,
        preferred: int = TOOL_ADDRESS,
        *,
        channel: str = "can0",
        spare: Sequence[int] = SPARE_ADDRESSES,
        claimed: bool = False,
        answered: Collection[int] | None = (),
        cannot_claim_delay_ns: int | None = None,
    ) -> None:
        self._channel = channel
        self._claim = Claim(
            name, preferred, spare, claimed=claimed, cannot_claim_delay_ns=cannot_claim_delay_ns
        )
        self._answered = None if answered is None else frozenset(answered)
        self._echoes = Echoes()
        self._inbox = Inbox(channel)
        self._outbox = Outbox()
        self._now_ns = 0
        self._number = 0
        self._events: list[Event] = []
        self._answers: deque[tuple[int, int, bytes]] = deque()

    @property
    def state(self) -> ClaimState:
        """How far the claim is."""
        return self._claim.state

    @property
    def address(self) -> int | None:
        """Our address; None until it is ours and after it was lost."""
        return self._claim.address if self._claim.state is ClaimState.CLAIMED else None

    def claim(self, now_ns: int) -> None:
        """Claim the preferred address. Nothing happens when a claim is under way or has won."""
        self._reach(now_ns)
        self._claim.claim(now_ns)

    def send(self, now_ns: int, pgn: int, destination: int, payload: bytes, priority: int = 6) -> int:
        """Hand over a message; its number comes back in Delivered or NotDelivered.

        Up to 8 bytes go as they are in one frame; a group of the PDU2 kind then reaches everybody, whatever the
        destination. More go as broadcast to address 255, otherwise as a connection, from 1786 bytes on an extended
        one. Raises ValueError for more than 1785 bytes to everybody, more than 1 MiB, or a field out of range.
        """
        self._reach(now_ns)
        build_identifier(priority, pgn, 0, destination)
        largest = TP_LARGEST if destination == GLOBAL_ADDRESS else LARGEST_SENT
        if len(payload) > largest:
            raise ValueError(f"message size {len(payload)} is outside 0..{largest}")
        if destination == NULL_ADDRESS:
            raise ValueError(f"destination {NULL_ADDRESS} is nobody's address")
        self._number += 1
        letter = Letter(self._number, pgn, destination, bytes(payload), priority)
        if self.state is ClaimState.CANNOT_CLAIM:
            self._refuse(letter, "no address to send from")
        elif destination == self.address:
            self._refuse(letter, "that is our own address")
        elif not self._outbox.put(letter):
            self._refuse(letter, "too many messages are waiting")
        else:
            self._start(destination)
        return self._number

    def acknowledge(self, now_ns: int, answer: Answer, pgn: int, asked_by: int) -> int:
        """Answer the request of node `asked_by` for a group without data; to everybody, as the standard has it."""
        payload = Acknowledgement(answer, NO_GROUP_FUNCTION, asked_by, pgn).encode()
        return self.send(now_ns, ACKNOWLEDGEMENT_PGN, GLOBAL_ADDRESS, payload)

    def feed(self, frame: Frame) -> list[Event]:
        """Take one frame of any kind; what came of it, and of what happened since the last call."""
        self._reach(frame.time_ns)
        if frame.flags == EXTENDED and frame.channel == self._channel and is_j1939(frame.can_id):
            self._hear(frame.time_ns, frame.can_id, frame.data)
        return self._told()

    def advance(self, now_ns: int) -> list[Event]:
        """Let time pass: what ends or becomes due without a frame."""
        self._reach(now_ns)
        self._note(self._claim.advance(now_ns))
        for sending in self._outbox.sessions():
            sending.advance(now_ns)
            self._settle(sending)
        for reception in self._inbox.late(now_ns):
            self._post(reception)
        return self._told()

    def outgoing(self, now_ns: int) -> list[tuple[int, bytes]]:
        """The frames, as (identifier, data), to put on the bus now, in this order. Each is given out once."""
        self._reach(now_ns)
        frames = self._claim.outgoing(now_ns)
        address = self.address
        if address is not None:
            for sending in self._outbox.sessions():
                sending.release(now_ns)
                self._settle(sending)
            while self._answers:
                pgn, destination, data = self._answers.popleft()
                priority = _TRANSPORT_PRIORITY if pgn in TRANSPORT_PGNS else _ANSWER_PRIORITY
                frames.append((build_identifier(priority, pgn, address, destination), data))
            for letter in self._outbox.take_singles():
                can_id = build_identifier(letter.priority, letter.pgn, address, letter.destination)
                frames.append((can_id, letter.payload))
                self._events.append(Delivered(now_ns, letter.number))
        self._echoes.sent(now_ns, frames)
        return frames

    def hang_up(self, now_ns: int) -> None:
        """Abort every connection that is open and drop what waits, so that no node has to wait for its time-out.

        The aborts come out of the next `outgoing`; one goes to each node and direction.
        """
        self._reach(now_ns)
        self._drop_waiting("given up")
        for session in chain(self._outbox.empty_sessions(), self._inbox.empty()):
            if session.peer == GLOBAL_ADDRESS:  # a broadcast has no abort
                session.fail(self._now_ns, None, "given up")
            else:
                session.frames.clear()
                session.abort(self._now_ns, AbortReason.NO_RESOURCES, "given up")
            self._post(session)

    def next_ns(self) -> int | None:
        """When `advance` or `outgoing` has something to do, if no frame comes before; None: never."""
        claimed = self.address is not None
        if self._events or (claimed and (self._answers or self._outbox.has_single())):
            return self._now_ns
        times = [session.due_ns for session in chain(self._outbox.sessions(), self._inbox.sessions())]
        claim_ns = self._claim.next_ns()
        if claim_ns is not None:
            times.append(claim_ns)
        return min(times, default=None)

    def _reach(self, now_ns: int) -> None:
        self._now_ns = max(self._now_ns, now_ns)

    def _told(self) -> list[Event]:
        events, self._events = self._events, []
        return events

    def _hear(self, time_ns: int, can_id: int, data: bytes) -> None:
        if self._echoes.take(time_ns, can_id, data):
            return
        _, pgn, destination, source = split_identifier(can_id)
        if source == GLOBAL_ADDRESS:
            return
        if pgn == ADDRESS_CLAIMED_PGN:
            self._note(self._claim.heard_claim(self._now_ns, source, data))
            self._events.append(Message(time_ns, pgn, source, destination, data))
            return
        if source == self._claim.address:
            self._note(self._claim.heard_impostor(self._now_ns))
            return
        self._claim.heard(source)
        if pgn in TRANSPORT_PGNS:
            self._transport(time_ns, can_id, pgn, destination, source, data)
            return
        # A node asks for our claim while we are still waiting for objections, too.
        if pgn == REQUEST_PGN and destination in (GLOBAL_ADDRESS, self._claim.address):
            self._requested(destination, source, data)
        if destination in (GLOBAL_ADDRESS, self.address):
            self._events.append(Message(time_ns, pgn, source, destination, data))

    def _requested(self, destination: int, source: int, data: bytes) -> None:
        wanted = decode_request(data)
        if wanted == ADDRESS_CLAIMED_PGN:
            self._claim.requested(self._now_ns)
        elif wanted is not None and destination == self.address and self._refused(wanted):
            refusal = Acknowledgement(Answer.REFUSED, NO_GROUP_FUNCTION, source, wanted)
            self._answer(ACKNOWLEDGEMENT_PGN, GLOBAL_ADDRESS, refusal.encode())

    def _refused(self, pgn: int) -> bool:
        return self._answered is not None and pgn not in self._answered

    def _transport(
        self, time_ns: int, can_id: int, pgn: int, destination: int, source: int, data: bytes
    ) -> None:
        if destination == GLOBAL_ADDRESS:
            message = self._inbox.broadcast(time_ns, can_id, data)
            if message is not None:
                self._events.append(message)
            return
        address = self.address
        if destination != address or address is None or source == NULL_ADDRESS:
            return
        if pgn in (TP_CM, ETP_CM) and len(data) == 8:
            self._control(source, pgn == ETP_CM, data)
        for reception in self._inbox.heard(self._now_ns, pgn, source, address, data):
            self._post(reception)

    def _control(self, source: int, extended: bool, data: bytes) -> None:
        """What a control frame means to the message that we are sending to its sender."""
        sending = self._outbox.connection(source)
        if sending is None or sending.extended != extended or sending.pgn != segmentation.carried_group(data):
            return
        control = data[0]
        if control == ABORT:
            sending.aborted(self._now_ns, data[1])
        elif control == (ETP_CTS if extended else CTS):
            following = int.from_bytes(data[2:5], "little") if extended else data[2]
            sending.clear_to_send(self._now_ns, data[1], following)
        elif control == (ETP_END_ACK if extended else END_ACK):
            sending.end_of_message(self._now_ns, int.from_bytes(data[1 : 5 if extended else 3], "little"))
        self._settle(sending)

    def _post(self, session: Session) -> None:
        """Queue what a session owes its peer, and tell how it ended."""
        for pgn, data in session.frames:
            self._answer(pgn, session.peer, data)
        session.frames.clear()
        if session.ended is not None:
            self._events.append(session.ended)

    def _settle(self, sending: Sending) -> None:
        """The same for a session of ours, after which the next message to that place goes out."""
        self._post(sending)
        if sending.ended is not None:
            self._outbox.close(sending)
            self._start(sending.peer)

    def _answer(self, pgn: int, destination: int, data: bytes) -> None:
        if len(self._answers) < _MOST_OWED:
            self._answers.append((pgn, destination, data))

    def _start(self, destination: int) -> None:
        sending = None if self.address is None else self._outbox.start(self._now_ns, destination)
        if sending is not None:
            self._post(sending)

    def _refuse(self, letter: Letter, words: str) -> None:
        self._events.append(NotDelivered(self._now_ns, letter.number, None, words))

    def _note(self, events: list[Event]) -> None:
        """What happened to our address, and what follows for the messages."""
        for event in events:
            self._events.append(event)
            if isinstance(event, AddressClaimed):
                for destination in self._outbox.places():
                    self._start(destination)
            elif isinstance(event, AddressLost):
                self._drop_sessions()
            elif isinstance(event, CannotClaim):
                self._drop_waiting("no address to send from")

    def _drop_sessions(self) -> None:
        """Without the address no session can go on. What has not begun waits for the next address."""
        self._answers.clear()
        for session in chain(self._outbox.empty_sessions(), self._inbox.empty()):
            session.fail(self._now_ns, None, "our address was lost")
            self._post(session)

    def _drop_waiting(self, words: str) -> None:
        for letter in self._outbox.empty_waiting():
            self._refuse(letter, words)
