"""Plays a recording: a clock that can stop, run slower or faster, and jump.

Rule: what has been handed out is always the first `given` frames of the recording, in order, none left out. Moving
back starts anew (`epoch` grows) and hands out the same frames again, so the history is at every place the one that
listening straight up to there would have made.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Sequence

from faultlamp.frames import FrameBlock
from faultlamp.stamps import elapsed
from faultlamp.tui.feed import FeedStatus
from faultlamp.tui.replay.recording import Recording
from faultlamp.tui.times import NS_PER_S

SPEEDS = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0)
NORMAL = SPEEDS.index(1.0)

Mark = tuple[int, int]
"""(elapsed, position) of a moment worth jumping to."""

_WAITING = "At the start of the recording: Space plays it, n jumps to the first change of a fault or lamp."

# Handing out more at once would keep a key waiting for longer than 100 ms.
_MOST_AT_ONCE = 50_000


class Player:
    """A feed that plays `recording`; `clock` gives nanoseconds that only go forward.

    given: frames handed out. marks: fault and lamp changes, in order; None until somebody has looked for them.
    """

    def __init__(self, recording: Recording, clock: Callable[[], int], source: str = "recording") -> None:
        self.recording = recording
        self.epoch = 0
        self.given = 0
        self.marks: Sequence[Mark] | None = None
        self._clock = clock
        self._source = source
        self._last_clock = clock()
        self._elapsed = 0
        self._position = 0
        self._paused = False
        self._speed = NORMAL
        self._behind = False

    @property
    def paused(self) -> bool:
        """Standing still, also at the end."""
        return self._paused or self.at_end

    @property
    def at_end(self) -> bool:
        """All frames are due."""
        return self._position >= self.recording.frames

    @property
    def speed(self) -> float:
        """Recorded seconds per second."""
        return SPEEDS[self._speed]

    @property
    def behind(self) -> bool:
        """On the way to a place far off, which takes several calls of `take`."""
        return self._behind

    @property
    def elapsed_ns(self) -> int:
        """How far into the recording."""
        return self._elapsed

    @property
    def position(self) -> int:
        """Frames that are due: handed out, or handed out by the next calls of `take`."""
        return self._position

    def take(self) -> list[FrameBlock]:
        """The frames that became due, at most some ten thousand at once."""
        self._run()
        end = min(self._position, self.given + _MOST_AT_ONCE)
        blocks = self.recording.slices(self.given, end)
        self.given = end
        self._behind = end < self._position
        return blocks

    def now_ns(self) -> int | None:
        """The recorded moment that is shown."""
        if self.given < self._position:
            return self.recording.time_at(self.recording.elapsed_at(self.given), self.given)
        return self.recording.time_at(self._elapsed, self._position)

    def settled_ns(self) -> int | None:
        """The same: no frame that is still to come is older."""
        return self.now_ns()

    def status(self) -> FeedStatus:
        """Speed and place in words."""
        length_ns = self.recording.length_ns
        share = 100 * self._elapsed // length_ns if length_ns else 100
        state = "moving" if self.behind else "at the end" if self.at_end else "paused" if self._paused else "playing"
        place = f"{elapsed(self._elapsed)} of {elapsed(length_ns)}"
        return FeedStatus(
            live=False,
            source=self._source,
            mode=f"replay {state}, {self.speed:g}x, {place} ({share} %)",
            short_mode=f"{state} {self.speed:g}x, {place}",
            waiting=_WAITING if self.recording.frames else "There is no frame in this recording.",
        )

    def toggle_pause(self) -> None:
        """Stop or go on; at the end, play it again from the start."""
        if self.at_end and self.recording.frames:
            self.home()
            self._paused = False
            return
        self._run()
        self._paused = not self._paused

    def faster(self) -> None:
        """The next speed up."""
        self._run()
        self._speed = min(self._speed + 1, len(SPEEDS) - 1)

    def slower(self) -> None:
        """The next speed down."""
        self._run()
        self._speed = max(self._speed - 1, 0)

    def set_speed(self, speed: float) -> None:
        """The offered speed nearest to `speed`, above 0."""
        self._run()
        self._speed = min(range(len(SPEEDS)), key=lambda place: abs(SPEEDS[place] - speed))

    def step(self) -> None:
        """One frame further, and stand still."""
        self._run()
        self._paused = True
        position = min(self._position + 1, self.recording.frames)
        self._go(self.recording.elapsed_at(position), position)

    def skip(self, seconds: float) -> None:
        """Forward, or back, by recorded seconds."""
        self._run()
        self.seek(self._elapsed + round(seconds * NS_PER_S))

    def seek(self, elapsed_ns: int) -> None:
        """To a place by elapsed time; outside the recording means its start or end."""
        within = min(max(elapsed_ns, 0), self.recording.length_ns)
        self._go(within, self.recording.position_at(within))

    def home(self) -> None:
        """Before the first frame."""
        self._go(0, 0)

    def end(self) -> None:
        """After the last frame."""
        self._go(self.recording.length_ns, self.recording.frames)

    def next_change(self) -> bool:
        """To the next mark; False when there is none."""
        marks = self.marks or ()
        self._run()
        place = bisect_right(marks, (self._elapsed, self._position))
        return self._to_mark(marks, place)

    def previous_change(self) -> bool:
        """To the mark before; while playing, one that was passed within the last second does not hold it up."""
        marks = self.marks or ()
        self._run()
        here = self._elapsed, self._position
        if not self.paused:
            here = self._elapsed - round(NS_PER_S * self.speed), 0
        place = bisect_left(marks, here) - 1
        return self._to_mark(marks, place)

    def _to_mark(self, marks: Sequence[Mark], place: int) -> bool:
        if not 0 <= place < len(marks):
            return False
        self._go(*marks[place])
        return True

    def _go(self, elapsed_ns: int, position: int) -> None:
        # Also between two frames: a silence that was judged already is not known yet at an earlier moment.
        if position < self.given or elapsed_ns < self._elapsed:
            self.epoch += 1
            self.given = 0
        self._elapsed, self._position = elapsed_ns, position
        self._last_clock = self._clock()

    def _run(self) -> None:
        """Let the time pass that has passed."""
        now = self._clock()
        if not self.paused and not self.behind:
            self._elapsed += round((now - self._last_clock) * self.speed)
            self._elapsed = min(self._elapsed, self.recording.length_ns)
            self._position = max(self._position, self.recording.position_at(self._elapsed))
        self._last_clock = now
