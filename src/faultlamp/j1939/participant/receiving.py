"""The receiving end of a connection: it sets the pace, and asks again for what got lost.

Rule: SAE J1939-21, section 5.10 (from memory), and ISO 11783-3 for more than 1785 bytes.

- Clear-to-send allows a window of packets: 16 at a time, 255 in extended transport, fewer when the sender says so.
- When the last packet of the window has come, or none for T1 (T2 for the first), the first stretch that is missing is
  asked for again, twice at most. Then the connection ends: reason 5 when packets came but not that one, 3 when none.
- Asking in the middle of a window would cross with packets on their way; the sender would have to end it (reason 4).
- The same packet twice with the same bytes is ignored; with other bytes nobody knows which is right: reason 8.
- A packet that was not allowed is reason 6, number 0 is reason 7, one that is shorter than 8 bytes has no number.
- Extended: the offset must be the one asked for (12), for our group (10), for no more packets than allowed (11), and
  come once in a window (9). A window whose offset got lost is asked for again as a whole.

The bytes are given out only when every packet is there.
"""

from __future__ import annotations

from faultlamp.j1939 import segmentation
from faultlamp.j1939.participant.events import AbortReason, Message, ReceiveFailed, reason_words
from faultlamp.j1939.participant.session import MOST_RETRIES, T1_NS, T2_NS, Session

WINDOW = 16
EXTENDED_WINDOW = 255

_PER_PACKET = 7


class Reception(Session):
    """One message of `size` bytes from `peer` to us, at `address`. most: packets the sender wants in one window."""

    def __init__(
        self, now_ns: int, peer: int, address: int, pgn: int, size: int, most: int, extended: bool
    ) -> None:
        super().__init__(peer, pgn, extended, now_ns + T2_NS)
        self.size = size
        self._address = address
        self._total = segmentation.packet_count(size)
        self._window = EXTENDED_WINDOW if extended else max(1, min(WINDOW, most))
        self._buffer = bytearray(size)
        self._have = bytearray(self._total + 2)
        self._lowest = 1
        # The window: its last packet, what packets are counted from, and the highest packet that was ever under way.
        self._last = 0
        self._offset: int | None = None
        self._highest = 0
        self._adrift = 0
        self._retry_of = 0
        self._retries = 0
        self.begun = False
        self._allow(now_ns)

    def offset(self, now_ns: int, pgn: int | None, packets: int, offset: int) -> None:
        """The sender says where the packets of this window begin (extended transport)."""
        allowed = self._last - self._lowest + 1
        if pgn != self.pgn:
            self.abort(now_ns, AbortReason.OFFSET_WRONG_GROUP)
        elif self._offset is not None:
            self.abort(now_ns, AbortReason.TOO_LARGE_OR_UNEXPECTED_OFFSET, "an offset at the wrong time")
        elif not 1 <= packets <= allowed:
            self.abort(now_ns, AbortReason.OFFSET_TOO_MANY)
        elif offset != self._lowest - 1:
            self.abort(now_ns, AbortReason.BAD_OFFSET)
        else:
            self._offset = offset
            self._last = offset + packets
            self._highest = max(self._highest, self._last)
            self.due_ns = now_ns + T1_NS

    def packet(self, now_ns: int, data: bytes) -> None:
        """One data packet."""
        if len(data) < 8:
            self.abort(now_ns, AbortReason.OTHER, f"a packet of {len(data)} bytes")
            return
        if self._offset is None:
            self._drift(now_ns)
            return
        number = self._offset + data[0]
        if not data[0]:
            self.abort(now_ns, AbortReason.BAD_SEQUENCE)
        elif number <= self._total and self._have[number]:
            if not data[1:].startswith(self._kept(number)):
                self.abort(now_ns, AbortReason.DUPLICATE_SEQUENCE)
        elif number > self._last:
            self.abort(now_ns, AbortReason.UNEXPECTED_PACKET)
        else:
            self._keep(number, data)
            self.due_ns = now_ns + T1_NS
            if number == self._last:
                self._go_on(now_ns, late=False)

    def advance(self, now_ns: int) -> None:
        """Ask again, or give up, when nothing has come for too long."""
        if now_ns >= self.due_ns:
            self._go_on(now_ns, late=True)

    def fail(self, now_ns: int, reason: int | None, words: str | None = None) -> None:
        """End it as not received."""
        words = words or reason_words(reason or AbortReason.OTHER)
        self.ended = ReceiveFailed(now_ns, self.pgn, self.peer, reason, words)

    def _kept(self, number: int) -> bytes:
        return bytes(self._buffer[(number - 1) * _PER_PACKET : number * _PER_PACKET])

    def _keep(self, number: int, data: bytes) -> None:
        at = (number - 1) * _PER_PACKET
        end = min(at + _PER_PACKET, self.size)
        self._buffer[at:end] = data[1 : 1 + end - at]
        self._have[number] = 1
        self.begun = True
        while self._have[self._lowest]:
            self._lowest += 1

    def _drift(self, now_ns: int) -> None:
        """A packet whose place is unknown, since no offset came. It tells at least that the sender has not stopped."""
        self._adrift += 1
        if self._adrift > EXTENDED_WINDOW:
            self.abort(now_ns, AbortReason.UNEXPECTED_PACKET)
        else:
            self.due_ns = now_ns + T1_NS

    def _go_on(self, now_ns: int, late: bool) -> None:
        """Ask for the next packets, for missing ones again, or for none when all are there."""
        missing = self._lowest
        if missing > self._total:
            size = self.size
            say = segmentation.extended_end_of_message if self.extended else segmentation.end_of_message
            self.say(say(size, self.pgn))
            self.ended = Message(now_ns, self.pgn, self.peer, self._address, bytes(self._buffer))
            return
        if late or missing <= self._highest:
            self._retries = self._retries + 1 if missing == self._retry_of else 1
            self._retry_of = missing
            if self._retries > MOST_RETRIES:
                self.abort(now_ns, AbortReason.TIMEOUT if late else AbortReason.RETRANSMIT_LIMIT)
                return
        self._allow(now_ns)

    def _allow(self, now_ns: int) -> None:
        first = self._lowest
        stretch = self._have.find(1, first, first + self._window)
        end = first + self._window if stretch < 0 else stretch
        self._last = min(end - 1, self._total)
        count = self._last - first + 1
        if self.extended:
            self._offset = None
            self._adrift = 0
            self.say(segmentation.extended_clear_to_send(count, first, self.pgn))
        else:
            self._offset = 0
            self._highest = max(self._highest, self._last)
            self.say(segmentation.clear_to_send(count, first, self.pgn))
        self.due_ns = now_ns + T2_NS
