"""Trouble to be found: a pump set of the rig, DM1s at exact times, and the findings about them."""

from collections.abc import Callable, Iterable, Sequence

from faultlamp.findings.shared_causes import SharedCauses, shared_causes
from faultlamp.frames import Frame
from faultlamp.history.history import History
from faultlamp.history.nodes import Nodes
from faultlamp.j1939.diagnostics import Dtc, encode_dtc
from faultlamp.j1939.identifier import build_identifier
from faultlamp.knowledge.shared_causes import load_shared_causes

SECOND = 1_000_000_000
START = 1_700_000_000 * SECOND
DM1 = 65226

# An invented pump set of three controllers: 10 s key on, 60 s running, 8 s off, 12 s key on again.
PUMP = """
[scenario]
name = "pump"
description = "three controllers, key on, running, off, key on"
invented = "all of it"

[[ecu]]
name = "engine"
address = 0
claim = { function = 0 }
[ecu.groups]
EEC1 = 50
ET1 = 1000
[[ecu]]
name = "aftertreatment"
address = 61
claim = { function = 255 }
[ecu.groups]
AT1T1I = 1000
[[ecu]]
name = "cluster"
address = 23
claim = { function = 255 }
lamp_check_s = 0
[ecu.groups]
DD1 = 1000

[values]
110 = 80

[[phase]]
name = "key"
kind = "key_on"
duration_s = 10
[phase.values]
190 = 0
[[phase]]
name = "run"
kind = "running"
duration_s = 60
[phase.values]
190 = 1500
[[phase]]
name = "off"
kind = "key_off"
duration_s = 8
[[phase]]
name = "again"
kind = "key_on"
duration_s = 12
[phase.values]
190 = 0
"""

# Whose code (SPN, FMI) is there from when to when, in the rig's words.
RigFault = tuple[str, int, int, str, str]
# At which second which source address lists which (SPN, FMI).
Told = tuple[float, int, Sequence[tuple[int, int]]]


def rig_fault(ecu: str, spn: int, fmi: int, begin: str, end: str = "end") -> str:
    """A [[fault]] of a scenario."""
    return (
        f'\n[[fault]]\necu = "{ecu}"\nspn = {spn}\nfmi = {fmi}\npresent = [["{begin}", "{end}"]]\n'
        'lamps = ["amber_warning"]\n'
    )


def dm1(second: float, source: int, pairs: Sequence[tuple[int, int]], channel: str = "can0") -> list[Frame]:
    """A DM1 whose last frame comes at the second: one frame, or a broadcast of frames a microsecond apart."""
    data = bytes([0x04, 0xFF]) + b"".join(encode_dtc(Dtc(spn, fmi, 1, 0)) for spn, fmi in pairs or [(0, 0)])
    at_ns = START + round(second * SECOND)
    if len(data) <= 8:
        return [Frame(at_ns, channel, build_identifier(6, DM1, source), data.ljust(8, b"\xff"))]
    packets = [data[place : place + 7].ljust(7, b"\xff") for place in range(0, len(data), 7)]
    announcement = bytes([0x20]) + len(data).to_bytes(2, "little") + bytes([len(packets), 0xFF, 0xCA, 0xFE, 0x00])
    wire = [(build_identifier(7, 0xEC00, source, 255), announcement)]
    wire += [
        (build_identifier(7, 0xEB00, source, 255), bytes([number]) + packet)
        for number, packet in enumerate(packets, 1)
    ]
    return [
        Frame(at_ns - 1000 * (len(wire) - 1 - place), channel, can_id, payload)
        for place, (can_id, payload) in enumerate(wire)
    ]


def frames_of(told: Iterable[Told]) -> list[Frame]:
    """All the DM1s, in order of time."""
    return [frame for second, source, pairs in sorted(told, key=lambda each: each[:2]) for frame in
            dm1(second, source, pairs)]


def findings_of(
    frames: Iterable[Frame], *, until_s: float | None = None, all_of_it: bool = True, with_nodes: bool = False
) -> SharedCauses:
    """The shared causes at the end of the frames, or as seen at a second."""
    history, nodes = History(), Nodes()
    end_ns = START
    for frame in frames:
        history.feed(frame)
        nodes.feed(frame)
        end_ns = frame.time_ns
    at_ns = end_ns if until_s is None else START + round(until_s * SECOND)
    history.advance(at_ns)
    return shared_causes(
        history, at_ns, load_shared_causes(), nodes=nodes if with_nodes else None, all_of_it=all_of_it
    )


def steady(
    faults: Iterable[tuple[int, int, int, float]], *, sources: Sequence[int] = (0, 61, 23), seconds: int = 60,
    gone: Callable[[int, int], bool] = lambda source, second: False,
) -> list[Told]:
    """Each source's DM1 once a second with the faults (source, SPN, FMI, from second) that have begun; from second 0.

    Beginnings are told in a DM1 of their own at their exact time. gone: whether a source is silent at a second.
    """
    faults = list(faults)
    moments = {(float(second), source) for second in range(seconds) for source in sources}
    moments |= {(begin, source) for source, _, _, begin in faults}
    return [
        (second, source, [(spn, fmi) for who, spn, fmi, begin in faults if who == source and begin <= second])
        for second, source in sorted(moments) if not gone(source, int(second))
    ]
