"""`watch`: the dashboard over a live bus. It only ever takes frames; nothing here could send one."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from faultlamp.bus.pump import LivePump
from faultlamp.frames import FrameBlock
from faultlamp.j1939.readings import Layouts
from faultlamp.text import printable
from faultlamp.tui.feed import FeedStatus

_WAITING = (
    "Nothing heard yet. In this order (common practice): key on? Connector seated? Bit rate right, often 250000 or "
    "500000? Power off: about 60 ohm between CAN-H and CAN-L?"
)
_MB = 1_000_000


class LiveFeed:
    """Frames from a pump. title: what is listened to, in the user's words."""

    epoch = 0
    behind = False

    def __init__(self, pump: LivePump, title: str) -> None:
        self._pump = pump
        self._title = title

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
        notes = []
        if pump.lost:
            notes.append(f"{pump.lost} frames lost, computer too slow")
        if pump.recorder is not None:
            notes.append(pump.recorder.error or f"recording {_size(pump.recorder.path)}")
        trouble = "" if pump.error is None else str(pump.error)
        return FeedStatus(
            live=True,
            source=self._title,
            mode="listening only, nothing is sent",
            short_mode="sends nothing",
            waiting=_WAITING,
            trouble=trouble,
            notes=tuple(notes),
        )


def _size(path: str) -> str:
    try:
        return f"{printable(Path(path).name, longest=24)} {Path(path).stat().st_size / _MB:.1f} MB"
    except OSError:
        return printable(Path(path).name, longest=24)


def run_dashboard(
    pump: LivePump, *, history_options: Mapping[str, Any], layouts: Layouts, title: str, seconds: float | None = None
) -> int:
    """Show the dashboard until it is left, or for `seconds`; returns the exit code."""
    from faultlamp.tui.app import DashboardApp
    from faultlamp.tui.board import Board

    app = DashboardApp(Board(LiveFeed(pump, title), layouts, history_options), seconds=seconds)
    app.run()
    return app.return_code or 0
