"""The bit rate by which the dashboard judges the load of a bus: told by whoever knows it."""

from types import SimpleNamespace
from typing import Any

import pytest

from faultlamp.bus.options import BusSettings
from faultlamp.cli.listening import Ear
from faultlamp.doctor.links import Link


def ear(interface: str, bitrate: int | None, rig: Any = None) -> Ear:
    """Something that is listened to."""
    source: Any = SimpleNamespace(settings=BusSettings(interface, "can0", bitrate))
    return Ear(source, "title", bitrate, rig)


@pytest.mark.parametrize(
    ("interface", "bitrate", "known"),
    [
        pytest.param("slcan", 250_000, 250_000, id="as asked for"),
        pytest.param("slcan", None, None, id="not asked for"),
        pytest.param("virtual", 250_000, None, id="a bus without bits"),
        pytest.param("socketcan", 250_000, 500_000, id="the link's own, whatever was asked for"),
    ],
)
def test_who_tells_the_bit_rate(
    interface: str, bitrate: int | None, known: int | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A SocketCAN link has the one that `ip link` gave it (linux/can/netlink.h, bit timing)."""
    monkeypatch.setattr("faultlamp.doctor.links.read_link", lambda name: Link(name, bit_rate=500_000))
    assert ear(interface, bitrate).bit_rate == known


def test_the_simulated_engine_has_that_of_its_scenario() -> None:
    """Although its bus has no bits."""
    rig = SimpleNamespace(scenario=SimpleNamespace(bit_rate=500_000))
    assert ear("virtual", None, rig).bit_rate == 500_000
