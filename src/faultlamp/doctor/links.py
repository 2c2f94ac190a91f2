"""What Linux knows of a CAN network interface: up or down, bit rate, error state, listen-only.

Rule: rtnetlink(7) RTM_GETLINK, with the attributes of linux/if_link.h and linux/can/netlink.h. Reading needs no
privilege. Up or down stands in /sys/class/net as well, in case the question is not answered. A virtual link (vcan)
has neither bit rate nor error state.
"""

from __future__ import annotations

import socket
import struct
import sys
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

from faultlamp.text import printable

# linux/rtnetlink.h, linux/netlink.h, linux/if_link.h, linux/if.h
_RTM_NEWLINK, _RTM_GETLINK = 16, 18
_NLM_F_REQUEST = 1
_IFLA_LINKINFO, _IFLA_INFO_KIND, _IFLA_INFO_DATA = 18, 1, 2
_IFF_UP = 1
_TYPE_MASK = 0x3FFF
# linux/can/netlink.h
_IFLA_CAN_BITTIMING, _IFLA_CAN_STATE, _IFLA_CAN_CTRLMODE = 1, 4, 5
_CTRLMODE_LISTENONLY = 0x02
_STATES = ("ERROR-ACTIVE", "ERROR-WARNING", "ERROR-PASSIVE", "BUS-OFF", "STOPPED", "SLEEPING")

_HEADER = struct.Struct("=IHHII")  # nlmsghdr: length, type, flags, sequence, port
_LINK = struct.Struct("=BxHiII")  # ifinfomsg: family, device type, index, flags, change mask
_ATTRIBUTE = struct.Struct("=HH")  # rtattr: length, type
_TIMEOUT_S = 1.0
_LONGEST_ANSWER = 1 << 16
_NET = Path("/sys/class/net")


@dataclass(frozen=True, slots=True)
class Link:
    """A CAN network interface; None where nobody says.

    kind: the driver's family, for instance `can`, `vcan`. bit_rate: bit/s. state: the controller's error state.
    listen_only: the controller does not acknowledge.
    """

    name: str
    up: bool | None = None
    kind: str | None = None
    bit_rate: int | None = None
    state: str | None = None
    listen_only: bool | None = None


def read_link(name: str) -> Link:
    """What is known of a link; nothing but its name when there is none or this is not Linux. Never raises."""
    link = Link(name, up=_up(name))
    with suppress(OSError, ValueError, struct.error):
        link = parse_link(link, _ask(name))
    return link


def parse_link(link: Link, message: bytes) -> Link:
    """The link with what an RTM_NEWLINK message adds. Raises ValueError or struct.error for another message."""
    length, kind, *_ = _HEADER.unpack_from(message)
    if kind != _RTM_NEWLINK or length > len(message):
        raise ValueError(f"netlink answered with a message of type {kind}")
    *_, flags, _ = _LINK.unpack_from(message, _HEADER.size)
    link = replace(link, up=bool(flags & _IFF_UP))
    for of_link, info in _attributes(message[_HEADER.size + _LINK.size : length]):
        if of_link != _IFLA_LINKINFO:
            continue
        parts = dict(_attributes(info))
        if _IFLA_INFO_KIND in parts:
            link = replace(link, kind=printable(parts[_IFLA_INFO_KIND].rstrip(b"\0"), longest=32))
        link = _controller(link, dict(_attributes(parts.get(_IFLA_INFO_DATA, b""))))
    return link


def _controller(link: Link, parts: dict[int, bytes]) -> Link:
    if _IFLA_CAN_BITTIMING in parts:
        link = replace(link, bit_rate=struct.unpack_from("=I", parts[_IFLA_CAN_BITTIMING])[0] or None)
    if _IFLA_CAN_STATE in parts:
        number = struct.unpack_from("=I", parts[_IFLA_CAN_STATE])[0]
        link = replace(link, state=_STATES[number] if number < len(_STATES) else f"state {number}")
    if _IFLA_CAN_CTRLMODE in parts:
        _, modes = struct.unpack_from("=II", parts[_IFLA_CAN_CTRLMODE])
        link = replace(link, listen_only=bool(modes & _CTRLMODE_LISTENONLY))
    return link


def _attributes(raw: bytes) -> Iterator[tuple[int, bytes]]:
    """Type and payload of each attribute; each begins at a multiple of four bytes."""
    place = 0
    while place + _ATTRIBUTE.size <= len(raw):
        length, kind = _ATTRIBUTE.unpack_from(raw, place)
        if length < _ATTRIBUTE.size or place + length > len(raw):
            raise ValueError("a netlink attribute does not fit its message")
        yield kind & _TYPE_MASK, raw[place + _ATTRIBUTE.size : place + length]
        place += length + 3 & ~3


def _ask(name: str) -> bytes:
    """The kernel's answer about one link."""
    if sys.platform != "linux":
        raise OSError("no rtnetlink here")
    index = socket.if_nametoindex(name)
    question = _LINK.pack(socket.AF_UNSPEC, 0, index, 0, 0)
    with socket.socket(socket.AF_NETLINK, socket.SOCK_RAW, socket.NETLINK_ROUTE) as netlink:
        netlink.settimeout(_TIMEOUT_S)
        netlink.send(_HEADER.pack(_HEADER.size + len(question), _RTM_GETLINK, _NLM_F_REQUEST, 1, 0) + question)
        return netlink.recv(_LONGEST_ANSWER)


def _up(name: str) -> bool | None:
    try:
        return bool(int((_NET / name / "flags").read_text(), 16) & _IFF_UP)
    except (OSError, ValueError):
        return None
