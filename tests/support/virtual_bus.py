"""python-can's virtual bus for one test alone, on a python-can that knows no configuration of this computer."""

from __future__ import annotations

from itertools import count
from pathlib import Path

import can
import pytest
from can.interfaces.virtual import VirtualBus

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
    return BusSettings("virtual", f"test{next(_numbers)}")


def note_sent(monkeypatch: pytest.MonkeyPatch, peer: can.BusABC) -> list[can.Message]:
    """The list of what is sent from now on: counted at every driver object but the peer."""
    sent: list[can.Message] = []
    real = VirtualBus.send

    def note(bus: VirtualBus, message: can.Message, timeout: float | None = None) -> None:
        if bus is not peer:
            sent.append(message)
        real(bus, message, timeout)

    monkeypatch.setattr(VirtualBus, "send", note)
    monkeypatch.setattr(can.BusABC, "send_periodic", lambda *_, **__: sent.append(can.Message()))
    return sent


def check_that_sending_is_noted(sent: list[can.Message], peer: can.BusABC, settings: BusSettings) -> None:
    """After silence: a bus that does send is noticed, by the list and by the peer."""
    with can.Bus(interface="virtual", channel=settings.channel, ignore_config=True) as other:
        other.send(can.Message(arbitration_id=1))
    assert len(sent) == 1
    assert peer.recv(0.5) is not None
