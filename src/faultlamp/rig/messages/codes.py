"""Lists of trouble codes, and the answer to the command that clears one.

Layouts: SAE J1939-73 section 5.7.1 (DM1, and all that share its layout) and section 5.7.22 (DM22).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from faultlamp.j1939.diagnostics import Dtc, Lamp, LampState, encode_dtc

DM1_PGN = 65226
DM2_PGN = 65227
DM3_PGN = 65228
DM6_PGN = 65231
DM11_PGN = 65235
DM12_PGN = 65236
DM22_PGN = 49920
DM23_PGN = 64949
DM27_PGN = 64898
DM28_PGN = 64896

NO_CODE = bytes(4)

REFUSED_IN_GENERAL = 0
REFUSED_ACCESS = 1

_FILLED = 0xFF
# Lamp bits and flash bits; without flashing the flash bits say 'not available', which a reader takes for steady.
_LAMP_BITS = {
    LampState.OFF: (0b00, 0b11),
    LampState.ON: (0b01, 0b11),
    LampState.SLOW_FLASH: (0b01, 0b00),
    LampState.FAST_FLASH: (0b01, 0b01),
    LampState.NOT_AVAILABLE: (0b11, 0b11),
}
_COMMAND_BYTES = 8
# Byte 1 of DM22: the command, and how far above it 'done' and 'refused' stand.
_CLEAR_STORED, _CLEAR_ACTIVE = 1, 17
_DONE, _REFUSED = 1, 2


@dataclass(frozen=True, slots=True)
class ClearCommand:
    """A DM22 command: one code, `active` or previously active."""

    spn: int
    fmi: int
    active: bool


def diagnostic_message(lamps: Mapping[Lamp, LampState], dtcs: Iterable[Dtc]) -> bytes:
    """A list of codes: the lamps, of which those left out are 'not available', and the codes or the 'no code' zeros."""
    lamp_byte = flash_byte = 0
    for lamp in Lamp:
        bits, flash = _LAMP_BITS[lamps.get(lamp, LampState.NOT_AVAILABLE)]
        lamp_byte, flash_byte = lamp_byte << 2 | bits, flash_byte << 2 | flash
    codes = b"".join(encode_dtc(dtc) for dtc in dtcs)
    return bytes((lamp_byte, flash_byte)) + (codes or NO_CODE)


def clear_command(payload: bytes) -> ClearCommand | None:
    """What a DM22 asks for; None when it is no command or not 8 bytes long."""
    if len(payload) != _COMMAND_BYTES or payload[0] not in (_CLEAR_STORED, _CLEAR_ACTIVE):
        return None
    spn = payload[5] | payload[6] << 8 | payload[7] >> 5 << 16
    return ClearCommand(spn, payload[7] & 0x1F, payload[0] == _CLEAR_ACTIVE)


def clear_answer(command: ClearCommand, reason: int | None) -> bytes:
    """The answer to a DM22: done, or with a `reason` refused."""
    first = (_CLEAR_ACTIVE if command.active else _CLEAR_STORED) + (_DONE if reason is None else _REFUSED)
    code = encode_dtc(Dtc(command.spn, command.fmi, 0, 0))[:3]
    return bytes((first, _FILLED if reason is None else reason, _FILLED, _FILLED, _FILLED)) + code
