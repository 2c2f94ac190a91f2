"""What the two ends of a connection have in common: the other node, the group, the frames they owe, how it ended.

Rule: SAE J1939-21, section 5.10 (from memory): a connection is one message from one node to another. Either may end it
with an abort that names the group; nothing answers an abort. Times of section 5.10.3.5 (from memory): T1 750 ms, T2
and T3 1250 ms, T4 1050 ms.
"""

from __future__ import annotations

from faultlamp.j1939 import segmentation
from faultlamp.j1939.participant.events import Event, reason_of, reason_words
from faultlamp.j1939.transport import ETP_CM, ETP_DT, TP_CM, TP_DT

T1_NS = 750_000_000
T2_NS = 1_250_000_000
T3_NS = 1_250_000_000
T4_NS = 1_050_000_000

# How often one packet, or the request to send, is asked for again.
MOST_RETRIES = 2


class Session:
    """One end of one transfer.

    frames: (parameter group, data) that go to `peer` next; the owner takes them out.
    ended: the event that ended it, None while it goes on. due_ns: when it has something to do by itself.
    """

    def __init__(self, peer: int, pgn: int, extended: bool, due_ns: int) -> None:
        self.peer = peer
        self.pgn = pgn
        self.extended = extended
        self.due_ns = due_ns
        self.frames: list[tuple[int, bytes]] = []
        self.ended: Event | None = None

    def say(self, data: bytes) -> None:
        """Owe the peer a control frame."""
        self.frames.append((ETP_CM if self.extended else TP_CM, data))

    def pass_on(self, data: bytes) -> None:
        """Owe the peer a data packet."""
        self.frames.append((ETP_DT if self.extended else TP_DT, data))

    def abort(self, now_ns: int, reason: int, words: str | None = None) -> None:
        """End it from our side."""
        self.say(segmentation.connection_abort(reason, self.pgn))
        self.fail(now_ns, reason, words)

    def aborted(self, now_ns: int, reason: int) -> None:
        """The peer ended it."""
        self.fail(now_ns, reason_of(reason), f"broken off by the other node: {reason_words(reason)}")

    def fail(self, now_ns: int, reason: int | None, words: str | None = None) -> None:
        """End it without a frame. words: what to say instead of the reason's own."""
        raise NotImplementedError


class Refusal(Session):
    """A connection that was refused at once: one abort and no more."""

    def __init__(self, peer: int, pgn: int, extended: bool, reason: int) -> None:
        super().__init__(peer, pgn, extended, 0)
        self.say(segmentation.connection_abort(reason, pgn))
