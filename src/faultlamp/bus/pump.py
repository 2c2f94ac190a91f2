"""Frames from a bus to whoever watches, through a thread that does nothing but read.

Rule: what came off the bus is kept in order until it is taken. The room is bounded; what does not fit is counted in
`lost`, never hidden. A time stamp more than a second before the one of the previous frame starts a new stretch, as in
a recording.

Two answers about time, both in the frames' own time, so that an adapter whose clock is off changes nothing:

    now_ns      the last frame's stamp plus what has passed since it was read
    settled_ns  as far as nothing is outstanding: whoever judges a silence judges it up to here and no further

While the bus is lost, or this computer sleeps, nothing is settled: that is a gap, and no silence of anybody.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable
from threading import Event, Lock, Thread
from typing import TYPE_CHECKING, Protocol

from faultlamp.bus.gaps import Gap, Gaps
from faultlamp.bus.reconnect import BusLost
from faultlamp.errors import BusError
from faultlamp.frames import ERROR, Frame, FrameBlock

if TYPE_CHECKING:
    from faultlamp.bus.recorder import Recorder

MOST_HELD = 500_000
"""Frames that wait for `take` at most: more than a minute of a full bus at 1 Mbit/s."""

STEP_NS = 1_000_000_000
_BLOCK = 1024
_READ_TIMEOUT_S = 0.05
# How late a frame may come out of a driver, compared with its stamp, before a silence could be judged too early.
_GRACE_NS = 50_000_000
_JOIN_TIMEOUT_S = 2.0
_SLEPT_NS = 1_000_000_000
_SLEPT = "this computer slept"


def steady_ns() -> int:
    """Nanoseconds of a clock that never steps back and, where the system has one, goes on while it sleeps."""
    return time.clock_gettime_ns(time.CLOCK_BOOTTIME) if hasattr(time, "CLOCK_BOOTTIME") else time.monotonic_ns()


def asleep_ns() -> int:
    """How long this computer has slept since it was started; grows in sleep alone, always 0 where nobody can tell."""
    return steady_ns() - time.monotonic_ns() if hasattr(time, "CLOCK_BOOTTIME") else 0


class FrameSource(Protocol):
    """What the pump needs of a `Listener`."""

    @property
    def dropped(self) -> int:
        """Frames that were lost before they could be read."""
        ...

    def read(self, timeout_s: float) -> list[Frame]:
        """Frames as they come. Raises BusLost while the source is gone but may come back, BusError when it is gone."""
        ...


class LivePump:
    """A thread between a bus and its watcher. `start` begins, `close` ends; frames that have come can still be taken.

    recorder: gets every frame before anything else does, also those that find no room here.
    keep: False when nobody takes the frames: then they are recorded and counted only.
    clock: nanoseconds of a clock that never steps back. wall: the computer's clock, which stands in for the frames'
    time before there is one. asleep: how long this computer has slept so far.

    frames, error_frames: how many came, and how many of them were error frames.
    """

    def __init__(
        self,
        listener: FrameSource,
        *,
        recorder: Recorder | None = None,
        keep: bool = True,
        clock: Callable[[], int] = steady_ns,
        wall: Callable[[], int] = time.time_ns,
        asleep: Callable[[], int] = asleep_ns,
    ) -> None:
        self.recorder = recorder
        self.frames = 0
        self.error_frames = 0
        self._listener = listener
        self._wanted = keep
        self._clock = clock
        self._wall = wall
        self._asleep = asleep
        self._lock = Lock()
        self._stop = Event()
        self._arrived = Event()
        self._thread = Thread(target=self._run, name="faultlamp-pump", daemon=True)
        self._error: BusError | None = None
        self._channels: tuple[str, ...] = ()
        self._blocks: deque[FrameBlock] = deque()
        self._pending: list[Frame] = []
        self._starts_stretch = False
        self._held = 0
        self._no_room = 0
        # Stamp of the last frame, when it was read, and how long afterwards the bus was still seen to be quiet.
        self._last: tuple[int, int] | None = None
        self._quiet_ns = 0
        self._settled_ns: int | None = None
        self._gaps = Gaps()
        self._trouble: str | None = None
        # When the last read that worked was over, and when the bus came back while no frame has come since.
        self._heard_ns: int | None = None
        self._back_ns: int | None = None

    @property
    def lost(self) -> int:
        """Frames that came and were not kept, here or already in the operating system, as far as it counts them."""
        return self._no_room + self._listener.dropped

    @property
    def error(self) -> BusError | None:
        """Why reading ended, None while it goes on or when it was closed on purpose."""
        return self._error

    @property
    def trouble(self) -> str | None:
        """Why nothing can be heard just now, although the trying goes on; None while the bus is heard."""
        return self._trouble

    @property
    def gap_count(self) -> int:
        """How many gaps there have been."""
        return self._gaps.count

    def gaps(self) -> tuple[Gap, ...]:
        """The newest gaps in order, in the frames' own time; what has ended may yet move a little."""
        with self._lock:
            return self._gaps.kept()

    def start(self) -> None:
        """Begin to read; once."""
        self._thread.start()

    def close(self) -> None:
        """Stop reading and close the recording. What has come can still be taken. Harmless when repeated."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join(_JOIN_TIMEOUT_S)
        if self.recorder is not None:
            # The thread may hang in a driver that is being opened again.
            self.recorder.close()

    def wait(self, timeout_s: float) -> None:
        """Return when there is something to take, or the bus was lost or came back, or the time is over."""
        self._arrived.wait(timeout_s)

    def take(self) -> list[FrameBlock]:
        """All frames since the last call, in order, in blocks; never waits."""
        with self._lock:
            self._arrived.clear()
            self._cut()
            taken = list(self._blocks)
            self._blocks.clear()
            self._held = 0
            if self._last is not None:
                self._settled_ns = self._last[0] + max(self._quiet_ns - _GRACE_NS, 0)
        return taken

    def now_ns(self) -> int | None:
        """The present moment in the frames' own time; None before the first frame."""
        with self._lock:
            return None if self._last is None else self._last[0] + max(self._clock() - self._last[1], 0)

    def settled_ns(self) -> int | None:
        """Up to when `take` has handed over all there was; None before the first frame was taken."""
        return self._settled_ns

    def _run(self) -> None:
        try:
            while not self._stop.is_set():
                self._read()
        except BusError as error:
            self._error = error
        except Exception as error:  # a thread that dies in silence would look like a silent bus
            self._error = BusError(f"listening stopped on a fault of faultlamp itself: {error!r}; start it again")
            self._error.__cause__ = error
        finally:
            self._arrived.set()
            if self.recorder is not None:
                self.recorder.close()

    def _read(self) -> None:
        before_ns, asleep_ns = self._clock(), self._asleep()
        try:
            frames = self._listener.read(_READ_TIMEOUT_S)
        except BusLost as lost:
            if self.recorder is not None:
                # The next read may take long: it opens the bus.
                self.recorder.flush()
            with self._lock:
                self._lose(str(lost))
            return
        if self.recorder is not None:
            self.recorder.write(frames)
        with self._lock:
            if self._trouble is not None:
                self._find()
            elif self._asleep() - asleep_ns >= _SLEPT_NS:
                self._gaps.begin(self._frame_time(before_ns), _SLEPT)
                self._gaps.end(self._frame_time(self._clock()))
            self._keep(frames, before_ns)
            self._heard_ns = self._clock()

    def _lose(self, reason: str) -> None:
        """Nothing can be heard."""
        if self._trouble is None:
            now_ns = self._clock()
            self._gaps.begin(self._frame_time(now_ns if self._heard_ns is None else self._heard_ns), reason)
            self._arrived.set()
        self._trouble = reason

    def _find(self) -> None:
        """The bus is heard again."""
        self._trouble = None
        self._back_ns = self._clock()
        self._gaps.end(self._frame_time(self._back_ns))
        self._arrived.set()

    def _frame_time(self, at_ns: int) -> int:
        """A moment of our clock in the frames' own time."""
        if self._last is None:
            return self._wall() - (self._clock() - at_ns)
        return self._last[0] + at_ns - self._last[1]

    def _keep(self, frames: list[Frame], before_ns: int) -> None:
        if not frames:
            if self._last is not None:
                # The read that found nothing says that nothing had come when it began.
                self._quiet_ns = max(before_ns - self._last[1], 0)
            return
        self.frames += len(frames)
        last_ns = None if self._last is None else self._last[0]
        for frame in frames:
            if last_ns is not None and frame.time_ns < last_ns - STEP_NS:
                self._cut()
                self._starts_stretch = True
            last_ns = frame.time_ns
            if frame.flags & ERROR:
                self.error_frames += 1
            if not self._wanted:
                continue
            if self._held >= MOST_HELD:
                self._no_room += 1
                continue
            self._held += 1
            self._pending.append(frame)
            if len(self._pending) >= _BLOCK:
                self._cut()
        self._last = frames[-1].time_ns, self._clock()
        self._quiet_ns = 0
        if self._back_ns is not None:
            self._gaps.end(min(self._frame_time(self._back_ns), frames[0].time_ns))
            self._back_ns = None
        self._arrived.set()

    def _cut(self) -> None:
        """Turn the pending frames into a block."""
        if not self._pending:
            return
        block = FrameBlock.from_frames(self._pending, self._channels, starts_stretch=self._starts_stretch)
        self._channels = block.channels
        self._blocks.append(block)
        self._pending = []
        self._starts_stretch = False
