"""Payloads that are not periodic readings: trouble codes, identity texts, requests, refusals.

Layouts: SAE J1939-73 section 5.7.1 (DM1, DM2), J1939-71 (vehicle, component and software
identification), J1939-21 sections 5.4.2 and 5.4.4 (request, acknowledgement). Each function returns the bytes of one
whole message, without filling.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from faultlamp.j1939.diagnostics import Dtc, Lamp, LampState, encode_dtc

REQUEST_PGN = 59904
ACKNOWLEDGEMENT_PGN = 59392
ADDRESS_CLAIMED_PGN = 60928
VEHICLE_IDENTIFICATION_PGN = 65260
COMPONENT_IDENTIFICATION_PGN = 65259
SOFTWARE_IDENTIFICATION_PGN = 65242

NO_CODE = bytes(4)

_NOT_ACKNOWLEDGED = 1
# Lamp bits and flash bits; without flashing the flash bits say 'not available', which a reader takes for steady.
_LAMP_BITS = {
    LampState.OFF: (0b00, 0b11),
    LampState.ON: (0b01, 0b11),
    LampState.SLOW_FLASH: (0b01, 0b00),
    LampState.FAST_FLASH: (0b01, 0b01),
    LampState.NOT_AVAILABLE: (0b11, 0b11),
}


def diagnostic_message(lamps: Mapping[Lamp, LampState], dtcs: Iterable[Dtc]) -> bytes:
    """DM1 or DM2: the lamps, of which those left out are 'not available', and the codes or the 'no code' zeros."""
    lamp_byte = flash_byte = 0
    for lamp in Lamp:
        bits, flash = _LAMP_BITS[lamps.get(lamp, LampState.NOT_AVAILABLE)]
        lamp_byte, flash_byte = lamp_byte << 2 | bits, flash_byte << 2 | flash
    codes = b"".join(encode_dtc(dtc) for dtc in dtcs)
    return bytes((lamp_byte, flash_byte)) + (codes or NO_CODE)


def vehicle_identification(vin: str) -> bytes:
    """The VIN's text, ended by a star."""
    return _starred((vin,))


def component_identification(parts: tuple[str, ...]) -> bytes:
    """Make, model, serial number and unit number, each ended by a star."""
    return _starred(parts)


def software_identification(parts: tuple[str, ...]) -> bytes:
    """The number of fields, then each text ended by a star."""
    return bytes((len(parts),)) + _starred(parts)


def request(pgn: int) -> bytes:
    """The three bytes that ask for a group."""
    return pgn.to_bytes(3, "little")


def not_acknowledged(pgn: int, asked_by: int) -> bytes:
    """The refusal of a group that a controller was asked for and does not have."""
    return bytes((_NOT_ACKNOWLEDGED, 0xFF, 0xFF, 0xFF, asked_by)) + pgn.to_bytes(3, "little")


def _starred(parts: Iterable[str]) -> bytes:
    return "".join(part + "*" for part in parts).encode("latin-1")
