"""A python-can that knows no configuration of this computer, and virtual channels that no two tests share."""

from collections.abc import Callable, Iterator

import can
import pytest

from faultlamp.bus.options import BusSettings
from faultlamp.frames import Frame
from support.virtual_bus import settings, unconfigured

__all__ = ["peer", "send", "settings", "unconfigured"]


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
