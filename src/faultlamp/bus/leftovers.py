"""What python-can's drivers keep of rubbish, and how a connection that the other side closed shows.

Rule, found in python-can 4.6: `slcan` keeps a line that it could not decode in front of all that follow, so that one
disturbed byte makes it deaf for good, and lets a line without an end grow for ever. `socketcand` keeps a message that
it could not parse, hands out the frames before it once more at every read, and never tells that the connection is
closed. Everything here does nothing for buses of other kinds.
"""

from __future__ import annotations

import socket
from contextlib import suppress

LONGEST_LINE = 4096
"""Bytes without a line's end that are more than any line has: the longest one, a CAN FD frame, has 145."""

_SLCAN_LINE = "_buffer"
_SOCKETCAND_TEXT = "_SocketCanDaemonBus__receive_buffer"


def forget(bus: object) -> None:
    """Drop the unfinished line or message that the driver holds, so that the next one is read for itself."""
    line = getattr(bus, _SLCAN_LINE, None)
    if isinstance(line, bytearray):
        line.clear()
    if isinstance(getattr(bus, _SOCKETCAND_TEXT, None), str):
        setattr(bus, _SOCKETCAND_TEXT, "")


def check(bus: object) -> None:
    """To be asked when the driver had no frame.

    Raises ConnectionError when the other side has closed the connection, ValueError when a line has no end.
    """
    line = getattr(bus, _SLCAN_LINE, None)
    if isinstance(line, bytearray) and len(line) > LONGEST_LINE:
        raise ValueError("a line without an end")
    stream = _stream(bus)
    if stream is not None:
        with suppress(BlockingIOError):
            if not stream.recv(1, socket.MSG_PEEK | socket.MSG_DONTWAIT):
                raise ConnectionError("the other side closed the connection")


def _stream(bus: object) -> socket.socket | None:
    """The TCP connection of python-can's socketcand bus, where the system can look at it without waiting."""
    found = getattr(bus, "_SocketCanDaemonBus__socket", None)
    return found if isinstance(found, socket.socket) and hasattr(socket, "MSG_DONTWAIT") else None
