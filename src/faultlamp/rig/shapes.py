"""A reply cut into frames: as the standard has it, or misshapen on purpose.

Rule: SAE J1939-21, section 5.10. A right transfer announces its size, sends as many packets of 8 bytes as that takes,
and ends. What each bad manner does instead stands at `cut`.
"""

from __future__ import annotations

from dataclasses import dataclass

from faultlamp.j1939 import segmentation
from faultlamp.j1939.identifier import build_identifier
from faultlamp.j1939.transport import TP_CM, TP_DT, TP_LARGEST
from faultlamp.rig.manners import Manner
from faultlamp.rig.replies import Reply

PRIORITY = 6
TRANSPORT_PRIORITY = 7
NO_RESOURCES = 2
"""The reason that a broken off connection gives."""

_SMALLEST = segmentation.SINGLE_FRAME + 1
_PER_PACKET = 7
_SHORT = 5


@dataclass(frozen=True, slots=True)
class Shape:
    """A transfer: the size that it announces, the data packets that follow, and whether an abort ends it."""

    announced: int
    packets: tuple[bytes, ...]
    aborts: bool = False


def is_long(payload: bytes) -> bool:
    """Whether it takes a transfer."""
    return len(payload) > segmentation.SINGLE_FRAME


def cut(payload: bytes, manner: Manner) -> Shape:
    """The transfer of a payload of more than 8 bytes."""
    size = len(payload)
    packets = tuple(segmentation.data_packets(payload))
    if manner is Manner.ANNOUNCES_MORE:
        return Shape(min(size + _PER_PACKET, TP_LARGEST), packets)
    if manner is Manner.ANNOUNCES_LESS:
        announced = max(size - _PER_PACKET, _SMALLEST)
        if segmentation.packet_count(announced) == len(packets):
            packets += (bytes((len(packets) + 1,)) + b"\xff" * _PER_PACKET,)
        return Shape(announced, packets)
    if manner is Manner.SHORT_FRAME:
        return Shape(size, (*packets[:-1], packets[-1][:_SHORT]))
    if manner is Manner.ABORTS:
        return Shape(size, packets[: len(packets) // 2], aborts=True)
    if manner is Manner.STALLS:
        return Shape(size, ())
    return Shape(size, packets)


def single(reply: Reply, source: int) -> tuple[int, bytes]:
    """The one frame of a reply of up to 8 bytes, filled with FF unless a short frame is wanted."""
    can_id = build_identifier(PRIORITY, reply.pgn, source, reply.destination)
    if reply.manner is Manner.SHORT_FRAME:
        return can_id, reply.payload[:_SHORT]
    return can_id, reply.payload.ljust(segmentation.SINGLE_FRAME, b"\xff")


def broadcast(reply: Reply, source: int) -> list[tuple[int, bytes]]:
    """All frames of a reply of more than 8 bytes to everybody; nobody is told when it breaks off."""
    shape = cut(reply.payload, reply.manner)
    packet_id = build_identifier(TRANSPORT_PRIORITY, TP_DT, source)
    announcement = segmentation.bam(shape.announced, reply.pgn)
    return [(build_identifier(TRANSPORT_PRIORITY, TP_CM, source), announcement),
            *((packet_id, packet) for packet in shape.packets)]


def opening(reply: Reply, source: int) -> tuple[int, bytes]:
    """The request to send that opens a connection."""
    announced = cut(reply.payload, reply.manner).announced
    return (build_identifier(TRANSPORT_PRIORITY, TP_CM, source, reply.destination),
            segmentation.request_to_send(announced, reply.pgn))


def after_clear_to_send(reply: Reply, source: int) -> list[tuple[int, bytes]]:
    """All that a connection sends once it may: packets, and the abort of one that breaks off."""
    shape = cut(reply.payload, reply.manner)
    packet_id = build_identifier(TRANSPORT_PRIORITY, TP_DT, source, reply.destination)
    frames = [(packet_id, packet) for packet in shape.packets]
    if shape.aborts:
        control_id = build_identifier(TRANSPORT_PRIORITY, TP_CM, source, reply.destination)
        frames.append((control_id, segmentation.connection_abort(NO_RESOURCES, reply.pgn)))
    return frames
