"""Realistic mixed traffic as a candump log, for the benchmarks. Invented; seeded, so that every run sees the same.

    python tests/bench/traffic.py FRAMES > FILE

About 1,500 frames a second, as a machine of four controllers at 500 kbit/s sends them: engine groups at their standard
rates, other controllers' groups, one DM1 a second from each of three controllers and a three-packet one from the
engine, and one per cent of 11-bit frames. Values wander as measurements do: from frame to frame two bytes change a
little.
"""

from __future__ import annotations

import random
import sys
from collections.abc import Iterator

# Identifier and how many of a thousand frames have it.
_MIX = (
    ("0CF00400", 330), ("0CF00300", 130), ("18FEF200", 70), ("18FEF100", 70), ("0CF00203", 130), ("18F0053D", 60),
    ("18F00E51", 60), ("18F00F52", 60), ("18FEEF00", 20), ("18FEF600", 20), ("18FEEE00", 10), ("18FEF700", 10),
    ("18FEF500", 10), ("18FE563D", 10), ("3A5", 10),
)
_SECOND = 1_500


def lines(count: int, *, seed: int = 3, start_s: int = 1_700_000_000) -> Iterator[str]:
    """`count` lines of a candump log."""
    rng = random.Random(seed)
    ids, weights = [name for name, _ in _MIX], [weight for _, weight in _MIX]
    time_us = start_s * 1_000_000
    written = 0
    payloads = {name: [rng.randrange(20, 230) for _ in range(8)] for name in ids}

    def line(frame: str, step_us: int) -> str:
        nonlocal time_us, written
        time_us += step_us
        written += 1
        return f"({time_us // 1_000_000}.{time_us % 1_000_000:06d}) can0 {frame}\n"

    while written < count:
        for packet in ("18ECFF00#200E0002FFCAFE00", "18EBFF00#0114FF640001056E", "18EBFF00#0200100208F0FF7F"):
            yield line(packet, 55_000)
        for source in ("3D", "17", "0B"):
            yield line(f"18FECA{source}#00FF00000000FFFF", 600)
        for can_id in rng.choices(ids, weights, k=_SECOND - 6):
            if can_id == "0CF00400":
                data = f"F07D7D{rng.randrange(256):02X}{rng.randrange(20, 60):02X}FFF0FF"
            else:
                payload = payloads[can_id]
                for _ in range(2):
                    at = rng.randrange(8)
                    payload[at] = min(max(payload[at] + rng.randint(-2, 2), 0), 250)
                data = bytes(payload).hex().upper()
            yield line(f"{can_id}#{data}", 556)


def write(path: str, count: int) -> None:
    """A file of exactly `count` lines."""
    with open(path, "w", encoding="ascii") as file:
        for number, text in enumerate(lines(count)):
            if number == count:
                break
            file.write(text)


if __name__ == "__main__":
    try:
        for number, text in enumerate(lines(int(sys.argv[1]))):
            if number == int(sys.argv[1]):
                break
            sys.stdout.write(text)
    except BrokenPipeError:
        sys.stderr.close()
