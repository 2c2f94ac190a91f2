"""A stretch of time during which something held."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

SILENCE_NS = 5_000_000_000
"""A source that sends no DM1 for this long is silent: five of the periods of SAE J1939-73, section 5.7.1."""


class EndReason(StrEnum):
    """Why an active span ended."""

    CLEARED = "cleared"
    SILENT = "silent"
    CAPTURE_END = "capture_end"


@dataclass(slots=True)
class Span:
    """From `start_ns` to `end_ns`, which is None while it is open."""

    start_ns: int
    end_ns: int | None = None
    reason: EndReason = EndReason.CAPTURE_END

    @property
    def open(self) -> bool:
        """Still going on."""
        return self.end_ns is None

    def close(self, end_ns: int, reason: EndReason) -> None:
        """End it, once."""
        if self.end_ns is None:
            self.end_ns, self.reason = end_ns, reason
