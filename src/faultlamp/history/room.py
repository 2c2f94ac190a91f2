"""How much one job's history may hold: a hostile bus can invent faults faster than anybody can read them."""

from __future__ import annotations

from dataclasses import dataclass

MOST_FAULTS = 100_000
MOST_SPANS = 1_000_000


@dataclass(slots=True)
class Room:
    """Room left for faults and for spans of all kinds; what found none is counted, never hidden."""

    faults: int = MOST_FAULTS
    spans: int = MOST_SPANS
    refused: int = 0

    def take_fault(self) -> bool:
        """Room for one more fault?"""
        if self.faults <= 0:
            self.refused += 1
            return False
        self.faults -= 1
        return True

    def take_span(self) -> bool:
        """Room for one more span?"""
        if self.spans <= 0:
            self.refused += 1
            return False
        self.spans -= 1
        return True
