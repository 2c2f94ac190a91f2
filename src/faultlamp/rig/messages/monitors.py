"""How far self-tests have come, and the numbers that go with them.

Layouts: SAE J1939-73 sections 5.7.5 (DM5), 5.7.7 (DM7), 5.7.20 (DM20), 5.7.21 (DM21), 5.7.26 (DM26), 5.7.29 (DM29)
and 5.7.30 (DM30), from memory.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum

DM5_PGN = 65230
DM7_PGN = 58112
DM20_PGN = 49664
DM21_PGN = 49408
DM26_PGN = 64952
DM29_PGN = 40448
DM30_PGN = 41984

CONTINUOUS = ("misfire", "fuel_system", "components")
OTHERS = (
    "catalyst", "heated_catalyst", "evaporative_system", "secondary_air", "ac_refrigerant", "exhaust_gas_sensor",
    "exhaust_gas_sensor_heater", "egr", "nmhc_catalyst", "nox_catalyst", "particulate_filter", "boost_pressure",
    "cold_start_aid",
)

_MOST_COUNTED = 250
_MOST_IN_TWO_BYTES = 0xFAFF
_REPORT_RESULTS = 247
_ALL_FMIS = 31
_COMMAND_BYTES = 8


class Monitor(StrEnum):
    """The state of one monitor; those that are not named are not there."""

    COMPLETE = "complete"
    INCOMPLETE = "incomplete"


@dataclass(frozen=True, slots=True)
class Ratio:
    """How often a monitor ran (`numerator`) of how often it could have (`denominator`)."""

    spn: int
    numerator: int
    denominator: int


@dataclass(frozen=True, slots=True)
class TestResult:
    """A test's raw result between raw limits; `scaling` is the standard's number of the scale."""

    __test__ = False  # pytest would take it for a test

    spn: int
    fmi: int
    scaling: int
    value: int
    highest: int
    lowest: int


def readiness(active: int, stored: int, compliance: int, monitors: Mapping[str, Monitor]) -> bytes:
    """DM5: numbers of active and previously active codes, compliance, and the monitors by name."""
    return bytes((_counted(active), _counted(stored), compliance)) + _monitors(monitors)


def drive_readiness(seconds_running: int, warm_ups: int, monitors: Mapping[str, Monitor]) -> bytes:
    """DM26: seconds since engine start, warm-ups since clearing, and the monitors in this drive."""
    return _two_bytes(seconds_running) + bytes((_counted(warm_ups),)) + _monitors(monitors)


def since_clearing(km_with_lamp: int, km: int, minutes_with_lamp: int, minutes: int) -> bytes:
    """DM21: distance and running time with the malfunction indicator on, and since codes were cleared."""
    return b"".join(map(_two_bytes, (km_with_lamp, km, minutes_with_lamp, minutes)))


def performance(ignition_cycles: int, conditions_met: int, ratios: Iterable[Ratio]) -> bytes:
    """DM20: counters, then each monitor's SPN (19 bits, the rest ones) with numerator and denominator."""
    parts = [_two_bytes(ignition_cycles), _two_bytes(conditions_met)]
    for ratio in ratios:
        parts += [_spn_and(ratio.spn, 0x1F), _two_bytes(ratio.numerator), _two_bytes(ratio.denominator)]
    return b"".join(parts)


def code_counts(pending: int, all_pending: int, active: int, stored: int, permanent: int) -> bytes:
    """DM29: emission-related codes pending, all pending, emission-related ones active, previously so, permanent."""
    return bytes(map(_counted, (pending, all_pending, active, stored, permanent))) + b"\xff" * 3


def wanted_results(payload: bytes) -> int | None:
    """The SPN whose results a DM7 asks for; None for a command that would start a test, or that is none."""
    if len(payload) != _COMMAND_BYTES or payload[0] != _REPORT_RESULTS or payload[3] & 0x1F != _ALL_FMIS:
        return None
    return payload[1] | payload[2] << 8 | payload[3] >> 5 << 16


def test_results(results: Iterable[TestResult]) -> bytes:
    """DM30: each result as identifier, SPN and FMI, scaling, value, highest and lowest allowed."""
    return b"".join(
        bytes((_REPORT_RESULTS,)) + _spn_and(result.spn, result.fmi)
        + b"".join(map(_two_bytes, (result.scaling, result.value, result.highest, result.lowest)))
        for result in results
    )


def _monitors(monitors: Mapping[str, Monitor]) -> bytes:
    """Five bytes: continuous ones supported (bits 1-3) and not complete (5-7), the others in two bytes each."""
    supported, open_ = (
        [[monitors.get(name) in wanted for name in names] for names in (CONTINUOUS, OTHERS[:8], OTHERS[8:])]
        for wanted in ((Monitor.COMPLETE, Monitor.INCOMPLETE), (Monitor.INCOMPLETE,))
    )
    first = _bits(supported[0]) | _bits(open_[0]) << 4
    return bytes((first, *map(_bits, supported[1:]), *map(_bits, open_[1:])))


def _bits(flags: Iterable[bool]) -> int:
    return sum(flag << place for place, flag in enumerate(flags))


def _spn_and(spn: int, low_five: int) -> bytes:
    return bytes((spn & 0xFF, spn >> 8 & 0xFF, spn >> 16 << 5 | low_five))


def _two_bytes(number: int) -> bytes:
    return min(number, _MOST_IN_TWO_BYTES).to_bytes(2, "little")


def _counted(number: int) -> int:
    return min(number, _MOST_COUNTED)
