"""Frames out of a scenario.

Rule: a pure function: the same scenario, start and channel give the same frames, whenever and wherever. No clock, no
bus; the command line writes them into a recording, and `live` plays them among its answers to what it hears.
"""

from __future__ import annotations

from collections.abc import Iterator
from heapq import merge

from faultlamp.frames import Frame
from faultlamp.j1939.identifier import build_identifier
from faultlamp.j1939.requests import REQUEST_PGN, encode_request
from faultlamp.rig.arbitration import Wanted, arbitrate
from faultlamp.rig.contents import Contents
from faultlamp.rig.controller import Controller
from faultlamp.rig.layout import Layout, shipped_layout
from faultlamp.rig.manners import Temper
from faultlamp.rig.memory import Memory
from faultlamp.rig.scenario import Scenario, power_spans

_PRIORITY = 6


def generate(
    scenario: Scenario, start_ns: int = 0, channel: str = "can0", layout: Layout | None = None
) -> Iterator[Frame]:
    """The scenario's frames in order of time; `start_ns` is the epoch time of its beginning.

    layout: the one that the scenario was loaded with; the shipped one by default.
    """
    groups = shipped_layout() if layout is None else layout
    for time_ns, can_id, data in script(scenario, stories(scenario, groups), groups):
        if can_id >= 0:
            yield Frame(start_ns + time_ns, channel, can_id, data)


def stories(scenario: Scenario, layout: Layout) -> list[Contents]:
    """What each controller has to tell, with a fault memory of its own that nothing has been cleared from."""
    spans = power_spans(scenario.phases)
    return [
        Contents(scenario, ecu, Memory([fault for fault in scenario.faults if fault.ecu == ecu.name], spans), layout)
        for ecu in scenario.ecus
    ]


def script(scenario: Scenario, contents: list[Contents], layout: Layout) -> Iterator[Wanted]:
    """The scenario's frames and moments, in order of time since its beginning; `contents` may be cleared meanwhile."""
    streams = [_asking(scenario)]
    spans = power_spans(scenario.phases)
    nexts_ns = [span.on_ns for span in spans[1:]] + [1 << 62]
    for told in contents:
        temper = Temper(told.ecu.manners)
        for span, next_ns in zip(spans, nexts_ns, strict=True):
            streams.append(Controller(told, span, next_ns, layout, temper).frames())
    return arbitrate(merge(*streams), scenario.bit_rate)


def _asking(scenario: Scenario) -> Iterator[Wanted]:
    for request in scenario.requests:
        can_id = build_identifier(_PRIORITY, REQUEST_PGN, request.source, request.destination)
        yield Wanted(request.time_ns, can_id, encode_request(request.pgn))
