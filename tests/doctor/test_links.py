"""What Linux says of a link: netlink messages built by hand, and the kernel of this machine."""

import socket
import struct
import sys
from pathlib import Path

import pytest

from faultlamp.doctor import links
from faultlamp.doctor.links import Link, parse_link, read_link

# linux/rtnetlink.h, linux/if_link.h, linux/can/netlink.h
NEWLINK, IFNAME, LINKINFO, INFO_KIND, INFO_DATA = 16, 3, 18, 1, 2
BITTIMING, STATE, CTRLMODE, NESTED = 1, 4, 5, 0x8000


def attribute(kind: int, payload: bytes) -> bytes:
    """rtnetlink(7): length without padding, type, payload, padding to four bytes."""
    return struct.pack("=HH", 4 + len(payload), kind) + payload + bytes(-len(payload) % 4)


def message(attributes: bytes, *, flags: int = 1, kind: int = NEWLINK) -> bytes:
    """An answer about interface 3 of device type 280 (ARPHRD_CAN)."""
    body = struct.pack("=BBHiII", 0, 0, 280, 3, flags, 0) + attributes
    return struct.pack("=IHHII", 16 + len(body), kind, 0, 1, 0) + body


def can_info(*parts: bytes, kind: bytes = b"can\0", nested: int = 0) -> bytes:
    """IFLA_LINKINFO of a link."""
    return attribute(LINKINFO | nested, attribute(INFO_KIND, kind) + attribute(INFO_DATA | nested, b"".join(parts)))


def timing(bit_rate: int) -> bytes:
    """struct can_bittiming: bitrate, sample_point, tq, prop_seg, phase_seg1, phase_seg2, sjw, brp."""
    return attribute(BITTIMING, struct.pack("=8I", bit_rate, 875, 250, 6, 7, 2, 1, 2))


@pytest.mark.parametrize(
    ("answer", "link"),
    [
        pytest.param(
            message(attribute(IFNAME, b"can0\0") + can_info(
                timing(250_000), attribute(STATE, struct.pack("=I", 0)),
                attribute(CTRLMODE, struct.pack("=II", 0xFFFFFFFF, 0x02)))),
            Link("can0", True, "can", 250_000, "ERROR-ACTIVE", True), id="listen-only",
        ),
        pytest.param(
            message(can_info(timing(500_000), attribute(STATE, struct.pack("=I", 3)),
                             attribute(CTRLMODE, struct.pack("=II", 0xFFFFFFFF, 0x11)), nested=NESTED)),
            Link("can0", True, "can", 500_000, "BUS-OFF", False), id="bus-off-and-acknowledging",
        ),
        pytest.param(
            message(can_info(timing(0), attribute(STATE, struct.pack("=I", 4))), flags=0),
            Link("can0", False, "can", None, "STOPPED"), id="down-and-never-configured",
        ),
        pytest.param(message(can_info(kind=b"vcan\0")), Link("can0", True, "vcan"), id="vcan"),
        pytest.param(message(can_info(attribute(STATE, struct.pack("=I", 17)), kind=b"\x1b[2J\0")),
                     Link("can0", True, "·[2J", state="state 17"), id="unheard-of"),
        pytest.param(message(b""), Link("can0", True), id="no-attributes"),
    ],
)
def test_an_answer_is_read(answer: bytes, link: Link) -> None:
    """Up, kind, bit rate, error state and listen-only, as linux/can/netlink.h lays them out."""
    assert parse_link(Link("can0"), answer) == link


@pytest.mark.parametrize(
    "answer",
    [
        pytest.param(b"", id="empty"),
        pytest.param(message(b"", kind=2), id="an-error-message"),
        pytest.param(message(can_info(timing(250_000)))[:40], id="cut-off"),
        pytest.param(message(struct.pack("=HH", 2, LINKINFO)), id="attribute-without-length"),
        pytest.param(message(struct.pack("=HH", 400, LINKINFO)), id="attribute-too-long"),
        pytest.param(message(can_info(attribute(STATE, b"\0"))), id="state-too-short"),
    ],
)
def test_a_broken_answer_is_refused(answer: bytes) -> None:
    """And nothing else happens: no endless loop, no index error."""
    with pytest.raises((ValueError, struct.error)):
        parse_link(Link("can0"), answer)


@pytest.mark.skipif(sys.platform != "linux", reason="asks the Linux kernel")
def test_the_kernel_of_this_machine_answers() -> None:
    """The loopback interface is there on any Linux; it has no controller."""
    flags = int(Path("/sys/class/net/lo/flags").read_text(), 16)
    assert read_link("lo") == Link("lo", up=bool(flags & 1))
    # The question itself is answered: without that the line above would hold by the file alone.
    answer = links._ask("lo")
    assert struct.unpack_from("=H", answer, 4) == (NEWLINK,)
    assert struct.unpack_from("=i", answer, 20) == (socket.if_nametoindex("lo"),)


def test_a_link_that_is_not_there_is_a_name() -> None:
    """Nothing is known, nothing raised; also for a name that no interface can have."""
    assert read_link("nolink0") == Link("nolink0")
    assert read_link("../../x\0") == Link("../../x\0")
