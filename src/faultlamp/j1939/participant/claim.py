"""An address of our own, and what is done about others who want it.

Rule: SAE J1939-81, sections 4.2 and 4.4 (sections from memory).

    SILENT --claim--> CLAIMING --250 ms, nobody with a smaller NAME--> CLAIMED
                         |  ^                                             |
      smaller NAME, next |  | spare address                  smaller NAME |
                         v  |                                             |
                      next spare address <--------------------------------+
                         | none left, or our NAME may not move
                         v
                      CANNOT_CLAIM: said once from address 254, then silent

- A claim is the address-claimed message (PGN 60928) with our NAME, sent to everybody from the address. The smaller
  NAME, as a number, keeps an address. Against a larger one we claim again.
- The standard lets addresses 0 to 127 and 248 to 253 be used right after the claim and wants 250 ms of waiting for 128
  to 247. We wait in every case: the wait is never wrong, and a tool's address is one that other tools prefer too.
- Only an arbitrary-address-capable NAME moves on. Spare addresses that somebody was heard to send from are passed over.
- A request for the address claimed is answered with the claim, or with 'cannot claim'.
- 'Cannot claim' waits a pseudo-random 0 to 153 ms, so that many nodes that fail together do not all speak at once.
- A frame from our address that is no claim comes from a node that never asked. We claim again and report it.

No input makes us send more than one claim each 50 ms from one address. A claim with our own NAME that we did not send
comes from a second copy of this node. Claiming against it would never end, so it is reported only.
"""

from __future__ import annotations

from collections.abc import Sequence
from enum import StrEnum

from faultlamp.j1939.address import NAME_BYTES, Name
from faultlamp.j1939.identifier import NULL_ADDRESS, build_identifier
from faultlamp.j1939.participant.events import AddressClaimed, AddressConflict, AddressLost, CannotClaim, Event
from faultlamp.j1939.requests import ADDRESS_CLAIMED_PGN

CLAIM_WAIT_NS = 250_000_000
LONGEST_CANNOT_CLAIM_DELAY_NS = 153_000_000

# 249 and 250 are the two off-board diagnostic tools; 128 to 247 is where nodes choose their own address.
TOOL_ADDRESS = 249
SPARE_ADDRESSES: Sequence[int] = (250, *range(128, 248))

_CLAIM_GAP_NS = 50_000_000
_CONFLICT_GAP_NS = 1_000_000_000
_DELAY_STEP_NS = 600_000
_PRIORITY = 6


class ClaimState(StrEnum):
    """How far a node is with its address."""

    SILENT = "silent"
    CLAIMING = "claiming"
    CLAIMED = "claimed"
    CANNOT_CLAIM = "cannot claim"


