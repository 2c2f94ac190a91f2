"""python-can's UDP multicast bus on the loopback interface, and a bare socket that counts what reaches it."""

from __future__ import annotations

import contextlib
import socket
import struct
from collections.abc import Iterator

import can

GROUP = "ff11::7079:7468:6f6e:6465"
"""An interface-local group (RFC 4291, section 2.7): its datagrams never leave the machine."""


def free_port() -> int:
    """A UDP port that nobody uses, so that no two tests hear each other."""
    with socket.socket(socket.AF_INET6, socket.SOCK_DGRAM) as probe:
        probe.bind(("", 0))
        return int(probe.getsockname()[1])


@contextlib.contextmanager
def participant(port: int) -> Iterator[can.BusABC]:
    """A participant straight from python-can."""
    with can.Bus(interface="udp_multicast", channel=GROUP, port=port, hop_limit=0, ignore_config=True) as bus:
        yield bus


class Counter:
    """Counts the datagrams of the group; a context manager. `raw`: all of them, in order."""

    def __init__(self, port: int) -> None:
        self.raw: list[bytes] = []
        self._socket = socket.socket(socket.AF_INET6, socket.SOCK_DGRAM)
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEPORT, 1)
        self._socket.bind(("", port))
        request = socket.inet_pton(socket.AF_INET6, GROUP) + struct.pack("@I", 0)
        self._socket.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_JOIN_GROUP, request)
        self._socket.setblocking(False)

    def __enter__(self) -> Counter:
        return self

    def __exit__(self, *_: object) -> None:
        self._socket.close()

    def count(self) -> int:
        """How many there have been so far; to be asked before the system's queue is full."""
        with contextlib.suppress(BlockingIOError):
            while True:
                self.raw.append(self._socket.recv(65536))
        return len(self.raw)


def put(port: int, raw: bytes) -> None:
    """One datagram with these bytes to the group."""
    with socket.socket(socket.AF_INET6, socket.SOCK_DGRAM) as sender:
        sender.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_MULTICAST_HOPS, 0)
        sender.sendto(raw, (GROUP, port))
