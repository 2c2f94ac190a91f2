"""The sending end of a transfer: a broadcast, or a connection whose receiver sets the pace.

Rule: SAE J1939-21, section 5.10 (from memory), and ISO 11783-3 for more than 1785 bytes.

    request to send --> clear to send (how many packets, from which) --> the packets --> clear to send ...
         |                  |                                              |
         |                  +-- for 0 packets: wait, at most T4            +--> end of message: delivered
         +-- no answer within T3: again, twice at most, then abort         +--> nothing within T3: abort

- A clear-to-send that goes back asks for packets again: each may be asked for twice more, then reason 5.
- One that comes while packets are still going out ends the connection with reason 4, unless it repeats the one in hand
  or asks to wait. More packets than the message has left means: all that are left.
- Extended transport says before each run of packets where it begins (data packet offset).
- A broadcast is announced and sent at the standard's shortest spacing, 50 ms. Packets of a connection are 1 ms apart,
  which leaves room for others on the bus.

A receiver can keep us waiting for a minute in all, and make us send each packet three times on average, no longer.
"""

from __future__ import annotations

from collections import Counter, deque

from faultlamp.j1939 import segmentation
from faultlamp.j1939.identifier import GLOBAL_ADDRESS
from faultlamp.j1939.participant.events import AbortReason, Delivered, NotDelivered, reason_words
from faultlamp.j1939.participant.session import MOST_RETRIES, T3_NS, T4_NS, Session
from faultlamp.j1939.transport import TP_LARGEST

BROADCAST_GAP_NS = 50_000_000
PACKET_GAP_NS = 1_000_000
LONGEST_HOLD_NS = 60_000_000_000

# Packets that may leave together when the owner comes late.
_MOST_AT_ONCE = 8


class Broadcast(Session):
    """One message to everybody."""

    def __init__(self, now_ns: int, number: int, pgn: int, payload: bytes) -> None:
        super().__init__(GLOBAL_ADDRESS, pgn, False, now_ns)
        self.number = number
        self._packets = deque(segmentation.data_packets(payload))
        self._announcement: bytes | None = segmentation.bam(len(payload), pgn)

    def release(self, now_ns: int) -> None:
        """Owe the next frame when it is time for it."""
        if now_ns < self.due_ns:
            return
        self.due_ns = now_ns + BROADCAST_GAP_NS
        if self._announcement is not None:
            self.say(self._announcement)
            self._announcement = None
            return
        self.pass_on(self._packets.popleft())
        if not self._packets:
            self.ended = Delivered(now_ns, self.number)

    def advance(self, now_ns: int) -> None:
        """A broadcast waits for nobody."""

    def fail(self, now_ns: int, reason: int | None, words: str | None = None) -> None:
        """End it as not delivered."""
        self.ended = NotDelivered(now_ns, self.number, reason, words or reason_words(reason or AbortReason.OTHER))


class Connection(Session):
    """One message of 9 bytes or more to one node."""

    def __init__(self, now_ns: int, number: int, pgn: int, peer: int, payload: bytes) -> None:
        super().__init__(peer, pgn, len(payload) > TP_LARGEST, now_ns + T3_NS)
        self.number = number
        self._payload = payload
        self._total = segmentation.packet_count(len(payload))
        self._requests = 0
        self._granted: tuple[int, int] | None = None
        self._burst: deque[bytes] = deque()
        # The highest packet that was let go, how often each was asked for again, how many went out again.
        self._highest = 0
        self._asked_again: Counter[int] = Counter()
        self._repeated = 0
        self._held_since_ns: int | None = None
        self._held_ns = 0
        self._request(now_ns)

    def clear_to_send(self, now_ns: int, packets: int, following: int) -> None:
        """The receiver wants `packets` packets from number `following`, or, with 0, a pause."""
        if self._burst:
            if packets and (packets, following) != self._granted:
                self.abort(now_ns, AbortReason.CTS_WHILE_SENDING)
            return
        if not packets:
            self._hold(now_ns)
            return
        if not 1 <= following <= self._total:
            self.abort(now_ns, AbortReason.CTS_BEYOND_MESSAGE if self.extended else AbortReason.BAD_SEQUENCE)
            return
        if following > self._highest + 1:
            self.abort(now_ns, AbortReason.BAD_SEQUENCE, "clear-to-send left packets out")
            return
        count = min(packets, self._total - following + 1)
        if following <= self._highest:
            self._asked_again[following] += 1
            self._repeated += min(count, self._highest - following + 1)
            if self._asked_again[following] > MOST_RETRIES or self._repeated > MOST_RETRIES * self._total:
                self.abort(now_ns, AbortReason.RETRANSMIT_LIMIT)
                return
        self._granted = packets, following
        if self._held_since_ns is not None:
            self._held_ns += now_ns - self._held_since_ns
            self._held_since_ns = None
        self._highest = max(self._highest, following + count - 1)
        if self.extended:
            self.say(segmentation.data_packet_offset(count, following - 1, self.pgn))
            self._burst.extend(segmentation.extended_packets(self._payload, following - 1, count))
        else:
            self._burst.extend(segmentation.data_packets(self._payload, following, count))
        self.due_ns = now_ns

    def end_of_message(self, now_ns: int, size: int) -> None:
        """The receiver says that it has the whole message."""
        if self._highest < self._total:
            self.abort(now_ns, AbortReason.OTHER, "acknowledged before all of it was sent")
        elif size != len(self._payload):
            self.fail(now_ns, None, f"{size} bytes acknowledged instead of {len(self._payload)}")
        else:
            self.ended = Delivered(now_ns, self.number)

    def release(self, now_ns: int) -> None:
        """Owe the packets whose time has come."""
        sent = 0
        while self._burst and self.due_ns <= now_ns and sent < _MOST_AT_ONCE:
            self.pass_on(self._burst.popleft())
            self.due_ns += PACKET_GAP_NS
            sent += 1
        if sent:
            self.due_ns = max(self.due_ns, now_ns + PACKET_GAP_NS) if self._burst else now_ns + T3_NS

    def advance(self, now_ns: int) -> None:
        """Ask again, or give up, when the receiver has not said anything for too long."""
        if self._burst or now_ns < self.due_ns:
            return
        if self._granted is not None or self._held_since_ns is not None:
            self.abort(now_ns, AbortReason.TIMEOUT)
        elif self._requests > MOST_RETRIES:
            self.abort(now_ns, AbortReason.TIMEOUT, "no answer to the request to send")
        else:
            self._request(now_ns)

    def fail(self, now_ns: int, reason: int | None, words: str | None = None) -> None:
        """End it as not delivered."""
        self.ended = NotDelivered(now_ns, self.number, reason, words or reason_words(reason or AbortReason.OTHER))

    def _request(self, now_ns: int) -> None:
        size = len(self._payload)
        if self.extended:
            self.say(segmentation.extended_request_to_send(size, self.pgn))
        else:
            self.say(segmentation.request_to_send(size, self.pgn))
        self._requests += 1
        self.due_ns = now_ns + T3_NS

    def _hold(self, now_ns: int) -> None:
        if self._held_since_ns is None:
            self._held_since_ns = now_ns
        if self._held_ns + now_ns - self._held_since_ns >= LONGEST_HOLD_NS:
            self.abort(now_ns, AbortReason.TIMEOUT, "the receiver asked to wait for too long")
            return
        self.due_ns = now_ns + T4_NS
