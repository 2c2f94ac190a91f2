"""What changed, as one sentence's worth of facts: the events that the history hands on while it listens."""

from __future__ import annotations

from collections.abc import Callable
from enum import StrEnum
from typing import NamedTuple


class What(StrEnum):
    """Kinds of change."""

    FAULT_ACTIVE = "fault_active"
    FAULT_CLEARED = "fault_cleared"
    FAULT_SILENT = "fault_silent"
    LAMP = "lamp"
    KEY_ON = "key_on"
    KEY_OFF = "key_off"
    ENGINE_RAN = "engine_ran"
    CLOCK_STEP = "clock_step"


class Change(NamedTuple):
    """One change. `spn`, `fmi` for faults; `detail` is the lamp and its state, or empty."""

    time_ns: int
    what: What
    channel: str
    source_address: int
    spn: int | None = None
    fmi: int | None = None
    detail: str = ""


OnChange = Callable[[Change], None]


def ignore_change(_: Change) -> None:
    """The listener of a history that nobody watches."""
