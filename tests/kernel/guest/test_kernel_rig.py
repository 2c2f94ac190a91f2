"""`faultlamp rig` on a real interface, asked by the kernel's own J1939 stack, which does all transport on its side."""

import socket
import struct
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from kernel_bus import BUS, DM1, DM2, EVERYBODY, PROPRIETARY_A, REQUEST, Node, listeners, listening

pytestmark = pytest.mark.kernel

VIN, SUPPORTED, ACKNOWLEDGEMENT, DM11 = 65260, 64950, 0xE800, 65235
TOOL, ENGINE = 0xF9, 0x00
# SAE J1939-81: arbitrary address capable, function 129 (off-board tool, from memory), identity number 77.
TOOL_NAME = 0x80008100FFE0004D


@pytest.fixture
def tool(tmp_path: Path) -> Iterator[Node]:
    """A kernel node with a claimed address beside a playing rig whose engine stands still for two minutes."""
    command = [sys.executable, "-m", "faultlamp", "rig", "awkward-pump", "-i", "socketcan", "-c", BUS]
    with (
        (tmp_path / "rig.txt").open("wb") as file,
        listening(command, listeners() + 1, file) as rig,
        Node(TOOL, TOOL_NAME) as node,
    ):
        node.receive(DM1)  # somebody is there
        yield node
        rig.kill()


def ask(node: Node, pgn: int, address: int) -> None:
    """SAE J1939-21, section 5.4.2: a request has three bytes."""
    node.send(REQUEST, pgn.to_bytes(3, "little"), address)


def test_the_kernel_gets_long_answers(tool: Node) -> None:
    """One packet session and one of many packets by RTS/CTS, and a broadcast when everybody is asked."""
    ask(tool, VIN, ENGINE)
    assert tool.receive(VIN) == b"INVENTEDPUMPSET01*"
    ask(tool, SUPPORTED, ENGINE)
    payload = tool.receive(SUPPORTED)
    # four bytes for each parameter (SAE J1939-73, section 5.7.24); engine speed, two bytes of it frozen, comes first
    assert len(payload) > 100
    assert len(payload) % 4 == 0
    assert payload[:4].hex() == "be001c02"
    ask(tool, VIN, EVERYBODY)
    assert tool.receive(VIN) == b"INVENTEDPUMPSET01*"


def test_the_rig_takes_what_the_kernel_sends(tool: Node) -> None:
    """1785 bytes to the engine: its CTS (17) let all come, and its end-of-message acknowledgement (19) ends it."""
    with socket.socket(socket.AF_CAN, socket.SOCK_RAW, socket.CAN_RAW) as ears:
        # TP.CM from the engine to the tool, whatever the priority
        exactly = struct.pack("=II", 0x00ECF900 | socket.CAN_EFF_FLAG, 0x03FFFFFF | socket.CAN_EFF_FLAG)
        ears.setsockopt(socket.SOL_CAN_RAW, socket.CAN_RAW_FILTER, exactly)
        ears.settimeout(10)
        ears.bind((BUS,))
        tool.send(PROPRIETARY_A, bytes(range(255)) * 7, ENGINE)
        controls = [ears.recv(16)[8]]
        while controls[-1] not in (19, 255):
            controls.append(ears.recv(16)[8])
    assert controls[-1] == 19
    assert set(controls[:-1]) == {17}


def test_the_kernel_clears(tool: Node) -> None:
    """DM11 is acknowledged to the node that asked (SAE J1939-21, section 5.4.4), and the stored codes are gone."""
    ask(tool, DM11, ENGINE)
    assert tool.receive(ACKNOWLEDGEMENT).hex() == "00fffffff9d3fe00"
    ask(tool, DM2, ENGINE)
    assert tool.receive(DM2)[2:6].hex() == "00000000"
