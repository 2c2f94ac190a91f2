"""Scripts of what controllers say second by second, as candump logs, and what was said according to the script alone.

Layouts: DM1 (PGN 65226) as SAE J1939-73, section 5.7.1, and a broadcast transport of it as SAE J1939-21, section
5.10; engine speed in bytes 4 and 5 of EEC1 (PGN 61444), 0.125 rpm a bit (SAE J1939-71, section 5.3.7).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

Code = tuple[int, int]
START_S = 1_764_000_000


class Says(NamedTuple):
    """At a second, a controller lists these codes in the DM of that group (65226 is DM1)."""

    second: float
    address: int
    codes: Sequence[Code] = ()
    channel: str = "can0"
    pgn: int = 65226
    count: int = 1
    lamps: int = 0x04


class Turns(NamedTuple):
    """At a second, the engine's controller sends its speed."""

    second: float
    rpm: float = 0.0
    channel: str = "can0"


def every_second(
    first: int, end: int, address: int = 0, codes: Sequence[Code] = (), *, rpm: float | None = 0.0,
    channel: str = "can0",
) -> list[Says | Turns]:
    """DM1 once a second, and the engine's speed between, in [first, end)."""
    said: list[Says | Turns] = []
    for second in range(first, end):
        if rpm is not None:
            said.append(Turns(second, rpm, channel))
        said.append(Says(second + 0.1, address, codes, channel))
    return said


def log(script: Iterable[Says | Turns], start_s: int = START_S) -> str:
    """The script as `candump -L` writes it, in the order given."""
    return "".join(line for each in script for line in _lines(each, start_s))


def _lines(each: Says | Turns, start_s: int) -> list[str]:
    at_us = round((start_s + each.second) * 1_000_000)
    if isinstance(each, Turns):
        speed = round(each.rpm / 0.125).to_bytes(2, "little").hex().upper()
        return [_line(at_us, each.channel, f"0CF00400#FFFFFF{speed}FFFFFF")]
    body = b"".join(
        (spn & 0xFFFF).to_bytes(2, "little") + bytes((spn >> 16 << 5 | fmi, each.count)) for spn, fmi in each.codes
    )
    payload = bytes((each.lamps, 0xFF)) + (body or bytes(4))
    if len(payload) <= 8:
        data = payload.ljust(8, b"\xff").hex().upper()
        return [_line(at_us, each.channel, f"18{each.pgn:04X}{each.address:02X}#{data}")]
    packets = [payload[place : place + 7].ljust(7, b"\xff") for place in range(0, len(payload), 7)]
    announce = f"20{len(payload).to_bytes(2, 'little').hex()}{len(packets):02x}ff{each.pgn.to_bytes(3, 'little').hex()}"
    lines = [_line(at_us - len(packets), each.channel, f"1CECFF{each.address:02X}#{announce.upper()}")]
    for number, packet in enumerate(packets, 1):
        data = f"{number:02x}{packet.hex()}".upper()
        lines.append(_line(at_us - len(packets) + number, each.channel, f"1CEBFF{each.address:02X}#{data}"))
    return lines


def _line(at_us: int, channel: str, frame: str) -> str:
    return f"({at_us // 1_000_000}.{at_us % 1_000_000:06d}) {channel} {frame}\n"
