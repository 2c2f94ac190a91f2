"""Who a controller is, in texts: VIN, component, software and ECU identification, calibration (DM19).

Rule: SAE J1939-71, sections 5.3.28 and following, for the texts, each ended by a star, which no text holds;
SAE J1939-73, section 5.7.19, for DM19 (sections and field order from memory).

    VIN        text*
    component  make* model* serial number* unit number*
    software   byte 1 how many texts, then text* each
    ECU        part number* serial number* location* type* manufacturer* hardware*
    DM19       each calibration, 20 bytes: verification number 4, low byte first | identification, text of 16

Texts stay as they came, ISO 8859-1; whoever shows them makes them harmless first. They are bounded.
"""

from __future__ import annotations

from dataclasses import dataclass

VIN_PGN = 65260
COMPONENT_PGN = 65259
SOFTWARE_PGN = 65242
ECU_PGN = 64965
CALIBRATION_PGN = 54016

LONGEST_TEXT = 200
MOST_TEXTS = 50

_CALIBRATION_BYTES = 20
_FILLING = "\xff\0 "
_COMPONENT_FIELDS = ("make", "model", "serial_number", "unit_number")
_ECU_FIELDS = ("part_number", "serial_number", "location", "type", "manufacturer", "hardware")


@dataclass(frozen=True, slots=True)
class Texts:
    """Texts with what they are, in their order; "" where the controller left one empty."""

    fields: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Calibration:
    """One calibration. verification_number: over the calibration's own data, as the controller computed it."""

    identification: str
    verification_number: int


@dataclass(frozen=True, slots=True)
class Calibrations:
    """DM19."""

    calibrations: tuple[Calibration, ...]


def decode_vin(payload: bytes) -> Texts | None:
    """The vehicle identification number; None without one readable character."""
    texts = _texts(payload)
    return Texts((("vin", texts[0]),)) if texts and texts[0] else None


def decode_component(payload: bytes) -> Texts | None:
    """Component identification; None without a text."""
    return _named(_texts(payload), _COMPONENT_FIELDS)


def decode_software(payload: bytes) -> Texts | None:
    """Software identification; None without a text. The number in byte 1 is not relied on: the stars decide."""
    texts = _texts(payload[1:])
    return Texts(tuple((f"software_{at}", text) for at, text in enumerate(texts, 1))) if any(texts) else None


def decode_ecu(payload: bytes) -> Texts | None:
    """ECU identification; None without a text."""
    return _named(_texts(payload), _ECU_FIELDS)


def decode_calibrations(payload: bytes) -> Calibrations | None:
    """DM19; None unless it is whole calibrations."""
    if not payload or len(payload) % _CALIBRATION_BYTES:
        return None
    blocks = [payload[at : at + _CALIBRATION_BYTES] for at in range(0, len(payload), _CALIBRATION_BYTES)]
    return Calibrations(
        tuple(
            Calibration(block[4:].decode("latin-1").strip(_FILLING), int.from_bytes(block[:4], "little"))
            for block in blocks[:MOST_TEXTS]
        )
    )


def _named(texts: list[str], names: tuple[str, ...]) -> Texts | None:
    if not any(texts):
        return None
    further = tuple(f"field_{at}" for at in range(len(names) + 1, len(texts) + 1))
    return Texts(tuple(zip((*names, *further), texts, strict=False)))


def _texts(payload: bytes) -> list[str]:
    """What stands between the stars, without filling. A text that lacks its star counts, when it is not empty."""
    *ended, rest = payload[: (LONGEST_TEXT + 1) * MOST_TEXTS].decode("latin-1").split("*")
    texts = [text.strip(_FILLING)[:LONGEST_TEXT] for text in ended]
    rest = rest.strip(_FILLING)
    return ([*texts, rest[:LONGEST_TEXT]] if rest else texts)[:MOST_TEXTS]
