"""Every group that can be asked for and is understood: its number, short name, what it is, and its decoder.

Rule: group numbers of SAE J1939-73, section 5.7, and SAE J1939-71. What is not here is read with a layout when there
is one, and else shown as bytes.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Protocol

from faultlamp.j1939.address import NAME_BYTES, Name
from faultlamp.j1939.diagnostics import CURRENT_METHOD, DiagnosticReport
from faultlamp.j1939.reports.codes import decode_codes
from faultlamp.j1939.reports.freeze_frames import (
    EXPANDED_FREEZE_FRAME_PGN,
    FREEZE_FRAME_PGN,
    SUPPORTED_SPNS_PGN,
    ExpandedFreezeFrames,
    FreezeFrames,
    SupportedSpns,
    decode_expanded_freeze_frames,
    decode_freeze_frames,
    decode_supported_spns,
)
from faultlamp.j1939.reports.identity import (
    CALIBRATION_PGN,
    COMPONENT_PGN,
    ECU_PGN,
    SOFTWARE_PGN,
    VIN_PGN,
    Calibrations,
    Texts,
    decode_calibrations,
    decode_component,
    decode_ecu,
    decode_software,
    decode_vin,
)
from faultlamp.j1939.reports.readiness import (
    CODE_COUNTS_PGN,
    PERFORMANCE_PGN,
    READINESS_1_PGN,
    READINESS_2_PGN,
    READINESS_3_PGN,
    CodeCounts,
    DriveReadiness,
    Performance,
    Readiness,
    SinceClear,
    decode_code_counts,
    decode_drive_readiness,
    decode_performance,
    decode_readiness,
    decode_since_clear,
)
from faultlamp.j1939.reports.scaled_tests import TEST_RESULTS_PGN, TestResults, decode_test_results

DM1_PGN = 65226
DM2_PGN = 65227
HOURS_PGN = 65253
NAME_PGN = 60928

Report = (
    DiagnosticReport | FreezeFrames | SupportedSpns | ExpandedFreezeFrames | Readiness | DriveReadiness | SinceClear
    | Performance | CodeCounts | Texts | Calibrations | TestResults | Name
)


class Decoder(Protocol):
    """Any bytes to a report or None. method: how to read the SPN of codes whose CM bit is 1."""

    def __call__(self, payload: bytes, method: int = CURRENT_METHOD, /) -> Report | None: ...


@dataclass(frozen=True, slots=True)
class Group:
    """A group. key: its short name. title: what it is."""

    pgn: int
    key: str
    title: str
    decode: Decoder


def decode_name(payload: bytes) -> Name | None:
    """The NAME of an address-claimed message; None unless it has 8 bytes."""
    return Name.from_bytes(payload) if len(payload) == NAME_BYTES else None


def _without_codes(decode: Callable[[bytes], Report | None]) -> Decoder:
    """The decoder of a group in which there is no code."""
    return lambda payload, _=CURRENT_METHOD: decode(payload)


GROUPS = {
    group.pgn: group
    for group in (
        Group(DM1_PGN, "DM1", "active codes", partial(decode_codes, 1)),
        Group(DM2_PGN, "DM2", "previously active codes", partial(decode_codes, 2)),
        Group(65231, "DM6", "pending emission codes", partial(decode_codes, 6)),
        Group(64898, "DM27", "all pending codes", partial(decode_codes, 27)),
        Group(65236, "DM12", "active emission codes", partial(decode_codes, 12)),
        Group(64949, "DM23", "previously active emission codes", partial(decode_codes, 23)),
        Group(64896, "DM28", "permanent codes", partial(decode_codes, 28)),
        Group(FREEZE_FRAME_PGN, "DM4", "freeze frames", decode_freeze_frames),
        Group(SUPPORTED_SPNS_PGN, "DM24", "supported parameters", _without_codes(decode_supported_spns)),
        Group(EXPANDED_FREEZE_FRAME_PGN, "DM25", "expanded freeze frames", decode_expanded_freeze_frames),
        Group(READINESS_1_PGN, "DM5", "readiness", _without_codes(decode_readiness)),
        Group(READINESS_2_PGN, "DM21", "readiness since clearing", _without_codes(decode_since_clear)),
        Group(READINESS_3_PGN, "DM26", "readiness on this drive", _without_codes(decode_drive_readiness)),
        Group(PERFORMANCE_PGN, "DM20", "how often monitors ran", _without_codes(decode_performance)),
        Group(CODE_COUNTS_PGN, "DM29", "counts of codes", _without_codes(decode_code_counts)),
        Group(TEST_RESULTS_PGN, "DM30", "test results", _without_codes(decode_test_results)),
        Group(CALIBRATION_PGN, "DM19", "calibration", _without_codes(decode_calibrations)),
        Group(VIN_PGN, "VIN", "vehicle identification", _without_codes(decode_vin)),
        Group(COMPONENT_PGN, "component", "component identification", _without_codes(decode_component)),
        Group(SOFTWARE_PGN, "software", "software identification", _without_codes(decode_software)),
        Group(ECU_PGN, "ECU", "ECU identification", _without_codes(decode_ecu)),
        Group(NAME_PGN, "NAME", "address claim", _without_codes(decode_name)),
    )
}
