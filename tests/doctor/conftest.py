"""A python-can that knows no configuration of this computer, virtual channels of one test alone, drivers made up."""

from collections.abc import Iterator
from itertools import count
from pathlib import Path

import can
import pytest

from faultlamp.bus.options import BusSettings

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
    return BusSettings("virtual", f"doctor{next(_numbers)}")


@pytest.fixture
def peer(settings: BusSettings) -> Iterator[can.BusABC]:
    """Another participant on that channel, straight from python-can."""
    with can.Bus(interface="virtual", channel=settings.channel, ignore_config=True) as bus:
        yield bus
