"""`faultlamp doctor` on the kernel's own links: a virtual one, and one of its slcan driver with an adapter behind."""

import fcntl
import json
import os
import socket
import struct
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from kernel_bus import BUS, DM1, Code, Node, diagnostic_message

from faultlamp.bus.offers import can_links
from faultlamp.cli.main import main
from faultlamp.doctor.links import Link, read_link
from faultlamp.frames import Frame
from support.serial_adapter import SerialAdapter

pytestmark = pytest.mark.kernel

# <asm/ioctls.h>, <linux/tty.h>, <linux/sockios.h>, <linux/if.h>
TIOCSETD, N_SLCAN, SIOCSIFFLAGS, IFF_UP = 0x5423, 17, 0x8914, 1
# <linux/rtnetlink.h>, <linux/if_link.h>, <linux/can/netlink.h>
RTM_NEWLINK, NLM_F_REQUEST_ACK, IFLA_LINKINFO, IFLA_INFO_KIND, IFLA_INFO_DATA, IFLA_CAN_BITTIMING = 16, 5, 18, 1, 2, 1
RATE = 250_000


def attribute(kind: int, payload: bytes) -> bytes:
    """rtnetlink(7): length, type, payload, padding to four bytes."""
    return struct.pack("=HH", 4 + len(payload), kind) + payload + bytes(-len(payload) % 4)


def set_bit_rate(link: str, bit_rate: int) -> None:
    """What `ip link set LINK type can bitrate RATE` does."""
    data = attribute(IFLA_CAN_BITTIMING, struct.pack("=8I", bit_rate, 0, 0, 0, 0, 0, 0, 0))
    info = attribute(IFLA_INFO_KIND, b"can\0") + attribute(IFLA_INFO_DATA, data)
    body = struct.pack("=BxHiII", 0, 0, socket.if_nametoindex(link), 0, 0) + attribute(IFLA_LINKINFO, info)
    with socket.socket(socket.AF_NETLINK, socket.SOCK_RAW, socket.NETLINK_ROUTE) as netlink:
        netlink.send(struct.pack("=IHHII", 16 + len(body), RTM_NEWLINK, NLM_F_REQUEST_ACK, 1, 0) + body)
        (error,) = struct.unpack_from("=i", netlink.recv(4096), 16)
    assert error == 0, os.strerror(-error)


def bring_up(link: str) -> None:
    """What `ip link set LINK up` does."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as control:
        fcntl.ioctl(control, SIOCSIFFLAGS, struct.pack("16sh14x", link.encode(), IFF_UP))


@pytest.fixture
def adapter() -> Iterator[SerialAdapter]:
    """An adapter in the hands of the kernel's slcan driver; it hears engine speed 50 times a second."""
    over = threading.Event()
    with SerialAdapter() as adapter:
        port = os.open(adapter.port, os.O_RDWR | os.O_NOCTTY)
        fcntl.ioctl(port, TIOCSETD, struct.pack("i", N_SLCAN))

        def talk() -> None:
            # SAE J1939-71, EEC1, from Laixer J1939: electronic_engine_controller_1_message_2.
            while not over.wait(0.02):
                adapter.deliver(Frame(0, "", 0x0CF00400, bytes.fromhex("F39191AA1800F3FF")))

        thread = threading.Thread(target=talk)
        thread.start()
        yield adapter
        over.set()
        thread.join()
        os.close(port)


def test_a_controllers_bit_rate_and_state_are_the_kernels(
    adapter: SerialAdapter, capsys: pytest.CaptureFixture[str]
) -> None:
    """Down without a rate, then up with the one that was set; the load is against it; the adapter transmits nothing."""
    (name,) = set(can_links()) - {"vcan0", "vcan1"}
    before = read_link(name)
    assert (before.up, before.bit_rate, before.state) == (False, None, "STOPPED")
    set_bit_rate(name, RATE)
    bring_up(name)
    adapter.wait_for(lambda one: one.mode)
    assert read_link(name) == Link(name, True, before.kind, RATE, "ERROR-ACTIVE", False)
    code = main(["doctor", "-i", "socketcan", "-c", name, "-b", "500000", "--for", "1", "--format", "json"])
    bus = json.loads(capsys.readouterr().out)["bus"]
    assert code == 0
    assert (bus["bit_rate"], bus["hardware_listen_only"]) == (RATE, False)
    assert [load["bit_rate"] for load in bus["load"]] == [RATE]
    assert bus["engine"]["heard"]
    assert adapter.transmitted == []


def test_a_virtual_link_has_no_bit_rate(capsys: pytest.CaptureFixture[str]) -> None:
    """Its traffic is told all the same, a fault report of the kernel's own J1939 stack among it; nothing is sent."""
    assert read_link(BUS) == Link(BUS, True, "vcan")
    counter = Path("/sys/class/net", BUS, "statistics", "tx_packets")
    before, sent, over = int(counter.read_text()), 0, threading.Event()

    def report() -> None:
        nonlocal sent
        with Node(0) as engine:
            while not over.wait(0.05):
                engine.send(DM1, diagnostic_message(b"\x04\xff", [Code(110, 3, 1)]))
                sent += 1

    thread = threading.Thread(target=report)
    thread.start()
    try:
        code = main(["doctor", "-i", "socketcan", "-c", BUS, "--for", "1", "--format", "json"])
    finally:
        over.set()
        thread.join()
    time.sleep(0.1)
    document = json.loads(capsys.readouterr().out)
    bus = document["bus"]
    assert code == 0
    assert (bus["bit_rate"], bus["hardware_listen_only"]) == (None, None)
    assert [(sender["source_address"], sender["active_faults"]) for sender in bus["senders"]] == [(0, 1)]
    assert next(driver for driver in document["interfaces"] if driver["name"] == "socketcan")["usable"]
    assert {"interface": "socketcan", "channel": BUS, "link": bus["link"]} in document["channels"]
    assert int(counter.read_text()) - before == sent
