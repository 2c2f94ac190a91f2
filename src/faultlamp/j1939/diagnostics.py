"""Diagnostic trouble codes and lamps: the layout that DM1, DM2, DM6, DM12 and DM23 share.

Rule: SAE J1939-73, section 5.7.1.

    byte 1      bits 8-7 malfunction indicator, 6-5 red stop, 4-3 amber warning, 2-1 protect lamp
    byte 2      the same places, flash
    bytes 3-6   first code: SPN bits 0-7 | SPN bits 8-15 | SPN bits 16-18 and FMI | CM and occurrence count
    bytes 7-10  next code, and so on; a remainder of one to three bytes is padding

The lamps belong to the whole message, not to a code. Where CM is 1 the bits of the SPN may stand in one of three
older orders, and the message does not tell which.
"""

from __future__ import annotations

from enum import StrEnum
from functools import lru_cache
from typing import NamedTuple

DM1 = 1
DM2 = 2

DM_BY_PGN = {65226: 1, 65227: 2, 65231: 6, 65236: 12, 64949: 23}
PGN_BY_DM = {dm: pgn for pgn, dm in DM_BY_PGN.items()}

CURRENT_METHOD = 4
METHODS = (1, 2, 3, 4)

_NO_COUNT = 127
_LONGEST_REMEMBERED = 64
_SHORTEST = 2


class Lamp(StrEnum):
    """The four lamps, in the order of byte 1 from its highest bits."""

    MALFUNCTION_INDICATOR = "malfunction_indicator"
    RED_STOP = "red_stop"
    AMBER_WARNING = "amber_warning"
    PROTECT = "protect"


class LampState(StrEnum):
    """What a controller asks a lamp to do."""

    OFF = "off"
    ON = "on"
    SLOW_FLASH = "slow_flash"
    FAST_FLASH = "fast_flash"
    RESERVED = "reserved"
    NOT_AVAILABLE = "not_available"

    @property
    def lit(self) -> bool:
        """Asked to shine, steadily or flashing."""
        return self in _LIT


_LIT = frozenset({LampState.ON, LampState.SLOW_FLASH, LampState.FAST_FLASH})
# Rows: the two lamp bits. Columns: the two flash bits, which mean something only while the lamp is on.
_LAMP_STATES = (
    (LampState.OFF,) * 4,
    (LampState.SLOW_FLASH, LampState.FAST_FLASH, LampState.ON, LampState.ON),
    (LampState.RESERVED,) * 4,
    (LampState.NOT_AVAILABLE,) * 4,
)

Lamps = tuple[LampState, LampState, LampState, LampState]

LAMP_PLACES = {lamp: place for place, lamp in enumerate(Lamp)}
"""Where each lamp's state stands in `Lamps`."""


class Dtc(NamedTuple):
    """A diagnostic trouble code. `occurrence_count` is None where the controller does not count (127)."""

    spn: int
    fmi: int
    occurrence_count: int | None
    conversion_method: int


class DiagnosticReport(NamedTuple):
    """One whole message of the DM family: `lamps` in the order of `Lamp`, `dtcs` each pair once."""

    dm: int
    lamps: Lamps
    dtcs: tuple[Dtc, ...]


def decode_dtc(four: bytes, method: int = CURRENT_METHOD) -> Dtc:
    """One code from its four bytes; `method` (1 to 4) is how to read the SPN when the CM bit is 1.

    >>> decode_dtc(bytes.fromhex("6E000382"), 4)
    Dtc(spn=110, fmi=3, occurrence_count=2, conversion_method=1)
    """
    low, middle, high, last = four
    conversion = last >> 7
    if conversion and method == 1:
        spn = low << 11 | middle << 3 | high >> 5
    elif conversion and method == 2:
        spn = middle << 11 | low << 3 | high >> 5
    else:
        spn = low | middle << 8 | high >> 5 << 16
    count = last & 0x7F
    return Dtc(spn, high & 0x1F, None if count == _NO_COUNT else count, conversion)


def encode_dtc(dtc: Dtc, method: int = CURRENT_METHOD) -> bytes:
    """The four bytes of a code; with CM 1 in the bit order of `method`. Raises ValueError for what does not fit."""
    spn, fmi, count, conversion = dtc
    if not (0 <= spn < 1 << 19 and 0 <= fmi < 32 and conversion in (0, 1) and (count is None or 0 <= count < 127)):
        raise ValueError(f"{dtc} does not fit: SPN 0..524287, FMI 0..31, count 0..126 or None, CM 0 or 1")
    if conversion and method in (1, 2):
        upper, lower, high = spn >> 11, spn >> 3 & 0xFF, spn & 7
        first, second = (upper, lower) if method == 1 else (lower, upper)
    else:
        first, second, high = spn & 0xFF, spn >> 8 & 0xFF, spn >> 16
    return bytes((first, second, high << 5 | fmi, conversion << 7 | (_NO_COUNT if count is None else count)))


def is_no_fault(spn: int, fmi: int) -> bool:
    """True for the two ways of saying 'no code': all zeros, and the older all ones."""
    return (spn, fmi) in ((0, 0), (524287, 31))


def decode_report(dm: int, payload: bytes, method: int = CURRENT_METHOD) -> DiagnosticReport | None:
    """A message of the DM family from its bytes; None when it is too short to hold the lamps.

    Controllers repeat the same bytes each second, so short ones are remembered; long ones would fill the memory.
    """
    return (_remembered if len(payload) <= _LONGEST_REMEMBERED else _decode_report)(dm, payload, method)


def _decode_report(dm: int, payload: bytes, method: int) -> DiagnosticReport | None:
    if len(payload) < _SHORTEST:
        return None
    lamp_bits, flash_bits = payload[0], payload[1]
    red, amber, protect = (_LAMP_STATES[lamp_bits >> at & 3][flash_bits >> at & 3] for at in (4, 2, 0))
    indicator = _LAMP_STATES[lamp_bits >> 6][flash_bits >> 6]
    dtcs: dict[tuple[int, int], Dtc] = {}
    for at in range(_SHORTEST, len(payload) - 3, 4):
        dtc = decode_dtc(payload[at : at + 4], method)
        pair = dtc.spn, dtc.fmi
        if is_no_fault(*pair):
            continue
        before = dtcs.get(pair)
        if before is not None and dtc.occurrence_count is None:
            dtc = dtc._replace(occurrence_count=before.occurrence_count)
        dtcs[pair] = dtc
    return DiagnosticReport(dm, (indicator, red, amber, protect), tuple(dtcs.values()))


_remembered = lru_cache(maxsize=4096)(_decode_report)
