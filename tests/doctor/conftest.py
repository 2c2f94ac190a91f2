"""A python-can that knows no configuration of this computer, and virtual channels that no two tests share."""

from collections.abc import Iterator

import can
import pytest

from faultlamp.bus.options import BusSettings
from support.virtual_bus import settings, unconfigured

__all__ = ["peer", "settings", "unconfigured"]


@pytest.fixture
def peer(settings: BusSettings) -> Iterator[can.BusABC]:
    """Another participant on that channel, straight from python-can."""
    with can.Bus(interface="virtual", channel=settings.channel, ignore_config=True) as bus:
        yield bus
