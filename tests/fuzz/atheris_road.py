"""The whole road under a fuzzer that is guided by coverage (needs the package `atheris`; not part of the tests).

    python tests/fuzz/atheris_road.py -max_total_time=120 [FOLDER_OF_INPUTS]

The bytes are taken as frames: four of identifier, one of flags and length, one of time, then the data. Each input
drives a fresh road; what `support.hostile` checks must hold. A finding is written to a file `crash-...` here.
"""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

try:
    import atheris
except ImportError:
    sys.exit("atheris is not installed: pip install atheris")

with atheris.instrument_imports(include=["faultlamp"]):
    from faultlamp.frames import EXTENDED, Frame
    from support.hostile import START_NS, Road

_FLAGS = (EXTENDED, EXTENDED, EXTENDED, EXTENDED | 2, 0, 4, EXTENDED | 8, EXTENDED)
_STEPS_NS = (0, 1_000, 1_000_000, 200_000_000, 800_000_000, 2_000_000_000, 6_000_000_000, -3_000_000_000)
# The groups that do more than be shown: transport both ways, DM1, DM2, EEC1, address claim, an identity.
_IDENTIFIERS = (
    0x1CECFF00, 0x1CEBFF00, 0x1CECF900, 0x1CEBF900, 0x1CEC00F9, 0x1CC8F900, 0x1CC7F900, 0x1CC800F9, 0x18FECA00,
    0x18FECB00, 0x0CF00400, 0x18EEFF00, 0x18FEEC00,
)


def frames_of(raw: bytes) -> list[Frame]:
    """The frames that the bytes spell; at most 300."""
    frames: list[Frame] = []
    time_ns, at = START_NS, 0
    while at + 6 <= len(raw) and len(frames) < 300:
        first, kind, step = raw[at], raw[at + 4], raw[at + 5]
        can_id = int.from_bytes(raw[at : at + 4], "little") & 0x1FFFFFFF
        if first & 3:
            can_id = _IDENTIFIERS[first >> 2 & 15 if first >> 2 & 15 < len(_IDENTIFIERS) else 0] + (raw[at + 1] & 3)
        length, flags = min(kind & 15, 8), _FLAGS[kind >> 5]
        time_ns += _STEPS_NS[step & 7]
        data = b"" if flags & 2 else raw[at + 6 : at + 6 + length]
        frames.append(Frame(time_ns, "can0", can_id if flags & (EXTENDED | 4) else can_id & 0x7FF, data, flags))
        at += 6 + length
    return frames


def one_input(raw: bytes) -> None:
    """What the fuzzer calls."""
    road = Road()
    road.drive(frames_of(raw), (7, 50))
    road.check()


if __name__ == "__main__":
    atheris.Setup(sys.argv, one_input)
    atheris.Fuzz()
