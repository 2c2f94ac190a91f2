"""What the counts of a short listening mean.

Pure. Rules, common practice without a source unless said otherwise:

    a controller at a wrong bit rate receives nothing whole, and signals errors when somebody else sends
    errors among good frames are wiring, termination or a connector
    each controller repeats DM1 every second, also without a fault (SAE J1939-73, section 5.7.1, from memory)
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from faultlamp.doctor.tally import Counts, Sender
from faultlamp.frames.load import Load

# Two periods of DM1: in less than that its absence says nothing.
_DM1_S = 2.0
# The bus cannot be busier than always; what is above this contradicts the bit rate that was told.
_IMPOSSIBLE_PERCENT = 102.0


class State(StrEnum):
    """Whether the bus is alive."""

    ALIVE = "alive"
    ERRORS_ONLY = "errors_only"
    SILENT = "silent"
    NOT_OPENED = "not_opened"


class BitRateLooks(StrEnum):
    """What the traffic says about the adapter's bit rate."""

    RIGHT = "right"
    WRONG = "wrong"
    UNKNOWN = "unknown"


class Code(StrEnum):
    """What can be found."""

    SILENT = "silent"
    BIT_RATE_WRONG = "bit_rate_wrong"
    ERRORS = "errors"
    CONTROLLER_ERRORS = "controller_errors"
    LOAD_IMPOSSIBLE = "load_impossible"
    NO_J1939 = "no_j1939"
    NO_ENGINE = "no_engine"
    NO_FAULTS = "no_faults"
    FAULTS_ACTIVE = "faults_active"
    NO_DM1 = "no_dm1"
    ADDRESS_CONFLICT = "address_conflict"
    FRAMES_LOST = "frames_lost"
    GARBLED = "garbled"


@dataclass(frozen=True, slots=True)
class Finding:
    """One conclusion: a word for scripts and a sentence for people."""

    code: Code
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """All that a diagnosis looks at.

    engine_address: where the engine is expected. load: where the bit rate is known. garbled: things
    from the adapter that were no frames. lost: frames that were not read in time. link_state: the controller's error
    state as Linux tells it, for instance BUS-OFF.
    """

    seconds: float
    counts: Counts
    senders: Sequence[Sender]
    engine_address: int = 0
    load: Load | None = None
    garbled: int = 0
    lost: int = 0
    link_state: str | None = None


def state_of(evidence: Evidence) -> State:
    """Frames make a bus alive, of whatever kind."""
    if evidence.counts.frames:
        return State.ALIVE
    return State.ERRORS_ONLY if evidence.counts.errors else State.SILENT


def bit_rate_looks(evidence: Evidence) -> BitRateLooks:
    """Wrong when there are errors and not one frame; frames come through only at the right one."""
    state = state_of(evidence)
    if state is State.ALIVE:
        return BitRateLooks.RIGHT
    return BitRateLooks.WRONG if state is State.ERRORS_ONLY else BitRateLooks.UNKNOWN


def findings(evidence: Evidence) -> list[Finding]:
    """What to tell, the gravest first."""
    found = [*_on_the_wire(evidence)]
    if evidence.counts.frames:
        found += _among_the_senders(evidence)
    if evidence.lost:
        found.append(Finding(Code.FRAMES_LOST, f"{_several(evidence.lost, 'frame')} lost: this computer was too slow."))
    if evidence.garbled:
        found.append(Finding(
            Code.GARBLED, f"The adapter delivered {_several(evidence.garbled, 'thing')} that "
            f"{'was' if evidence.garbled == 1 else 'were'} no frame: is its serial speed right, is its cable sound?"
        ))
    return found


def _on_the_wire(evidence: Evidence) -> list[Finding]:
    counts, found = evidence.counts, []
    state = state_of(evidence)
    if state is State.SILENT:
        found.append(Finding(Code.SILENT, f"Nothing heard in {evidence.seconds:.1f} s."))
    elif state is State.ERRORS_ONLY:
        found.append(Finding(
            Code.BIT_RATE_WRONG, f"{_several(counts.errors, 'error frame')} and not one good frame: the bit rate looks "
            "wrong. At the right one: CAN-H and CAN-L swapped or touching, or nobody who acknowledges."
        ))
    elif counts.errors:
        found.append(Finding(
            Code.ERRORS, f"{_several(counts.errors, 'error frame')} beside {_several(counts.frames, 'good frame')}: "
            "the bit rate looks right; look for a poor contact, a missing terminator or a chafed wire."
        ))
    if evidence.link_state in ("BUS-OFF", "ERROR-PASSIVE", "ERROR-WARNING"):
        found.append(Finding(
            Code.CONTROLLER_ERRORS,
            f"The adapter's controller is in the state {evidence.link_state}: it has met many errors.",
        ))
    if evidence.load is not None and evidence.load.least_percent > _IMPOSSIBLE_PERCENT:
        found.append(Finding(
            Code.LOAD_IMPOSSIBLE,
            f"More than a bus at {evidence.load.bit_rate} bit/s can carry: the real bit rate is higher.",
        ))
    return found


def _among_the_senders(evidence: Evidence) -> list[Finding]:
    if not evidence.senders:
        return [Finding(Code.NO_J1939, "No J1939 frame among them: the bus is alive, but is it the engine's?")]
    found = []
    engine = [sender for sender in evidence.senders if sender.source_address == evidence.engine_address]
    if not engine:
        found.append(Finding(
            Code.NO_ENGINE, f"Address {evidence.engine_address} is not among them: is the engine's controller powered, "
            "is it on this bus, or does it have another address (--engine-address)?"
        ))
    reporting = [sender for sender in evidence.senders if sender.active_faults is not None]
    if reporting:
        active = sum(sender.active_faults or 0 for sender in reporting)
        found.append(Finding(
            Code.FAULTS_ACTIVE if active else Code.NO_FAULTS,
            f"{_several(active, 'active fault')} reported." if active else "Fault reports (DM1) heard, no fault active."
        ))
    elif evidence.seconds >= _DM1_S:
        found.append(Finding(Code.NO_DM1, "No fault report (DM1) heard, which controllers send every second."))
    found += [
        Finding(
            Code.ADDRESS_CONFLICT,
            f"{len(sender.names)} controllers claimed address {sender.source_address}: unless one has moved on, their "
            "messages are mixed up.",
        )
        for sender in evidence.senders if len(sender.names) > 1
    ]
    return found


def _several(number: int, what: str) -> str:
    return f"{number} {what}" if number == 1 else f"{number} {what}s"
