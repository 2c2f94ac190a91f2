"""One CAN frame with its time stamp.

Times are whole nanoseconds since the epoch (or since the start, in recordings that have no epoch): a silence of
exactly 5 s must not depend on how a binary fraction rounds.
"""

from dataclasses import dataclass

# Flag bits of a frame. A J1939 frame is a classic data frame with a 29-bit identifier: exactly EXTENDED.
EXTENDED = 0x01
REMOTE = 0x02
ERROR = 0x04
FD = 0x08
BRS = 0x10
ESI = 0x20


@dataclass(frozen=True, slots=True)
class Frame:
    """One frame as an adapter or a recording delivers it.

    time_ns: nanoseconds since the epoch.
    channel: name of the bus it was heard on, for instance "can0".
    can_id: identifier without flag bits, 11 or 29 bits (error frames: the error class bits).
    data: payload bytes, 0 to 8 (CAN FD: to 64); byte 1 of the standard is data[0].
    flags: any of EXTENDED, REMOTE, ERROR, FD, BRS, ESI.
    """

    time_ns: int
    channel: str
    can_id: int
    data: bytes
    flags: int = EXTENDED
