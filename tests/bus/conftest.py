"""A python-can that knows no configuration of this computer, and virtual channels that no two tests share."""

from collections.abc import Callable, Iterator
from itertools import count
from pathlib import Path

import can
import pytest

from faultlamp.bus.options import BusSettings
from faultlamp.frames import Frame

_numbers = count()


@pytest.fixture(autouse=True)
def unconfigured(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """No configuration file, no environment variables; tests that want some set them."""
    monkeypatch.setattr("can.util.CONFIG_FILES", [str(tmp_path / "can.conf")])
    for name in ("CAN_INTERFACE", "CAN_CHANNEL", "CAN_BITRATE", "CAN_CONFIG"):
        monkeypatch.delenv(name, raising=False)


@pytest.fixture
def settings() -> BusSettings:
    """A virtual channel that nobody else uses."""
    return BusSettings("virtual", f"test{next(_numbers)}")


@pytest.fixture
def peer(settings: BusSettings) -> Iterator[can.BusABC]:
    """Another participant on that channel, straight from python-can; it may set the time stamps."""
    with can.Bus(
        interface="virtual", channel=settings.channel, preserve_timestamps=True, ignore_config=True
    ) as bus:
        yield bus


@pytest.fixture
def send(peer: can.BusABC) -> Callable[[Frame], None]:
    """Put one J1939 frame on that channel, time stamp and all."""

    def put(frame: Frame) -> None:
        peer.send(can.Message(arbitration_id=frame.can_id, data=frame.data, timestamp=frame.time_ns / 1e9))

    return put
