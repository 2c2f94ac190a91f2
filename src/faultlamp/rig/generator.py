"""Frames out of a scenario.

Rule: a pure function: the same scenario, start and channel give the same frames, whenever and wherever. No clock, no
bus; `player` sends them, the command line writes them into a recording.
"""

from __future__ import annotations

from collections.abc import Iterator
from heapq import merge

from faultlamp.frames import Frame
from faultlamp.j1939.identifier import build_identifier
from faultlamp.rig import messages
from faultlamp.rig.arbitration import Wanted, arbitrate
from faultlamp.rig.controller import Controller
from faultlamp.rig.fault_memory import remember
from faultlamp.rig.layout import Layout, shipped_layout
from faultlamp.rig.scenario import Scenario, power_spans

_PRIORITY = 6


def generate(
    scenario: Scenario, start_ns: int = 0, channel: str = "can0", layout: Layout | None = None
) -> Iterator[Frame]:
    """The scenario's frames in order of time; `start_ns` is the epoch time of its beginning.

    layout: the one that the scenario was loaded with; the shipped one by default.
    """
    groups = shipped_layout() if layout is None else layout
    streams = [_asking(scenario)]
    spans = power_spans(scenario.phases)
    nexts_ns = [span.on_ns for span in spans[1:]] + [1 << 62]
    for ecu in scenario.ecus:
        memory = [(fault, remember(fault, spans)) for fault in scenario.faults if fault.ecu == ecu.name]
        for span, next_ns in zip(spans, nexts_ns, strict=True):
            streams.append(Controller(scenario, ecu, memory, span, next_ns, groups).frames())
    for time_ns, can_id, data in arbitrate(merge(*streams), scenario.bit_rate):
        yield Frame(start_ns + time_ns, channel, can_id, data)


def generate_forever(
    scenario: Scenario, start_ns: int = 0, channel: str = "can0", layout: Layout | None = None
) -> Iterator[Frame]:
    """The scenario over and over. Every round starts afresh, with the counts that stand in the scenario."""
    while True:
        last_ns = start_ns
        for frame in generate(scenario, start_ns, channel, layout):
            last_ns = frame.time_ns
            yield frame
        # The last transfer may end after the scenario does.
        start_ns = max(start_ns + scenario.duration_ns, last_ns)


def _asking(scenario: Scenario) -> Iterator[Wanted]:
    for request in scenario.requests:
        can_id = build_identifier(_PRIORITY, messages.REQUEST_PGN, request.source, request.destination)
        yield Wanted(request.time_ns, can_id, messages.request(request.pgn))
