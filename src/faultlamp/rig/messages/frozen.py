"""What was stored at the moment a code became active.

Layouts: SAE J1939-73 sections 5.7.4 (DM4), 5.7.24 (DM24) and 5.7.25 (DM25), from memory.

    DM4   each frame: 12, the code 4, torque mode, boost, engine speed 2, load, coolant temperature, vehicle speed 2
    DM25  each frame: its length, the code 4, then the readings that DM24 names, in its order
    DM24  each reading: SPN in 19 bits, five bits of which the lower three say with 0 'there': bit 1 in the expanded
          freeze frame, bit 2 in the data stream, bit 3 in test results; then its length in bytes
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from faultlamp.j1939.diagnostics import Dtc, encode_dtc

DM4_PGN = 65229
DM24_PGN = 64950
DM25_PGN = 64951

# The readings of DM4 in their order, and how many bytes each takes.
FREEZE_FRAME_SPNS = {899: 1, 102: 1, 190: 2, 92: 1, 110: 1, 84: 2}

_NONE = bytes(5) + b"\xff\xff\xff"
_NOT_FROZEN, _NOT_SENT, _NOT_TESTED = 0b001, 0b010, 0b100
_RESERVED = 0b11000


def freeze_frames(frames: Iterable[tuple[Dtc, bytes]]) -> bytes:
    """DM4 or DM25: each code with the bytes of its readings; a length of 0 where there is none."""
    parts = [encode_dtc(dtc) + readings for dtc, readings in frames]
    return b"".join(bytes((len(part),)) + part for part in parts) or _NONE


def supported_spns(frozen: Sequence[tuple[int, int]], sent: Iterable[int], tested: Iterable[int]) -> bytes:
    """DM24: the SPNs of the expanded freeze frame with their lengths in bytes, then those only sent or tested."""
    lengths, streamed, results = dict(frozen), set(sent), set(tested)
    parts = []
    for spn in [*lengths, *sorted((streamed | results) - set(lengths))]:
        flags = _RESERVED
        flags |= 0 if spn in lengths else _NOT_FROZEN
        flags |= 0 if spn in streamed else _NOT_SENT
        flags |= 0 if spn in results else _NOT_TESTED
        parts.append(bytes((spn & 0xFF, spn >> 8 & 0xFF, spn >> 16 << 5 | flags, lengths.get(spn, 0))))
    return b"".join(parts)
