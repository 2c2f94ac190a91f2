"""One node of the bus that takes part: an address of its own, messages of any length in both directions.

`Participant` is the whole of it; `events` says what it tells.
"""

from faultlamp.j1939.participant.claim import ClaimState
from faultlamp.j1939.participant.participant import Participant

__all__ = ["ClaimState", "Participant"]
