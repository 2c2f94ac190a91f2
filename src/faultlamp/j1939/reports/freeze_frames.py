"""What a controller remembers of the moment in which a code came: DM4, DM24 and DM25.

Rule: SAE J1939-73, sections 5.7.4, 5.7.24 and 5.7.25 (layouts from memory).

    DM4   each frame: byte 1 how many bytes follow | 2-5 code | 6 torque mode | 7 boost | 8-9 engine speed | 10 load
          | 11 coolant temperature | 12-13 vehicle speed | 14 on as the maker likes
    DM24  each suspect parameter, 4 bytes: SPN bits 0-7 | bits 8-15 | bits 16-18 above five flags | bytes in DM25
          flags, 0 for yes: bit 1 in DM25, bit 2 in the data stream, bit 3 in scaled test results
    DM25  each frame: byte 1 how many bytes follow | 2-5 code | the parameters in the order of DM24

A length of 0 ends either list. What does not fit is left over, never guessed.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from faultlamp.j1939.diagnostics import CURRENT_METHOD, Dtc, decode_dtc, is_no_fault
from faultlamp.j1939.readings import Reading
from faultlamp.j1939.reports.quantities import group, quantity, read

FREEZE_FRAME_PGN = 65229
SUPPORTED_SPNS_PGN = 64950
EXPANDED_FREEZE_FRAME_PGN = 64951

_CODE_BYTES = 4
_STANDARD_BYTES = 8
_FILLING = 0xFF
_SUPPORT_BYTES = 4
# Places count from the byte after the code.
_STANDARD = group(
    FREEZE_FRAME_PGN, "DM4", _STANDARD_BYTES,
    quantity(899, "Engine Torque Mode", 1, 1),
    quantity(102, "Engine Intake Manifold 1 Pressure", 2, 1, "kPa", scale="2"),
    quantity(190, "Engine Speed", 3, 2, "rpm", scale="0.125"),
    quantity(92, "Engine Percent Load At Current Speed", 5, 1, "%"),
    quantity(110, "Engine Coolant Temperature 1", 6, 1, "degC", offset="-40"),
    quantity(84, "Wheel-Based Vehicle Speed", 7, 2, "km/h", scale="0.00390625"),
)


@dataclass(frozen=True, slots=True)
class FreezeFrame:
    """One moment. readings: those that the standard names. maker_specific: what the maker added, as it came."""

    dtc: Dtc
    readings: tuple[Reading, ...]
    maker_specific: bytes


@dataclass(frozen=True, slots=True)
class FreezeFrames:
    """DM4. left_over: how many bytes at the end were no whole frame."""

    frames: tuple[FreezeFrame, ...]
    left_over: int = 0


@dataclass(frozen=True, slots=True)
class SupportedSpn:
    """A line of DM24. length: bytes that it takes in an expanded freeze frame."""

    spn: int
    in_expanded_freeze_frame: bool
    in_data_stream: bool
    in_test_results: bool
    length: int


@dataclass(frozen=True, slots=True)
class SupportedSpns:
    """DM24."""

    spns: tuple[SupportedSpn, ...]


@dataclass(frozen=True, slots=True)
class ExpandedFreezeFrame:
    """One moment. data: the parameters one behind the other; `split_data` takes them apart."""

    dtc: Dtc
    data: bytes


@dataclass(frozen=True, slots=True)
class ExpandedFreezeFrames:
    """DM25. left_over: how many bytes at the end were no whole frame."""

    frames: tuple[ExpandedFreezeFrame, ...]
    left_over: int = 0


def decode_freeze_frames(payload: bytes, method: int = CURRENT_METHOD) -> FreezeFrames | None:
    """DM4; None when there are bytes and not one whole frame in them."""
    found = _split(payload, method)
    if found is None:
        return None
    moments, left_over = found
    return FreezeFrames(
        tuple(
            FreezeFrame(dtc, read(_STANDARD, data[:_STANDARD_BYTES]), data[_STANDARD_BYTES:]) for dtc, data in moments
        ),
        left_over,
    )


def decode_expanded_freeze_frames(payload: bytes, method: int = CURRENT_METHOD) -> ExpandedFreezeFrames | None:
    """DM25; None when there are bytes and not one whole frame in them."""
    found = _split(payload, method)
    if found is None:
        return None
    moments, left_over = found
    return ExpandedFreezeFrames(tuple(ExpandedFreezeFrame(dtc, data) for dtc, data in moments), left_over)


def decode_supported_spns(payload: bytes) -> SupportedSpns | None:
    """DM24; None when it is not a whole number of lines, apart from filling."""
    body = payload
    while len(body) % _SUPPORT_BYTES and body[-1:] == bytes((_FILLING,)):
        body = body[:-1]
    if not body or len(body) % _SUPPORT_BYTES:
        return None
    lines = (body[at : at + _SUPPORT_BYTES] for at in range(0, len(body), _SUPPORT_BYTES))
    return SupportedSpns(
        tuple(
            SupportedSpn(
                line[0] | line[1] << 8 | line[2] >> 5 << 16, not line[2] & 1, not line[2] & 2, not line[2] & 4, line[3]
            )
            for line in lines
            if line not in (b"\xff\xff\xff\xff", b"\0\0\0\0")
        )
    )


def split_data(data: bytes, supported: SupportedSpns) -> tuple[tuple[int, bytes], ...] | None:
    """The parameters of an expanded freeze frame as (SPN, bytes); None when the data does not have their length."""
    wanted = [line for line in supported.spns if line.in_expanded_freeze_frame]
    if sum(line.length for line in wanted) != len(data):
        return None
    parts, at = [], 0
    for line in wanted:
        parts.append((line.spn, data[at : at + line.length]))
        at += line.length
    return tuple(parts)


def _split(payload: bytes, method: int) -> tuple[list[tuple[Dtc, bytes]], int] | None:
    if not payload:
        return None
    moments: list[tuple[Dtc, bytes]] = []
    at = 0
    for start, stop in _places(payload):
        dtc = decode_dtc(payload[start : start + _CODE_BYTES], method)
        if not is_no_fault(dtc.spn, dtc.fmi):
            moments.append((dtc, payload[start + _CODE_BYTES : stop]))
        at = stop
    rest = payload[at:]
    ended = not rest or rest[0] == 0 or not rest.strip(bytes((_FILLING,)))
    if not ended and at == 0:
        return None
    return moments, 0 if ended else len(rest)


def _places(payload: bytes) -> Iterator[tuple[int, int]]:
    """Where each whole frame starts, behind its length byte, and stops."""
    at = 0
    while at < len(payload):
        start, stop = at + 1, at + 1 + payload[at]
        if payload[at] < _CODE_BYTES or stop > len(payload):
            return
        yield start, stop
        at = stop
