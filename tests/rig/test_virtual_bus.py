"""The rig in real time on python-can's virtual bus, asked by python-can frames made by hand."""

import time
from collections.abc import Callable, Iterator
from pathlib import Path
from threading import Thread

import can
import pytest

from faultlamp.bus.virtual_rig import VirtualRig
from faultlamp.cli.main import main

PATIENCE_S = 10


def send(bus: can.BusABC, can_id: int, data: str) -> None:
    """A frame in the standard's notation."""
    bus.send(can.Message(arbitration_id=can_id, is_extended_id=True, data=bytes.fromhex(data)))


def wait_for(bus: can.BusABC, wanted: Callable[[can.Message], bool]) -> can.Message:
    """The first frame of that kind; fails when none comes."""
    deadline = time.monotonic() + PATIENCE_S
    while time.monotonic() < deadline:
        message = bus.recv(0.1)
        if message is not None and wanted(message):
            return message
    raise AssertionError("it did not come")


@pytest.fixture
def peer() -> Iterator[tuple[VirtualRig, can.BusABC]]:
    """The rig, playing, and a node on its channel that has heard the engine."""
    rig = VirtualRig("awkward-pump")
    with rig, can.Bus(interface="virtual", channel=rig.settings.channel, ignore_config=True) as bus:
        rig.start()
        wait_for(bus, lambda message: message.arbitration_id == 0x18EEFF00)
        yield rig, bus


def test_the_virtual_rig_answers_by_connection(peer: tuple[VirtualRig, can.BusABC]) -> None:
    """Request, RTS, CTS, packets, acknowledgement: SAE J1939-21, section 5.10.3, all frames by hand."""
    _, bus = peer
    send(bus, 0x18EA00F9, "EC FE 00")
    rts = wait_for(bus, lambda message: message.arbitration_id == 0x1CECF900)
    assert rts.data.hex() == "10120003ffecfe00"
    send(bus, 0x1CEC00F9, "11 03 01 FF FF EC FE 00")
    packets = [wait_for(bus, lambda message: message.arbitration_id == 0x1CEBF900).data for _ in range(3)]
    send(bus, 0x1CEC00F9, "13 12 00 03 FF EC FE 00")
    assert [packet[0] for packet in packets] == [1, 2, 3]
    assert b"".join(bytes(packet[1:]) for packet in packets)[:18] == b"INVENTEDPUMPSET01*"


def test_the_virtual_rig_clears(peer: tuple[VirtualRig, can.BusABC]) -> None:
    """DM11 to the engine, which stands still: acknowledged; its stored codes are gone from DM2 then."""
    _, bus = peer
    send(bus, 0x18EA00F9, "D3 FE 00")
    answer = wait_for(bus, lambda message: message.arbitration_id == 0x18E8FF00)
    assert answer.data.hex() == "00fffffff9d3fe00"
    send(bus, 0x18EA00F9, "CB FE 00")
    assert wait_for(bus, lambda message: message.arbitration_id == 0x18FECB00).data[2:6].hex() == "00000000"


def test_a_flood_does_not_stop_the_scenario(peer: tuple[VirtualRig, can.BusABC]) -> None:
    """After 3,000 requests as fast as they can come, EEC1 goes on, and the next question is answered."""
    _, bus = peer
    for number in range(3000):
        send(bus, 0x18EAFF00 | number % 200 + 20, "CB FE 00")
    for _ in range(20):
        wait_for(bus, lambda message: message.arbitration_id == 0x0CF00400)
    send(bus, 0x18EA00F9, "00 C1 00")
    assert wait_for(bus, lambda message: message.arbitration_id == 0x18C1F900).data[0] == 0


def test_the_command_answers_too(tmp_path: Path, small: str) -> None:
    """`faultlamp rig` on a bus answers the request of another node there, and ends with its scenario."""
    path = tmp_path / "short.toml"
    path.write_text(small.replace("duration_s = 10", "duration_s = 0.5").replace("duration_s = 5", "duration_s = 1.5")
                    .replace("duration_s = 3", "duration_s = 0.1").replace("over_s = 4", "over_s = 0.4"))
    codes: list[int] = []
    words = ["rig", str(path), "-i", "virtual", "-c", "rig-answers"]
    with can.Bus(interface="virtual", channel="rig-answers", ignore_config=True) as bus:
        thread = Thread(target=lambda: codes.append(main(words)))
        thread.start()
        wait_for(bus, lambda message: message.arbitration_id == 0x18EEFF00)
        send(bus, 0x18EA00F9, "00 EE 00")
        assert wait_for(bus, lambda message: message.arbitration_id == 0x18EEFF00).data.hex() == "0000e0ff00000000"
        send(bus, 0x18EA00F9, "CB FE 00")
        assert wait_for(bus, lambda message: message.arbitration_id == 0x18FECB00).data[0] == 0x55
        thread.join(PATIENCE_S)
    assert codes == [0]
