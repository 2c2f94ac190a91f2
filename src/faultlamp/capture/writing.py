"""Frames as lines of a candump log, in the form of `candump -L` (can-utils, lib.c of the linux-can project)."""

from faultlamp.frames import BRS, ERROR, ESI, EXTENDED, FD, REMOTE, Frame

_ERROR_FLAG = 0x20000000
_NS_PER_S = 1_000_000_000


def format_candump_line(frame: Frame) -> str:
    """The frame as one log line without a newline; microseconds, or nanoseconds where it takes them.

    A remote frame's length code is not in a `Frame` and so not in the line.

    >>> format_candump_line(Frame(1436509052249713000, "can0", 0x18FECA00, bytes(8)))
    '(1436509052.249713) can0 18FECA00#0000000000000000'
    """
    seconds, fraction = divmod(frame.time_ns, _NS_PER_S)
    stamp = f"{fraction:09d}" if fraction % 1000 else f"{fraction // 1000:06d}"
    if frame.flags & ERROR:
        identifier = f"{frame.can_id | _ERROR_FLAG:08X}"
    else:
        identifier = f"{frame.can_id:08X}" if frame.flags & EXTENDED else f"{frame.can_id:03X}"
    if frame.flags & REMOTE:
        body = "R"
    elif frame.flags & FD:
        on_wire = (1 if frame.flags & BRS else 0) | (2 if frame.flags & ESI else 0)
        body = f"#{on_wire:X}{frame.data.hex().upper()}"
    else:
        body = frame.data.hex().upper()
    return f"({seconds:010d}.{stamp}) {frame.channel} {identifier}#{body}"
