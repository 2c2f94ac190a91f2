"""Which machine the bus belongs to: the key under which its choices are remembered.

Rule: by the VIN (PGN 65260) that the engine sends, or else the lowest address that sends one; else by the NAME in the
engine's address claim (PGN 60928, SAE J1939-81, section 4.1, from memory), whose identity number makes it one of its
kind. A VIN or NAME that could be any machine's, all of one character for instance, is passed over.

Texts off the bus are hostile: a VIN counts only as 5 to 32 figures, letters and hyphens. ISO 3779 has 17 of them;
machines that are no road vehicles have numbers of other lengths.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

import numpy as np

from faultlamp.frames import EXTENDED, FrameBlock
from faultlamp.j1939.address import NAME_BYTES, Name

_CLAIM = np.uint32(0xEE00)
_FORMAT = np.uint32(0x3FF00)
_PLAUSIBLE = re.compile(r"[A-Z0-9-]{5,32}")


class EngineName:
    """The latest NAME that was claimed for the engine's address; None while there was none."""

    def __init__(self, engine_address: int) -> None:
        self.name: Name | None = None
        self._address = np.uint32(engine_address)

    def feed_block(self, block: FrameBlock) -> None:
        """Take many frames."""
        identifiers = block.can_id
        claims = np.flatnonzero(
            (identifiers >> np.uint32(8) & _FORMAT == _CLAIM) & (identifiers & np.uint32(0xFF) == self._address)
            & (block.flags == EXTENDED) & (block.length == NAME_BYTES)
        )
        if len(claims):
            self.name = Name.from_bytes(int(block.data[claims[-1]]).to_bytes(NAME_BYTES, "little"))


def machine_key(identities: Mapping[tuple[str, int, int], bytes], engine: int, name: Name | None) -> str | None:
    """`VIN ...` or `NAME ...`; None while nothing says which machine it is.

    identities: texts by channel, source address and group. engine: the engine's address. name: its NAME.
    """
    from faultlamp.j1939.reports.identity import VIN_PGN, decode_vin  # not needed before the first frames

    sources = [key for key in identities if key[2] == VIN_PGN]
    for source in sorted(sources, key=lambda key: (key[1] != engine, key)):
        texts = decode_vin(identities[source])
        vin = texts.fields[0][1].upper() if texts else ""
        if _PLAUSIBLE.fullmatch(vin) and len(set(vin)) > 1:
            return f"VIN {vin}"
    if name is None or name.identity_number in (0, (1 << 21) - 1):
        return None
    return f"NAME {int(name):016X}"
