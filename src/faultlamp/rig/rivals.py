"""Two nodes that claim one address.

Rule: SAE J1939-81, section 4.5 (from memory): the smaller NAME keeps the address and says so again; the other claims
that it cannot (source 254) and is silent from then on. Where the rival is stubborn neither gives way, as two wrongly
set controllers do, and both tell their NAME when asked.
"""

from __future__ import annotations

from collections.abc import Iterator

from faultlamp.j1939.identifier import NULL_ADDRESS, build_identifier
from faultlamp.j1939.requests import ADDRESS_CLAIMED_PGN
from faultlamp.rig.arbitration import Wanted
from faultlamp.rig.scenario import Ecu
from faultlamp.rig.shapes import PRIORITY

_MS = 1_000_000
_RIVAL_NS = 40 * _MS
_AGAIN_NS = 45 * _MS
_GIVES_UP_NS = 90 * _MS


def loses_address(ecu: Ecu) -> bool:
    """Whether the controller has to give its address to its rival."""
    return ecu.rival is not None and not ecu.rival.stubborn and int(ecu.rival.name) < int(ecu.claim)


def conflict(ecu: Ecu, awake_ns: int) -> Iterator[Wanted]:
    """The claims after the controller's own one; nothing without a rival."""
    if ecu.rival is None:
        return
    rival, own = ecu.rival.name.to_bytes(), ecu.claim.to_bytes()
    yield Wanted(awake_ns + _RIVAL_NS, _claim_id(ecu.address), rival)
    if not loses_address(ecu):
        yield Wanted(awake_ns + _AGAIN_NS, _claim_id(ecu.address), own)
    if ecu.rival.stubborn:
        yield Wanted(awake_ns + _GIVES_UP_NS, _claim_id(ecu.address), rival)
    else:
        loser = own if loses_address(ecu) else rival
        yield Wanted(awake_ns + _GIVES_UP_NS, _claim_id(NULL_ADDRESS), loser)


def told_when_asked(ecu: Ecu) -> list[tuple[int, bytes]]:
    """What the rival, and a controller that lost its address, say when somebody asks for address claims."""
    if ecu.rival is None:
        return []
    kept = ecu.rival.stubborn or loses_address(ecu)
    told = [(_claim_id(ecu.address if kept else NULL_ADDRESS), ecu.rival.name.to_bytes())]
    if loses_address(ecu):
        told.append((_claim_id(NULL_ADDRESS), ecu.claim.to_bytes()))
    return told


def _claim_id(source: int) -> int:
    return build_identifier(PRIORITY, ADDRESS_CLAIMED_PGN, source)
