"""The queue in which Linux keeps the frames of a SocketCAN or UDP socket until they are read.

Rule: socket(7) and linux/sock_diag.h. When the queue is full the kernel drops what comes and counts it per socket; so
the queue is made long, and the count is asked for, because a frame that was lost must not be lost silently.
Everything here does nothing for buses of other kinds and on other systems.
"""

from __future__ import annotations

import socket
import struct
import sys
from contextlib import suppress

WANTED_BYTES = 8 << 20

# asm-generic/socket.h; the socket module does not name them.
_SO_RCVBUFFORCE = 33
_SO_MEMINFO = 55
# linux/sock_diag.h: SK_MEMINFO_RMEM_ALLOC, ..., SK_MEMINFO_DROPS, each 32 bits.
_MEMINFO = struct.Struct("=9I")
_DROPS = 8


def widen(bus: object) -> None:
    """Ask for a long queue: past the system's limit where this process may, else up to it."""
    sock = _socket(bus)
    if sock is None:
        return
    for option in (socket.SO_RCVBUF, _SO_RCVBUFFORCE):
        with suppress(OSError):
            sock.setsockopt(socket.SOL_SOCKET, option, WANTED_BYTES)


def dropped(bus: object) -> int:
    """How many frames the kernel has dropped because the queue was full; 0 where nobody counts."""
    sock = _socket(bus)
    if sock is None:
        return 0
    try:
        raw = sock.getsockopt(socket.SOL_SOCKET, _SO_MEMINFO, _MEMINFO.size)
    except OSError:
        return 0
    return int(_MEMINFO.unpack(raw)[_DROPS]) if len(raw) == _MEMINFO.size else 0


def _socket(bus: object) -> socket.socket | None:
    """The socket of python-can's SocketCAN bus, or that of its UDP multicast bus."""
    sock = getattr(bus, "socket", None) or getattr(getattr(bus, "_multicast", None), "_socket", None)
    return sock if sys.platform == "linux" and isinstance(sock, socket.socket) else None
