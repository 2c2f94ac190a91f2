"""The pump set of the rig, for the tests of the findings."""

from collections.abc import Callable
from pathlib import Path

import pytest

from faultlamp.frames import Frame
from faultlamp.rig.generator import generate
from faultlamp.rig.loading import load_scenario
from support.trouble import PUMP, SECOND, START, RigFault, rig_fault


@pytest.fixture
def pump(tmp_path: Path) -> Callable[..., list[Frame]]:
    """A function: the pump set's frames with these faults; from a second on nothing of the lost addresses is heard."""

    def frames(*faults: RigFault, lost: dict[int, float] | None = None) -> list[Frame]:
        path = tmp_path / "scenario.toml"
        path.write_text(PUMP + "".join(rig_fault(*fault) for fault in faults), encoding="utf-8")
        last_ns = {address: START + round(second * SECOND) for address, second in (lost or {}).items()}
        return [
            frame for frame in generate(load_scenario(path), START)
            if frame.time_ns < last_ns.get(frame.can_id & 0xFF, frame.time_ns + 1)
        ]

    return frames
