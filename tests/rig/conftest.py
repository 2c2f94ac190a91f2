"""What the rig's tests share: a small scenario to vary, and ears that put messages together without our own reader."""

from collections.abc import Callable, Iterable
from pathlib import Path
from typing import NamedTuple

import pytest

from faultlamp.frames import Frame
from faultlamp.rig.loading import load_scenario
from faultlamp.rig.scenario import Scenario

SMALL = """
[scenario]
name = "small"
description = "one engine"
invented = "all of it"

[values]
110 = 85

[[ecu]]
name = "engine"
address = 0
claim = { function = 0 }
[ecu.identity]
vin = "INVENTED000000001"
[ecu.groups]
EEC1 = 100
ET1 = 1000

[[phase]]
name = "on"
kind = "key_on"
duration_s = 5
[phase.values]
190 = 0

[[phase]]
name = "run"
kind = "running"
duration_s = 10
[phase.values]
190 = { from = 800, to = 1000, over_s = 4 }

[[phase]]
name = "off"
kind = "key_off"
duration_s = 3
"""


class Heard(NamedTuple):
    """A whole message: times of all its frames, group, source, destination, bytes."""

    times_ns: tuple[int, ...]
    pgn: int
    source: int
    destination: int
    data: bytes


def listen(frames: Iterable[Frame]) -> list[Heard]:
    """Messages in the order of their last frame (SAE J1939-21, 5.2 and 5.10); for well-formed traffic only."""
    heard: list[Heard] = []
    under_way: dict[tuple[int, int], tuple[int, int, list[int], bytes]] = {}
    for frame in frames:
        source, specific, pf = frame.can_id & 0xFF, frame.can_id >> 8 & 0xFF, frame.can_id >> 16 & 0xFF
        page = frame.can_id >> 24 & 3
        if pf == 0xEC and frame.data[0] in (0x10, 0x20):
            size = int.from_bytes(frame.data[1:3], "little")
            assert frame.data[3] == -(-size // 7)
            group = int.from_bytes(frame.data[5:8], "little")
            assert (source, specific) not in under_way, "a second transfer while one is under way"
            under_way[source, specific] = group, size, [frame.time_ns], b""
        elif pf == 0xEB:
            group, size, times, data = under_way[source, specific]
            assert frame.data[0] == len(times), "a packet out of order"
            times.append(frame.time_ns)
            data += frame.data[1:]
            under_way[source, specific] = group, size, times, data
            if len(data) >= size:
                assert set(data[size:]) <= {0xFF}
                heard.append(Heard(tuple(times), group, source, specific, data[:size]))
                del under_way[source, specific]
        elif pf != 0xEC:
            group, destination = (pf << 8, specific) if pf < 240 else (pf << 8 | specific, 255)
            heard.append(Heard((frame.time_ns,), page << 16 | group, source, destination, frame.data))
    assert not under_way, "a transfer that never ends"
    return heard


@pytest.fixture(scope="session")
def ears() -> Callable[[Iterable[Frame]], list[Heard]]:
    """The function that puts messages together."""
    return listen


@pytest.fixture
def small() -> str:
    """The text of a small scenario: 5 s key on, 10 s running, 3 s off."""
    return SMALL


@pytest.fixture
def load(tmp_path: Path) -> Callable[[str], Scenario]:
    """A function that loads a scenario from its text."""

    def load_text(text: str) -> Scenario:
        path = tmp_path / "scenario.toml"
        path.write_text(text, encoding="utf-8")
        return load_scenario(path)

    return load_text
