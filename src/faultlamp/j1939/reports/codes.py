"""Lists of trouble codes that come on request: DM2, DM6, DM12, DM23, DM27, DM28 have the layout of DM1.

Rule: SAE J1939-73, section 5.7.1. A whole list has the two lamp bytes and at least the four bytes of one code or of
'no code'; a shorter answer is no list, and above all not an empty one.
"""

from __future__ import annotations

from faultlamp.j1939.diagnostics import CURRENT_METHOD, DiagnosticReport, decode_report

SHORTEST = 6


def decode_codes(dm: int, payload: bytes, method: int = CURRENT_METHOD) -> DiagnosticReport | None:
    """Lamps and codes of DM number `dm`; None when it is too short to hold a code."""
    return decode_report(dm, payload, method) if len(payload) >= SHORTEST else None
