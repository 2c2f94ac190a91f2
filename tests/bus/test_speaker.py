"""Sending on purpose, by the bus of a simulated engine, which makes a `Speaker`."""

import can
import pytest
from can.interfaces.virtual import VirtualBus

from faultlamp.bus.options import BusSettings
from faultlamp.bus.simulator import SimulatorBus
from faultlamp.errors import BusError


def test_a_frame_arrives_as_it_was_sent(settings: BusSettings, peer: can.BusABC) -> None:
    """A request for DM2 (SAE J1939-21, section 5.4.2: PGN 59904, the wanted PGN low byte first) at python-can."""
    with SimulatorBus(settings) as bus:
        bus.send(0x18EA00F9, bytes.fromhex("CBFE00"))
        heard = peer.recv(1.0)
    assert heard is not None
    assert (heard.arbitration_id, bytes(heard.data), heard.is_extended_id) == (0x18EA00F9, b"\xcb\xfe\x00", True)
    assert (heard.is_fd, heard.is_remote_frame, heard.is_error_frame) == (False, False, False)


@pytest.mark.parametrize(("can_id", "data"), [(-1, b""), (0x20000000, b""), (1, bytes(9))])
def test_what_is_no_frame_is_refused(settings: BusSettings, peer: can.BusABC, can_id: int, data: bytes) -> None:
    """More than 29 bits or 8 bytes never reach the driver."""
    with SimulatorBus(settings) as bus, pytest.raises(ValueError, match="not a frame"):
        bus.send(can_id, data)
    assert peer.recv(0.01) is None


def test_a_bus_that_does_not_take_it_is_one_line(monkeypatch: pytest.MonkeyPatch, settings: BusSettings) -> None:
    """ENOBUFS is what Linux says when nobody acknowledges; the line says what to look at."""

    def refuse(*_: object, **__: object) -> None:
        raise can.CanOperationError("Failed to transmit") from OSError(105, "No buffer space available")

    monkeypatch.setattr(VirtualBus, "send", refuse)
    words = r"cannot send on test\d+ \(virtual\): .*acknowledge"
    with SimulatorBus(settings) as bus, pytest.raises(BusError, match=words):
        bus.send(1, b"")
