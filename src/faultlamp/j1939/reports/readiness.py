"""How far a controller's self-tests have come: DM5, DM20, DM21, DM26, and the number of codes it holds, DM29.

Rule: SAE J1939-73, sections 5.7.5, 5.7.20, 5.7.21, 5.7.26 and 5.7.29 (layouts from memory).

    DM5   1 active codes | 2 previously active codes | 3 OBD compliance | 4 continuous monitors: bits 1-3 supported,
          5-7 not complete | 5-6 other monitors supported | 7-8 the same places, not complete
    DM26  1-2 seconds since engine start | 3 warm-ups since codes were cleared | 4-8 as DM5, for this drive;
          'supported' says here 'enabled'
    DM21  1-2 km with the malfunction indicator on | 3-4 km since codes were cleared | 5-6, 7-8 the same in minutes
    DM20  1-2 ignition cycles | 3-4 times that the general conditions were met | then each monitor, 7 bytes:
          SPN 3 | numerator 2 | denominator 2
    DM29  numbers of codes: 1 pending | 2 all pending | 3 malfunction indicator on | 4 previously so | 5 permanent
"""

from __future__ import annotations

from dataclasses import dataclass

from faultlamp.j1939.readings import Reading
from faultlamp.j1939.reports.quantities import group, quantity, read, small_count

READINESS_1_PGN = 65230
READINESS_2_PGN = 49408
READINESS_3_PGN = 64952
PERFORMANCE_PGN = 49664
CODE_COUNTS_PGN = 40448

_CONTINUOUS = ("misfire", "fuel system", "comprehensive component")
_OTHERS = (
    ("catalyst", "heated catalyst", "evaporative system", "secondary air", "A/C refrigerant", "exhaust gas sensor",
     "exhaust gas sensor heater", "EGR or variable valve timing"),
    ("NMHC catalyst", "NOx catalyst or adsorber", "particulate filter", "boost pressure control", "cold start aid"),
)
_COMPLIANCE = {
    5: "not meant to meet OBD rules", 19: "heavy-duty OBD, part", 20: "heavy-duty OBD", 21: "world-wide harmonised OBD"
}
_WHOLE_FRAME = 8
_NOT_AVAILABLE = 0xFF
_RATIO_BYTES = 7

_SINCE_CLEAR = group(
    READINESS_2_PGN, "DM21", _WHOLE_FRAME,
    quantity(3069, "Distance Travelled While MIL Is Activated", 1, 2, "km"),
    quantity(3294, "Distance Since Codes Were Cleared", 3, 2, "km"),
    quantity(3295, "Time Run By Engine While MIL Is Activated", 5, 2, "min"),
    quantity(3296, "Time Since Codes Were Cleared", 7, 2, "min"),
)
_THIS_DRIVE = group(
    READINESS_3_PGN, "DM26", _WHOLE_FRAME,
    quantity(3301, "Time Since Engine Start", 1, 2, "s"),
    quantity(3302, "Warm-Ups Since Codes Were Cleared", 3, 1),
)
_CONDITIONS = group(
    PERFORMANCE_PGN, "DM20", 4,
    quantity(3048, "Ignition Cycle Counter", 1, 2),
    quantity(3049, "OBD Monitoring Conditions Encountered", 3, 2),
)


@dataclass(frozen=True, slots=True)
class Monitor:
    """One self-test that is supported (DM5) or enabled on this drive (DM26)."""

    name: str
    continuous: bool
    complete: bool


@dataclass(frozen=True, slots=True)
class Readiness:
    """DM5. Counts are None where the controller does not count. monitors: the supported ones."""

    active_codes: int | None
    previously_active_codes: int | None
    obd_compliance: int | None
    monitors: tuple[Monitor, ...]

    @property
    def compliance_words(self) -> str | None:
        """What the compliance number means, where this table knows it."""
        return None if self.obd_compliance is None else _COMPLIANCE.get(self.obd_compliance)


@dataclass(frozen=True, slots=True)
class DriveReadiness:
    """DM26. monitors: those enabled on this drive."""

    readings: tuple[Reading, ...]
    monitors: tuple[Monitor, ...]


@dataclass(frozen=True, slots=True)
class SinceClear:
    """DM21."""

    readings: tuple[Reading, ...]


@dataclass(frozen=True, slots=True)
class PerformanceRatio:
    """How often a monitor ran, out of how often it could have; None where the controller does not say."""

    spn: int
    numerator: int | None
    denominator: int | None


@dataclass(frozen=True, slots=True)
class Performance:
    """DM20."""

    readings: tuple[Reading, ...]
    ratios: tuple[PerformanceRatio, ...]


@dataclass(frozen=True, slots=True)
class CodeCounts:
    """DM29. None where the controller does not count that kind."""

    pending: int | None
    all_pending: int | None
    mil_on: int | None
    previously_mil_on: int | None
    permanent: int | None


def decode_readiness(payload: bytes) -> Readiness | None:
    """DM5; None unless it has its 8 bytes."""
    if len(payload) != _WHOLE_FRAME:
        return None
    active, previous, compliance = (small_count(byte) for byte in payload[:3])
    return Readiness(active, previous, compliance, _monitors(payload))


def decode_drive_readiness(payload: bytes) -> DriveReadiness | None:
    """DM26; None unless it has its 8 bytes."""
    if len(payload) != _WHOLE_FRAME:
        return None
    return DriveReadiness(read(_THIS_DRIVE, payload), _monitors(payload))


def decode_since_clear(payload: bytes) -> SinceClear | None:
    """DM21; None unless it has its 8 bytes."""
    return SinceClear(read(_SINCE_CLEAR, payload)) if len(payload) == _WHOLE_FRAME else None


def decode_performance(payload: bytes) -> Performance | None:
    """DM20; None unless whole monitors follow the four bytes of conditions, filling aside."""
    left = (len(payload) - 4) % _RATIO_BYTES
    if len(payload) < 4 or payload[len(payload) - left :].strip(b"\xff"):
        return None
    ratios = []
    for at in range(4, len(payload) - left, _RATIO_BYTES):
        spn = payload[at] | payload[at + 1] << 8 | payload[at + 2] >> 5 << 16
        if payload[at : at + 3] != b"\xff\xff\xff":
            ratios.append(PerformanceRatio(spn, _count(payload, at + 3), _count(payload, at + 5)))
    return Performance(read(_CONDITIONS, payload), tuple(ratios))


def decode_code_counts(payload: bytes) -> CodeCounts | None:
    """DM29; None unless it has its 8 bytes."""
    return CodeCounts(*(small_count(byte) for byte in payload[:5])) if len(payload) == _WHOLE_FRAME else None


def _count(payload: bytes, at: int) -> int | None:
    number = int.from_bytes(payload[at : at + 2], "little")
    return number if number <= 0xFAFF else None


def _monitors(payload: bytes) -> tuple[Monitor, ...]:
    monitors = []
    if payload[3] != _NOT_AVAILABLE:
        monitors += [
            Monitor(name, True, not payload[3] >> bit + 4 & 1)
            for bit, name in enumerate(_CONTINUOUS)
            if payload[3] >> bit & 1
        ]
    for names, supported, incomplete in zip(_OTHERS, payload[4:6], payload[6:8], strict=True):
        # All bits set in both is how a whole byte says 'not available'.
        if supported == incomplete == _NOT_AVAILABLE:
            continue
        monitors += [
            Monitor(name, False, not incomplete >> bit & 1) for bit, name in enumerate(names) if supported >> bit & 1
        ]
    return tuple(monitors)
