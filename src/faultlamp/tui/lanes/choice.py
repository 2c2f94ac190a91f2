"""Which lanes are shown: of one controller or of all, and in which state. Only what is shown changes, no fault does.

Whatever is hidden is said: `12 of 240 faults shown: engine 1, active`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

from faultlamp.tui.lanes.lane import Lane
from faultlamp.tui.names import who

STATES = ("", "active", "not active")
"""Which states can be chosen; the first one stands for all."""

Sender = tuple[str, int]
"""Channel and source address."""


class LaneChoice(NamedTuple):
    """sender: whose lanes, None: everybody's. state: one of `STATES`."""

    sender: Sender | None = None
    state: str = ""

    @property
    def all(self) -> bool:
        """Nothing is left out."""
        return self == LaneChoice()

    def shows(self, lane: Lane) -> bool:
        """Whether this lane is shown."""
        controller = lane.controller
        if self.sender is not None and self.sender != (controller.channel, controller.source_address):
            return False
        return not self.state or lane.fault.active == (self.state == STATES[1])

    def words(self, *, several_channels: bool) -> str:
        """What is shown, for instance `engine 1, active`."""
        sender = self.sender and who(self.sender[1], self.sender[0] if several_channels else "")
        return ", ".join(part for part in (sender, self.state) if part)

    def next_sender(self, lanes: Iterable[Lane]) -> LaneChoice:
        """The next controller that has a lane, by channel and address; all of them after the last."""
        senders = sorted({(lane.controller.channel, lane.controller.source_address) for lane in lanes})
        following = (sender for sender in senders if self.sender is None or sender > self.sender)
        return self._replace(sender=next(following, None))

    def next_state(self) -> LaneChoice:
        """All, active, not active, and round again."""
        return self._replace(state=STATES[(STATES.index(self.state) + 1) % len(STATES)])


def chosen(lanes: Sequence[Lane], choice: LaneChoice) -> list[Lane]:
    """The lanes that are shown, in their order."""
    return [lane for lane in lanes if choice.shows(lane)]
