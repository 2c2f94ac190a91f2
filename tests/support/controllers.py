"""Made-up controllers, with a bus for them in simulated time and one in real time, to ask and to clear."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import can

from faultlamp.bus.conversing import Talker
from faultlamp.frames import Frame
from faultlamp.j1939.address import Name
from faultlamp.j1939.identifier import GLOBAL_ADDRESS, build_identifier, split_identifier
from faultlamp.j1939.participant import Participant
from faultlamp.j1939.participant.events import Message
from faultlamp.j1939.requests import REQUEST_PGN, Answer, decode_request
from support import names

START_NS = 1_700_000_000_000_000_000
MS = 1_000_000
SECOND = 1000 * MS
_STEP_NS = 5 * MS
DM1, DM2, DM3, DM11, DM22 = 65226, 65227, 65228, 65235, 49920


def name(number: int, function: int = 0) -> Name:
    """A NAME; the smaller the number, the stronger."""
    return names.name(number, function=function, manufacturer_code=2047)


Behaviour = Callable[["Controller", Message, int], None]
"""Called with the request or command and the group that it is about."""


class Controller:
    """A controller that has its address.

    answers: bytes for a group, or what to do when it is asked for. Other groups are refused when asked of it alone.
    periodic: groups sent by themselves as (every ns, group, payload or a function that gives it).
    """

    def __init__(
        self,
        address: int,
        answers: Mapping[int, bytes | Behaviour] | None = None,
        periodic: Sequence[tuple[int, int, Callable[[], bytes]]] = (),
        *,
        claims: bool = True,
    ) -> None:
        self.address = address
        self.answers = dict(answers or {})
        self.asked: list[tuple[int, int]] = []
        self.participant = Participant(name(address), address, claimed=True, answered=None)
        self._claims = claims
        self._periodic = list(periodic)
        self._due: list[int] | None = None
        self._later: list[tuple[int, Callable[[int], None]]] = []
        self._raw: list[tuple[int, bytes]] = []

    def feed(self, frame: Frame) -> None:
        """Hear a frame."""
        if not self._claims and split_identifier(frame.can_id).pgn == REQUEST_PGN and frame.data == b"\x00\xee\x00":
            return
        for event in self.participant.feed(frame):
            if isinstance(event, Message):
                self._hear(event)

    def advance(self, now_ns: int) -> None:
        """Let time pass."""
        self.participant.advance(now_ns)
        for due in [one for one in self._later if one[0] <= now_ns]:
            self._later.remove(due)
            due[1](now_ns)
        if self._due is None:
            self._due = [now_ns + every_ns for every_ns, _, _ in self._periodic]
        for place, (every_ns, pgn, payload) in enumerate(self._periodic):
            if self._due[place] <= now_ns:
                self._due[place] = now_ns + every_ns
                self.participant.send(now_ns, pgn, GLOBAL_ADDRESS, payload())

    def outgoing(self, now_ns: int) -> list[tuple[int, bytes]]:
        """Frames to send now."""
        raw, self._raw = self._raw, []
        return raw + self.participant.outgoing(now_ns)

    def send(self, now_ns: int, pgn: int, to: int, payload: bytes) -> None:
        """Answer: addressed groups and long messages to who asked, short ones of other groups to everybody."""
        self.participant.send(now_ns, pgn, to, payload)

    def later(self, at_ns: int, act: Callable[[int], None]) -> None:
        """Do something at that time."""
        self._later.append((at_ns, act))

    def put(self, pgn: int, destination: int, data: bytes, *, source: int | None = None) -> None:
        """A frame as it is, past all rules; `source`: whose it pretends to be."""
        self._raw.append((build_identifier(7, pgn, self.address if source is None else source, destination), data))

    def _hear(self, message: Message) -> None:
        if message.pgn == REQUEST_PGN:
            wanted = decode_request(message.payload)
            if wanted is None or wanted == 60928:
                return
            self.asked.append((message.time_ns, wanted))
            self._answer(message, wanted)
        elif message.pgn in self.answers and message.destination == self.address:
            self.asked.append((message.time_ns, message.pgn))
            self._answer(message, message.pgn)

    def _answer(self, message: Message, pgn: int) -> None:
        how = self.answers.get(pgn)
        if callable(how):
            how(self, message, pgn)
        elif how is not None:
            to = GLOBAL_ADDRESS if message.destination == GLOBAL_ADDRESS else message.source
            self.send(message.time_ns, pgn, to, how)
        elif message.destination != GLOBAL_ADDRESS:
            self.participant.acknowledge(message.time_ns, Answer.REFUSED, pgn, message.source)


def says(answer: Answer) -> Behaviour:
    """Acknowledges, refuses, denies or is busy."""

    def act(controller: Controller, message: Message, pgn: int) -> None:
        controller.participant.acknowledge(message.time_ns, answer, pgn, message.source)

    return act


def silent(_: Controller, __: Message, ___: int) -> None:
    """Says nothing."""


def in_turn(*behaviours: Behaviour | bytes) -> Behaviour:
    """One after the other; the last one from then on."""
    left = list(behaviours)

    def act(controller: Controller, message: Message, pgn: int) -> None:
        how = left.pop(0) if len(left) > 1 else left[0]
        if callable(how):
            how(controller, message, pgn)
        else:
            controller.send(message.time_ns, pgn, message.source, how)

    return act


def after(delay_ns: int, payload: bytes) -> Behaviour:
    """Answers late."""

    def act(controller: Controller, message: Message, pgn: int) -> None:
        controller.later(message.time_ns + delay_ns, lambda now: controller.send(now, pgn, message.source, payload))

    return act


def listing(codes: list[tuple[int, int]]) -> bytes:
    """DM1 or DM2 (SAE J1939-73, section 5.7.1)."""
    body = b"".join(bytes((spn & 0xFF, spn >> 8, fmi, 1)) for spn, fmi in codes) or bytes(4)
    return (b"\x04\xff" + body).ljust(8, b"\xff")


class Engine(Controller):
    """Remembers codes, and clears them as told; `returning` are active again a while after clearing."""

    def __init__(
        self,
        address: int = 0,
        *,
        active: list[tuple[int, int]] | None = None,
        stored: list[tuple[int, int]] | None = None,
        returning: tuple[int, list[tuple[int, int]]] | None = None,
        rpm: float | None = 0.0,
        kmh: float | None = 0.0,
        answers: dict[int, bytes | Behaviour] | None = None,
    ) -> None:
        self.active, self.stored = list(active or []), list(stored or [])
        self.rpm, self.kmh = rpm, kmh
        self.commands: list[int] = []
        self._returning = returning
        periodic: list[tuple[int, int, Callable[[], bytes]]] = [(SECOND, DM1, lambda: listing(self.active))]
        if rpm is not None:
            periodic.append((50 * MS, 61444, lambda: b"\xf0\xff\xff" + raw(self.rpm, 8) + b"\xff\xff\xff"))
        if kmh is not None:
            periodic.append((100 * MS, 65265, lambda: b"\xff" + raw(self.kmh, 256) + b"\xff" * 5))
        ours: dict[int, bytes | Behaviour] = {
            DM1: lambda c, m, pgn: c.send(m.time_ns, pgn, m.source, listing(self.active)),
            DM2: lambda c, m, pgn: c.send(m.time_ns, pgn, m.source, listing(self.stored)),
            DM3: self._clear, DM11: self._clear, DM22: self._clear_code,
        }
        super().__init__(address, ours | (answers or {}), periodic)

    def _clear(self, _: Controller, message: Message, pgn: int) -> None:
        self.commands.append(pgn)
        self.stored = []
        if pgn == DM11:
            self.active = []
            if self._returning is not None:
                delay_ns, codes = self._returning
                self.later(message.time_ns + delay_ns, lambda _: setattr(self, "active", codes))
        self.participant.acknowledge(message.time_ns, Answer.ACKNOWLEDGED, pgn, message.source)

    def _clear_code(self, _: Controller, message: Message, pgn: int) -> None:
        self.commands.append(pgn)
        kind, code = message.payload[0], (message.payload[5] | message.payload[6] << 8, message.payload[7] & 0x1F)
        codes = self.active if kind == 17 else self.stored
        done = code in codes
        if done:
            codes.remove(code)
        reply = bytes((kind + (1 if done else 2), 255 if done else 2)) + message.payload[2:]
        self.send(message.time_ns, pgn, message.source, reply)


def raw(value: float | None, per_unit: int) -> bytes:
    """Two bytes of a speed; None: not available."""
    return b"\xff\xff" if value is None else round(value * per_unit).to_bytes(2, "little")


@dataclass
class SimulatedBus:
    """Frames go to everybody else at once; time goes on in steps of 5 ms or to whatever is due before.

    log: every frame as (sender's place, frame); place 0 is the talker.
    """

    talker: Talker
    controllers: Sequence[Controller]
    now_ns: int = START_NS
    log: list[tuple[int, Frame]] = field(default_factory=list)

    def run(self, until: Callable[[], bool], longest_ns: int = 600 * SECOND) -> None:
        """Until then; fails when it takes longer."""
        nodes: list[Talker | Controller] = [self.talker, *self.controllers]
        end_ns = self.now_ns + longest_ns
        while True:
            for node in nodes:
                node.advance(self.now_ns)
            quiet = False
            while not quiet:
                quiet = True
                for place, node in enumerate(nodes):
                    for can_id, data in node.outgoing(self.now_ns):
                        quiet = False
                        frame = Frame(self.now_ns, "can0", can_id, data)
                        self.log.append((place, frame))
                        for other in nodes:
                            if other is not node:
                                other.feed(frame)
            if until():
                return
            assert self.now_ns < end_ns, "it goes on for ever"
            due = self.talker.next_ns()
            self.now_ns = max(min(self.now_ns + _STEP_NS, due or self.now_ns + _STEP_NS), self.now_ns + MS // 10)

    def sent(self) -> list[Frame]:
        """What the talker put on the bus."""
        return [frame for place, frame in self.log if place == 0]


class LiveControllers:
    """The same controllers on a channel of python-can's virtual bus, in real time; a context manager."""

    def __init__(self, channel: str, *controllers: Controller) -> None:
        self._controllers = controllers
        self._bus = can.Bus(interface="virtual", channel=channel, ignore_config=True)
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def __enter__(self) -> LiveControllers:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self._thread.join()
        self._bus.shutdown()

    def _run(self) -> None:
        while not self._over.is_set():
            message = self._bus.recv(0.005)
            now_ns = time.time_ns()
            if message is not None:
                frame = Frame(now_ns, "can0", message.arbitration_id, bytes(message.data))
                for controller in self._controllers:
                    controller.feed(frame)
            for controller in self._controllers:
                controller.advance(now_ns)
                for can_id, data in controller.outgoing(now_ns):
                    self._bus.send(can.Message(arbitration_id=can_id, data=data))
                    for other in self._controllers:
                        if other is not controller:
                            other.feed(Frame(now_ns, "can0", can_id, data))