class Claim:
    """One node's struggle for an address.

    state: see the module. address: the one that is claimed or being claimed; None when there is none.
    cannot_claim_delay_ns: 0 to 153 ms; None takes it from the bytes of the NAME, which differ from node to node.
    claimed: the address counts as ours from the start, and its owner sends from it by other roads too.
    """

    def __init__(
        self,
        name: Name,
        preferred: int,
        spare: Sequence[int],
        *,
        claimed: bool = False,
        cannot_claim_delay_ns: int | None = None,
    ) -> None:
        for address in (preferred, *spare):
            if not 0 <= address < NULL_ADDRESS:
                raise ValueError(f"address {address} is outside 0..{NULL_ADDRESS - 1}")
        self._payload = name.to_bytes()
        self._name = int(name)
        self._preferred = preferred
        self._spare = tuple(spare) if name.arbitrary_address_capable else ()
        if cannot_claim_delay_ns is None:
            cannot_claim_delay_ns = sum(self._payload) % 256 * _DELAY_STEP_NS
        if not 0 <= cannot_claim_delay_ns <= LONGEST_CANNOT_CLAIM_DELAY_NS:
            raise ValueError(f"delay {cannot_claim_delay_ns} ns is outside 0..{LONGEST_CANNOT_CLAIM_DELAY_NS}")
        self._delay_ns = cannot_claim_delay_ns
        self._shared = claimed
        self._tried = 0
        self._heard: set[int] = set()
        self._speak_ns: int | None = None
        self._spoke_ns: int | None = None
        self._ours_ns = 0
        self._conflict_ns: int | None = None
        self.state = ClaimState.CLAIMED if claimed else ClaimState.SILENT
        self.address: int | None = preferred if claimed else None

    def claim(self, now_ns: int) -> None:
        """Begin with the preferred address; nothing happens while a claim is under way or has won."""
        if self.state in (ClaimState.SILENT, ClaimState.CANNOT_CLAIM):
            self._tried = 0
            self._try(now_ns, self._preferred)

    def heard(self, address: int) -> None:
        """Somebody sent from this address."""
        self._heard.add(address)

    def heard_claim(self, now_ns: int, address: int, payload: bytes) -> list[Event]:
        """Somebody claimed an address. The claim counts unless it is not 8 bytes long."""
        self._heard.add(address)
        if address != self.address or len(payload) != NAME_BYTES:
            return []
        theirs = int.from_bytes(payload, "little")
        if theirs == self._name:
            return [] if self._shared else self._conflict(now_ns, address)
        if theirs > self._name:
            self._speak(now_ns)
            return []
        return [AddressLost(now_ns, address), *self._move(now_ns)]

    def heard_impostor(self, now_ns: int) -> list[Event]:
        """Somebody sent another message from our address: claim again and say so, at most once a second."""
        address = self.address
        if address is None or self._shared:
            return []
        told = self._conflict(now_ns, address)
        if told:
            self._speak(now_ns)
        return told

    def requested(self, now_ns: int) -> None:
        """Somebody asked for the address claimed."""
        if self.state is ClaimState.CANNOT_CLAIM:
            if self._speak_ns is None:
                self._speak_ns = now_ns + self._delay_ns
        elif self.state is not ClaimState.SILENT:
            self._speak(now_ns)

    def advance(self, now_ns: int) -> list[Event]:
        """The address is ours when nobody objected in time."""
        if self.state is ClaimState.CLAIMING and self.address is not None and now_ns >= self._ours_ns:
            self.state = ClaimState.CLAIMED
            return [AddressClaimed(now_ns, self.address)]
        return []

    def outgoing(self, now_ns: int) -> list[tuple[int, bytes]]:
        """The claim, or 'cannot claim', when it is time for one."""
        if self._speak_ns is None or now_ns < self._speak_ns:
            return []
        if self.state is ClaimState.CLAIMING and self._spoke_ns is None:
            # The wait counts from the frame, not from the wish.
            self._ours_ns = now_ns + CLAIM_WAIT_NS
        self._speak_ns, self._spoke_ns = None, now_ns
        source = NULL_ADDRESS if self.address is None else self.address
        return [(build_identifier(_PRIORITY, ADDRESS_CLAIMED_PGN, source), self._payload)]

    def next_ns(self) -> int | None:
        """When `advance` or `outgoing` has something to do."""
        if self._speak_ns is not None:
            return self._speak_ns
        return self._ours_ns if self.state is ClaimState.CLAIMING else None

    def _try(self, now_ns: int, address: int) -> None:
        self.state, self.address = ClaimState.CLAIMING, address
        self._speak_ns, self._spoke_ns, self._conflict_ns = now_ns, None, None
        self._ours_ns = now_ns + CLAIM_WAIT_NS

    def _move(self, now_ns: int) -> list[Event]:
        while self._tried < len(self._spare):
            address = self._spare[self._tried]
            self._tried += 1
            if address not in self._heard:
                self._try(now_ns, address)
                return []
        self.state, self.address = ClaimState.CANNOT_CLAIM, None
        self._speak_ns, self._spoke_ns = now_ns + self._delay_ns, None
        return [CannotClaim(now_ns)]

    def _speak(self, now_ns: int) -> None:
        if self._speak_ns is None:
            self._speak_ns = now_ns if self._spoke_ns is None else max(now_ns, self._spoke_ns + _CLAIM_GAP_NS)

    def _conflict(self, now_ns: int, address: int) -> list[Event]:
        if self._conflict_ns is not None and now_ns - self._conflict_ns < _CONFLICT_GAP_NS:
            return []
        self._conflict_ns = now_ns
        return [AddressConflict(now_ns, address)]
