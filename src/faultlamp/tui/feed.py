"""Where the dashboard's frames come from: a bus or a recording, behind one small seam."""

from __future__ import annotations

from typing import NamedTuple, Protocol

from faultlamp.bus.gaps import Gap
from faultlamp.frames import FrameBlock


class FeedStatus(NamedTuple):
    """The feed in words.

    live: it is heard now, not replayed. source: what is listened to or replayed. mode: what happens with it now;
    `short_mode` the same in fewer words. waiting: what to do while there has been no frame. trouble: why nothing can
    be heard now, empty while something can. notes: what else must be known, for instance that frames were lost;
    `short_notes` the same in fewer words, empty when there are none. wrong: a note tells of something amiss. gaps:
    when nothing could be heard, in order. warning: a sentence that must not be overlooked, or nothing.
    bit_rate: of the bus, in bit/s; None where nobody knows.
    """

    live: bool
    source: str
    mode: str
    short_mode: str
    waiting: str
    trouble: str = ""
    notes: tuple[str, ...] = ()
    short_notes: tuple[str, ...] = ()
    wrong: bool = False
    gaps: tuple[Gap, ...] = ()
    warning: str = ""
    bit_rate: int | None = None


class Feed(Protocol):
    """Frames in the order of the job, and the time that goes with them.

    epoch: grows each time the job starts anew (a replay moved back): forget all before the next `take`.
    """

    epoch: int

    @property
    def behind(self) -> bool:
        """More frames wait already for the next `take`."""
        ...

    def take(self) -> list[FrameBlock]:
        """The frames since the last call; never waits."""
        ...

    def now_ns(self) -> int | None:
        """The present moment in the frames' own time; None before the first frame."""
        ...

    def settled_ns(self) -> int | None:
        """No frame older than this is still to come: as far as a silence may be judged."""
        ...

    def status(self) -> FeedStatus:
        """What to say about the source."""
        ...
