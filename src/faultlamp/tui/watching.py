"""`watch`: the dashboard over a live bus. It only takes frames; what asks has a line of its own, after a yes."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from faultlamp.bus.gaps import Gap
from faultlamp.bus.pump import LivePump
from faultlamp.bus.recorder import Recorder
from faultlamp.frames import FrameBlock
from faultlamp.j1939.readings import Layouts
from faultlamp.text import printable
from faultlamp.tui.app import DashboardApp
from faultlamp.tui.board import Board
from faultlamp.tui.detail.tables import UserTables
from faultlamp.tui.export.stock import RecentFrames
from faultlamp.tui.feed import FeedStatus
from faultlamp.tui.names import count_of, few
from faultlamp.tui.preferences.keeper import keeping
from faultlamp.tui.terminal import drawn_on_terminal
from faultlamp.tui.times import length

if TYPE_CHECKING:
    from faultlamp.tui.intake.asker import Asker

_WAITING = "Nothing heard yet. If it stays like that, go through what stands below."
_MB = 1_000_000
_LISTENS = ("listening only, nothing is sent", "sends nothing")


class LiveFeed:
    """Frames from a pump.

    title: what is listened to, in the user's words. mode: what reaches the bus from here, and the same in fewer words.
    garbled: how many things the adapter delivered that were no frame. bit_rate: of the bus, in bit/s, None where nobody
    knows.
    reopening: nothing is heard for a moment, on purpose.
    stock: the frames that can still be saved.
    """

    epoch = 0
    behind = False

    def __init__(
        self,
        pump: LivePump,
        title: str,
        *,
        mode: Callable[[], tuple[str, str]] = lambda: _LISTENS,
        garbled: Callable[[], int] = lambda: 0,
        bit_rate: int | None = None,
        reopening: Callable[[], bool] = lambda: False,
    ) -> None:
        self._pump = pump
        self.stock = RecentFrames(pump.recorder)
        self._title = title
        self._mode = mode
        self._garbled = garbled
        self._bit_rate = bit_rate
        self._reopening = reopening

    def take(self) -> list[FrameBlock]:
        """The frames since the last call."""
        return self._pump.take()

    def now_ns(self) -> int | None:
        """The present moment in the frames' time."""
        return self._pump.now_ns()

    def settled_ns(self) -> int | None:
        """Up to when all frames have been taken."""
        return self._pump.settled_ns()

    def status(self) -> FeedStatus:
        """What is listened to, what is recorded, what went wrong."""
        pump = self._pump
        gaps = pump.gaps()
        trouble = "" if pump.error is None else str(pump.error)
        if pump.trouble is not None and not trouble:
            trouble = pump.trouble if self._reopening() else f"{self._since(gaps)}{pump.trouble}"
        mode, short_mode = self._mode()
        adapter, short_adapter = self._adapter(bool(trouble))
        recording, short_recording, refused = _recording(pump.recorder)
        return FeedStatus(
            live=True,
            source=self._title,
            mode=mode,
            short_mode=short_mode,
            waiting=_WAITING,
            trouble=trouble,
            notes=(adapter, recording),
            short_notes=(short_adapter, short_recording),
            wrong=bool(refused) or adapter != _FINE,
            gaps=gaps,
            warning=f"Recording ended: {refused}; watching goes on." if refused else "",
            bit_rate=self._bit_rate,
        )

    def _since(self, gaps: tuple[Gap, ...]) -> str:
        now_ns = self._pump.now_ns()
        if now_ns is None or not gaps:
            return "trying again; "
        return f"bus lost {length(now_ns - gaps[-1].start_ns)} ago, trying again; "

    def _adapter(self, lost: bool) -> tuple[str, str]:
        """What the adapter does and what of it was not heard, long and short."""
        pump = self._pump
        few_gaps = f"{few(pump.gap_count)} gap{'' if pump.gap_count == 1 else 's'}"
        counts = (
            (pump.gap_count, count_of(pump.gap_count, "gap"), few_gaps),
            (pump.lost, f"{pump.lost} frames lost, computer too slow", f"{few(pump.lost)} lost"),
            (self._garbled(), f"{self._garbled()} garbled", f"{few(self._garbled())} garbled"),
            (pump.error_frames, count_of(pump.error_frames, "error frame"), f"{few(pump.error_frames)} err"),
        )
        found = [words for number, *words in counts if number]
        if not found and not lost:
            return _FINE, _FINE_SHORT
        if lost and self._reopening():
            lost_words = "adapter is opened anew", "opens anew"
        else:
            lost_words = "ADAPTER LOST", "LOST"
        state = lost_words if lost else ("adapter open", "open")
        long, short = (", ".join(words) for words in zip(state, *found, strict=True))
        return long, short


_FINE, _FINE_SHORT = "adapter open, nothing lost", "open, nothing lost"


def _recording(recorder: Recorder | None) -> tuple[str, str, str]:
    """What is recorded, long and short, and why recording ended early."""
    if recorder is None:
        return "not recording", "no rec", ""
    if recorder.error is not None:
        return "RECORDING ENDED", "REC ENDED", recorder.failure
    size = f"{recorder.size_bytes / _MB:.1f} MB"
    return f"recording {printable(Path(recorder.path).name, longest=24)} {size}", f"rec {size}", ""


def run_dashboard(
    feed: LiveFeed, *, history_options: Mapping[str, Any], layouts: Layouts, seconds: float | None = None,
    folder: Path | None = None, tables: UserTables | None = None, asker: Asker | None = None,
) -> int:
    """Show the dashboard until it is left, or for `seconds`; returns the exit code.

    folder: where choices are remembered, None: not at all. tables: what the user brought along. asker: who
    asks when the user says so.
    """
    with keeping(folder) as keeper:
        board = Board(feed, layouts, history_options, tables=tables, stock=feed.stock)
        board.asker = asker
        app = DashboardApp(board, seconds=seconds, keeper=keeper)
        try:
            with drawn_on_terminal():
                app.run()
        finally:
            if asker is not None:
                asker.close()
    return app.return_code or 0
