"""A service tool on the simulated bus, for tests of what the rig answers."""

from dataclasses import dataclass

from faultlamp.j1939.participant import Participant
from faultlamp.j1939.participant.events import Message, ReceiveFailed
from faultlamp.rig.live import LiveRig
from faultlamp.rig.scenario import Scenario
from support.names import name
from support.simulated import SimulatedBus

S = 1_000_000_000
MS = 1_000_000
TOOL = 249
REQUEST, ACKNOWLEDGEMENT = 59904, 59392
TOOL_NAME = name(77, function=129, manufacturer_code=2047)


@dataclass
class Heard:
    """An answer: when it was complete, seconds after the question, its group, from where, to where, its bytes."""

    after_s: float
    pgn: int
    source: int
    destination: int
    payload: bytes

    @property
    def hex(self) -> str:
        """The bytes as in the standard's tables."""
        return self.payload.hex(" ").upper()


class RigTool:
    """The tool, its address claimed already, and the rig it talks to; time begins with the scenario."""

    def __init__(self, scenario: Scenario, *, speed: float = 1.0, loop: bool = False) -> None:
        self.node = Participant(TOOL_NAME, TOOL, claimed=True)
        self.rig = LiveRig(scenario, speed=speed, loop=loop)
        self.bus = SimulatedBus(self.rig, self.node)

    @property
    def now_s(self) -> float:
        """Seconds since the beginning."""
        return self.bus.now_ns / S

    def wait_until(self, second: float) -> None:
        """Let time pass."""
        self.bus.run(round(second * S))

    def ask(self, pgn: int, to: int = 0, wait_s: float = 3.0) -> list[Heard]:
        """Request a group; everything of it, and every acknowledgement for it, that comes within the time."""
        return self.tell(REQUEST, pgn.to_bytes(3, "little"), to, {pgn}, pgn, wait_s)

    def tell(
        self, pgn: int, payload: bytes, to: int, answers: set[int], acknowledged: int, wait_s: float = 3.0
    ) -> list[Heard]:
        """Send a message, and collect messages of some groups and acknowledgements of one."""
        self.bus.told.clear()
        began_ns = self.bus.now_ns
        self.node.send(began_ns, pgn, to, payload)
        self.bus.run(began_ns + round(wait_s * S))
        return [
            Heard((message.time_ns - began_ns) / S, message.pgn, message.source, message.destination, message.payload)
            for message in self.bus.told
            if isinstance(message, Message) and to in (message.source, 255)
            and (message.pgn in answers or (
                message.pgn == ACKNOWLEDGEMENT and message.payload[5:8] == acknowledged.to_bytes(3, "little")
            ))
        ]

    def failures(self) -> list[ReceiveFailed]:
        """The connections to the tool that broke since the last question."""
        return [event for event in self.bus.told if isinstance(event, ReceiveFailed)]

    def codes(self, pgn: int = 65226, to: int = 0) -> str:
        """The bytes after the lamps of the first answer to a request for a list of codes."""
        return self.ask(pgn, to, 0.1)[0].hex[6:]
