"""The shipped layouts as JSON, made from the DBC: reading this takes milliseconds, importing a DBC parser does not.

The DBC stays the source of truth: the JSON names the digest of the DBC that it was made from and counts for nothing
beside any other. After a change of the DBC make it again:

    python -m faultlamp.knowledge.compiled
"""

from __future__ import annotations

import hashlib
import json
from decimal import Decimal
from pathlib import Path
from typing import Any

from faultlamp.j1939.readings import GroupLayout, SignalLayout

PLACE = Path(__file__).parent / "data" / "layouts.json"

# Whole numbers and texts of a signal that JSON holds as they are. The shipped DBC has no others: no multiplexers, no
# floats, nothing signed or big-endian.
_PLAIN = ("start_bit", "bit_length", "spn", "name", "unit", "lowest_raw", "highest_raw")


def compiled(dbc: bytes) -> dict[int, GroupLayout] | None:
    """The groups, when the JSON was made from exactly this DBC; else None."""
    try:
        document = json.loads(PLACE.read_bytes())
    except (OSError, ValueError):
        return None
    if document["made_from"] != _digest(dbc):
        return None
    return {
        group["pgn"]: GroupLayout(
            group["pgn"], group["acronym"], group["cycle_time_ms"], group["length"],
            tuple(map(_signal, group["signals"])),
        )
        for group in document["groups"]
    }


def text_of(groups: dict[int, GroupLayout], dbc: bytes) -> str:
    """The JSON of the groups, read from that DBC. Raises ValueError for a signal that it cannot hold."""
    document = {
        "made_from": _digest(dbc),
        "groups": [
            {
                "pgn": group.pgn, "acronym": group.acronym, "cycle_time_ms": group.cycle_time_ms,
                "length": group.length, "signals": [_members(signal) for signal in group.signals],
            }
            for group in groups.values()
        ],
    }
    return json.dumps(document, indent=1) + "\n"


def _members(signal: SignalLayout) -> dict[str, Any]:
    if signal.big_endian or signal.signed or signal.is_float or signal.selectors:
        raise ValueError(f"{signal.name}: only plain unsigned little-endian signals are held here")
    return {
        **{name: getattr(signal, name) for name in _PLAIN},
        "scale": str(signal.scale), "offset": str(signal.offset), "states": dict(signal.states),
    }


def _signal(members: dict[str, Any]) -> SignalLayout:
    return SignalLayout(
        **{name: members[name] for name in _PLAIN},
        scale=Decimal(members["scale"]), offset=Decimal(members["offset"]),
        states={int(number): word for number, word in members["states"].items()},
    )


def _digest(dbc: bytes) -> str:
    # Line ends may differ from checkout to checkout.
    return hashlib.sha256(dbc.replace(b"\r\n", b"\n")).hexdigest()


if __name__ == "__main__":
    from faultlamp.knowledge.layouts import SHIPPED_DBC, read_dbc

    PLACE.write_text(text_of(read_dbc(SHIPPED_DBC)[0], SHIPPED_DBC.read_bytes()), encoding="utf-8")
