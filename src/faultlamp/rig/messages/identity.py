"""Who a controller is, in texts and numbers.

Layouts: SAE J1939-71 (vehicle, component, software and ECU identification) and SAE J1939-73 section 5.7.19 (DM19),
from memory.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

VEHICLE_IDENTIFICATION_PGN = 65260
COMPONENT_IDENTIFICATION_PGN = 65259
SOFTWARE_IDENTIFICATION_PGN = 65242
ECU_IDENTIFICATION_PGN = 64965
CALIBRATION_PGN = 54016

LONGEST_CALIBRATION = 16


@dataclass(frozen=True, slots=True)
class Calibration:
    """One calibration: its name, up to 16 characters, and the number that verifies it, 32 bits."""

    name: str
    verification_number: int


def vehicle_identification(vin: str) -> bytes:
    """The VIN's text, ended by a star."""
    return _starred((vin,))


def component_identification(parts: tuple[str, ...]) -> bytes:
    """Make, model, serial number and unit number, each ended by a star."""
    return _starred(parts)


def ecu_identification(parts: tuple[str, ...]) -> bytes:
    """Part number, serial number, location, type and manufacturer, each ended by a star."""
    return _starred(parts)


def software_identification(parts: tuple[str, ...]) -> bytes:
    """The number of fields, then each text ended by a star."""
    return bytes((len(parts),)) + _starred(parts)


def calibration_information(calibrations: Iterable[Calibration]) -> bytes:
    """DM19: for each calibration four bytes of verification number, low byte first, and its name filled with zeros."""
    return b"".join(
        calibration.verification_number.to_bytes(4, "little")
        + calibration.name.encode("latin-1").ljust(LONGEST_CALIBRATION, b"\0")
        for calibration in calibrations
    )


def _starred(parts: Iterable[str]) -> bytes:
    return "".join(part + "*" for part in parts).encode("latin-1")
