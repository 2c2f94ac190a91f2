"""A connection that breaks the rules on purpose.

Rule: it opens like any other, waits for the receiver, and then does what its manner says whatever the receiver says:
it sends too few packets, too many, short ones, stops, or breaks off. `shapes` says what each manner sends.
"""

from __future__ import annotations

from collections import deque

from faultlamp.j1939.transport import ABORT, CTS
from faultlamp.rig import shapes
from faultlamp.rig.replies import Reply

_SPACING_NS = 6_000_000
_PATIENCE_NS = 1_250_000_000


class CrookedConnection:
    """One such connection from `source`; over when `done`. Times are real nanoseconds."""

    def __init__(self, now_ns: int, reply: Reply, source: int) -> None:
        self.peer = reply.destination
        self.done = False
        self._rest = deque(shapes.after_clear_to_send(reply, source))
        self._opening = [shapes.opening(reply, source)]
        self._due_ns: int | None = None
        self._until_ns = now_ns + _PATIENCE_NS

    def control(self, now_ns: int, data: bytes) -> None:
        """A control frame from the receiver."""
        if data[:1] == bytes((ABORT,)):
            self.done = True
        elif len(data) > 1 and data[0] == CTS and data[1] and self._due_ns is None:
            self._due_ns = now_ns + _SPACING_NS

    def outgoing(self, now_ns: int) -> list[tuple[int, bytes]]:
        """What goes out now."""
        frames, self._opening = self._opening, []
        if self._due_ns is None:
            self.done = self.done or now_ns >= self._until_ns
        elif now_ns >= self._due_ns and not self.done:
            if self._rest:
                frames.append(self._rest.popleft())
            self._due_ns = now_ns + _SPACING_NS
            self.done = not self._rest
        return frames

    def next_ns(self) -> int:
        """When there is something to do."""
        return self._until_ns if self._due_ns is None else self._due_ns
