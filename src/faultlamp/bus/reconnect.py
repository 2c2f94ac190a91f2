"""A bus that is opened again when it is gone: unplugged, interface down, read errors, bus-off told as an error.

Rule: opening counts only when the first read after it goes well, since a SocketCAN interface that is down lets itself
be opened (linux/net/can/raw.c reports ENETDOWN at the first read). The pauses between attempts are 0.5 s, doubled up
to 5 s; a bus that stayed for 5 s starts over with 0.5 s, so that a loose plug does not spin.

    state      a read                            leads to
    open       brings frames, or none            open
    open       fails                             lost
    open       found the controller bus-off      open, but nothing is heard until it is restarted
    lost       the pause is not over             lost
    lost       opened, and the first read works  open
    lost       not opened, or the read fails     lost, the next pause
    any        the adapter is wanted             lent: told first, closed by the next read
    lent       brings what its holder overhears  lent
    lent       the holder gave it back           lost, tried again at once

An adapter that cannot be opened twice is lent to whoever has to send on it. Reads go on meanwhile and bring what the
holder hears and sends.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from threading import Event
from typing import TYPE_CHECKING, NamedTuple, Protocol

from faultlamp.bus.closing import Closing
from faultlamp.errors import BusError
from faultlamp.frames import ERROR
from faultlamp.text import printable

if TYPE_CHECKING:
    from faultlamp.bus.options import BusSettings
    from faultlamp.frames import Frame

FIRST_PAUSE_S = 0.5
LONGEST_PAUSE_S = 5.0

# linux/can/error.h: classes in the identifier of an error frame.
_ERROR_BUS_OFF, _ERROR_RESTARTED = 0x40, 0x100


class BusLost(BusError):
    """Nothing can be heard at present; the next read may try again."""


class Source(Protocol):
    """What is opened: a `Listener`."""

    settings: BusSettings
    hardware_listen_only: bool

    @property
    def garbled(self) -> int: ...

    @property
    def dropped(self) -> int: ...

    def read(self, timeout_s: float) -> list[Frame]: ...

    def close(self) -> None: ...


class Pause(NamedTuple):
    """When to try next, and how long that pause is; seconds of a clock that never steps back."""

    due_s: float
    length_s: float


def next_pause(before: Pause | None, now_s: float, opened_s: float | None = None) -> Pause:
    """The pause after a failure at `now_s`.

    before: the one that came last, None when there was none. opened_s: since when the bus was open, None when an
    attempt to open it failed.
    """
    stayed = opened_s is not None and now_s - opened_s >= LONGEST_PAUSE_S
    length_s = FIRST_PAUSE_S if before is None or stayed else min(before.length_s * 2, LONGEST_PAUSE_S)
    return Pause(now_s + length_s, length_s)


def bus_off(frames: Iterable[Frame], before: bool) -> bool:
    """Whether a SocketCAN controller is off the bus after these frames, which it was `before` them or not."""
    for frame in frames:
        if not frame.flags & ERROR or frame.can_id & _ERROR_RESTARTED:
            before = False
        elif frame.can_id & _ERROR_BUS_OFF:
            before = True
    return before


class _Loan:
    """An adapter in other hands. closed: nobody listens on it any more. source: what its holder overhears."""

    def __init__(self, reason: str) -> None:
        self.reason = reason
        self.told = self.back = False
        self.closed = Event()
        self.source: Source | None = None


class _Counts(NamedTuple):
    """The open source, if there is one, and what those before it had counted. Replaced as a whole: two threads look."""

    source: Source | None
    dropped: int
    garbled: int


class Reconnecting(Closing):
    """A source of frames for the pump. Opens at once and reads once; raises BusError. A context manager.

    open_source: makes and opens a new source, raises BusError. clock and sleep are in seconds.
    settings, hardware_listen_only: of the source that was opened last. opened: how many sources there have been.
    """

    def __init__(
        self,
        open_source: Callable[[], Source],
        *,
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], object] = time.sleep,
    ) -> None:
        self._open = open_source
        self._clock = clock
        self._sleep = sleep
        self._closed = self._off = False
        self._pause: Pause | None = None
        self._trouble: BusLost | None = None
        self._loan: _Loan | None = None
        self._returning = False
        self.opened = 0
        self._counts = _Counts(None, 0, 0)
        self._early = self._try()
        self._opened_s = clock()

    @property
    def dropped(self) -> int:
        """Frames that were lost before they could be read, of all sources so far."""
        source, dropped, _ = self._counts
        return dropped + (source.dropped if source is not None else 0)

    @property
    def garbled(self) -> int:
        """Things from the adapter that were no frames, of all sources so far."""
        source, _, garbled = self._counts
        return garbled + (source.garbled if source is not None else 0)

    @property
    def lent(self) -> bool:
        """The adapter is in other hands."""
        return self._loan is not None

    @property
    def reopening(self) -> bool:
        """Nothing is heard because the adapter is opened anew on purpose."""
        loan = self._loan
        return self._returning if loan is None else loan.source is None

    def lend(self, reason: str) -> Event:
        """Stop listening for somebody who needs the adapter; set once it is closed, by the thread that reads.

        reason: a phrase for the gap until `overhear`. Raises BusError when it is lent already.
        """
        if self._loan is not None:
            raise BusError(f"{self.settings.describe()} is in use by faultlamp already")
        self._loan = _Loan(reason)
        return self._loan.closed

    def overhear(self, source: Source) -> None:
        """From now on reads bring what the holder of the adapter hears and sends."""
        if self._loan is not None:
            self._loan.source = source

    def give_back(self) -> None:
        """The adapter is closed and may be listened on again; harmless when it was not lent."""
        if self._loan is not None:
            self._loan.back = True

    def read(self, timeout_s: float) -> list[Frame]:
        """Frames, as `Listener.read` has them. Raises BusLost while the bus is gone; to be called again then."""
        if self._early:
            frames, self._early = self._early, []
            return frames
        if self._loan is not None:
            return self._read_lent(self._loan, timeout_s)
        if self._trouble is not None:
            return self._retry(timeout_s)
        source = self._counts.source
        if source is None or self._closed:
            return []
        try:
            frames = source.read(timeout_s)
        except BusError as error:
            # The next read closes the source: closing may take long, and the loss must be told first.
            now_s = self._clock()
            self._pause = next_pause(self._pause, now_s, self._opened_s)
            self._trouble = _lost(error)
            raise self._trouble from error
        if self.settings.interface == "socketcan":
            self._off = bus_off(frames, self._off)
            if self._off and not frames:
                raise BusLost(
                    f"{self.settings.describe()}: the controller went bus-off; check bit rate and wiring, then: "
                    f"ip link set {printable(self.settings.channel or 'can0')} type can restart"
                )
        return frames

    def close(self) -> None:
        """Close what is open; harmless when repeated, and from another thread."""
        self._closed = True
        self._drop()

    def _read_lent(self, loan: _Loan, timeout_s: float) -> list[Frame]:
        """What the holder overhears. Raises BusLost while the adapter changes hands."""
        if not loan.told:
            # As with a loss: closing may take long, and the gap must be told first.
            loan.told = True
            raise BusLost(loan.reason)
        if not loan.closed.is_set():
            self._drop()
            self._trouble, self._pause, self._off = None, None, False
            self.hardware_listen_only = False
            loan.closed.set()
        source, back = loan.source, loan.back
        if source is not None and self._counts.source is not source:
            self.opened += 1
            self._counts = self._counts._replace(source=source)
        if back:
            # What was overheard to the end first.
            frames = [] if source is None else source.read(0.0)
            if frames or self._closed:
                return frames
            self._loan, self._returning = None, True
            self._trouble = BusLost("the adapter is opened again, to listen only")
            raise self._trouble
        if source is None:
            self._sleep(timeout_s)
            raise BusLost(loan.reason)
        return source.read(timeout_s)

    def _retry(self, timeout_s: float) -> list[Frame]:
        """Wait for the end of the pause, or try. Raises BusLost."""
        self._drop()
        assert self._trouble is not None
        left_s = 0.0 if self._pause is None else self._pause.due_s - self._clock()
        if left_s > 0 or self._closed:
            self._sleep(min(max(left_s, 0.0), timeout_s))
            raise self._trouble
        try:
            frames = self._try()
        except BusError as error:
            self._returning = False
            self._drop()
            self._pause = next_pause(self._pause, self._clock())
            self._trouble = _lost(error)
            raise self._trouble from error
        self._opened_s = self._clock()
        self._trouble = None
        self._off = self._returning = False
        return frames

    def _try(self) -> list[Frame]:
        """Open, and read what is there already. Raises BusError."""
        source = self._open()
        try:
            frames = source.read(0.0)
        except BaseException:
            source.close()
            raise
        self.settings = source.settings
        self.hardware_listen_only = source.hardware_listen_only
        self.opened += 1
        self._counts = self._counts._replace(source=source)
        if self._closed:
            self._drop()
        return frames

    def _drop(self) -> None:
        source, dropped, garbled = self._counts
        if source is not None:
            source.close()
            self._counts = _Counts(None, dropped + source.dropped, garbled + source.garbled)


def _lost(error: BusError) -> BusLost:
    return error if isinstance(error, BusLost) else BusLost(str(error))
