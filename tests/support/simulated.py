"""A simulated engine and a tool on one bus, in simulated time: an hour passes in a moment, and nothing depends on load.

What one node sends the others hear 0.5 ms later, about as long as a frame lasts (ISO 11898-1, at 250 kbit/s).
"""

from collections.abc import Callable
from typing import Protocol

from faultlamp.frames import Frame
from faultlamp.rig.live import LiveRig

ON_THE_WIRE_NS = 500_000
CHANNEL = "can0"

_SHORTEST_STEP_NS = 1_000


class Node(Protocol):
    """What is on the bus besides the rig: a participant, or a state machine around one."""

    def feed(self, frame: Frame) -> object: ...

    def advance(self, now_ns: int) -> object: ...

    def outgoing(self, now_ns: int) -> list[tuple[int, bytes]]: ...

    def next_ns(self) -> int | None: ...


class SimulatedBus:
    """The rig and one node. now_ns: the time. frames: all that was sent, by both, if `keep`.

    told: what `feed` and `advance` of the node returned, lists joined.
    """

    def __init__(self, rig: LiveRig, node: Node, *, keep: bool = True) -> None:
        self.rig = rig
        self.node = node
        self.now_ns = 0
        self.frames: list[Frame] = []
        self.told: list[object] = []
        self._keep = keep
        rig.start(0)

    def run(self, until_ns: int, until: Callable[[], bool] = lambda: False) -> None:
        """Let time pass to `until_ns` or until something holds."""
        while not until():
            sent = False
            for can_id, data in self.rig.outgoing(self.now_ns):
                self._hear(self.node.feed(self._frame(can_id, data)))
                sent = True
            self._hear(self.node.advance(self.now_ns))
            for can_id, data in self.node.outgoing(self.now_ns):
                self.rig.feed(self._frame(can_id, data))
                sent = True
            nexts = [at_ns for at_ns in (self.rig.next_ns(), self.node.next_ns()) if at_ns is not None]
            step_ns = ON_THE_WIRE_NS if sent else _SHORTEST_STEP_NS
            if not sent:
                nexts = [at_ns - self.now_ns for at_ns in nexts] or [until_ns]
                step_ns = max(min(nexts), step_ns)
            if self.now_ns + step_ns > until_ns:
                self.now_ns = max(self.now_ns, until_ns)
                return
            self.now_ns += step_ns

    def put(self, can_id: int, data: bytes) -> None:
        """A frame from somebody else, now."""
        self.rig.feed(self._frame(can_id, data))

    def _frame(self, can_id: int, data: bytes) -> Frame:
        frame = Frame(self.now_ns, CHANNEL, can_id, data)
        if self._keep:
            self.frames.append(frame)
        return frame

    def _hear(self, told: object) -> None:
        if isinstance(told, list):
            self.told += told
