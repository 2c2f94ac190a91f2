"""The history as the JSON document that scripts rely on (docs/faults-json.md).

Times are seconds since the epoch, exact to the resolution of the recording: an integer division of nanoseconds gives
the nearest binary fraction.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from faultlamp.history.controllers import Controller, Fault
from faultlamp.history.history import History
from faultlamp.j1939.diagnostics import Lamp, LampState

SCHEMA = 1
NS_PER_S = 1_000_000_000


def seconds(time_ns: int | None) -> float | None:
    """Nanoseconds as seconds; None stays None."""
    return None if time_ns is None else time_ns / NS_PER_S


def fault_document(
    history: History,
    *,
    files: Sequence[str],
    bad_lines: int,
    frames: int | None = None,
    spn_name: Callable[[int], str | None],
    fmi_meaning: Callable[[int], str],
) -> dict[str, Any]:
    """Everything known at the last frame; spans that are open then stay open.

    frames: how many frames the recordings have, where the history was fed with reduced blocks.
    """
    if history.end_ns is not None:
        history.advance(history.end_ns)
    controllers = [history.controllers[key] for key in sorted(history.controllers)]
    return {
        "schema": SCHEMA,
        "capture": {
            "files": list(files),
            "frames": history.frames if frames is None else frames,
            "bad_lines": bad_lines,
            "clock_steps": history.clock_steps,
            "start": seconds(history.start_ns),
            "end": seconds(history.end_ns),
            "channels": sorted(history.channels),
        },
        "key_cycles": _key_cycles(history),
        "faults": [
            _fault(controller, controller.faults[pair], spn_name, fmi_meaning)
            for controller in controllers
            for pair in sorted(controller.faults)
        ],
        "lamps": [entry for controller in controllers for entry in _lamps(controller)],
        "transport": history.transport_counts().as_dict(),
    }


def _key_cycles(history: History) -> list[dict[str, Any]]:
    return [
        {
            "channel": channel,
            "start": seconds(cycle.start_ns),
            "end": seconds(cycle.last_ns) if cycle.over else None,
            "engine_ran": cycle.engine_ran,
            "max_engine_speed_rpm": cycle.max_engine_speed_rpm,
        }
        for channel, cycles in sorted(history.key_cycles.items())
        for cycle in cycles.cycles
    ]


def _fault(
    controller: Controller,
    fault: Fault,
    spn_name: Callable[[int], str | None],
    fmi_meaning: Callable[[int], str],
) -> dict[str, Any]:
    return {
        "channel": controller.channel,
        "source_address": controller.source_address,
        "spn": fault.spn,
        "fmi": fault.fmi,
        "occurrence_count": fault.occurrence_count,
        "conversion_method": fault.conversion_method,
        "spn_name": spn_name(fault.spn),
        "fmi_meaning": fmi_meaning(fault.fmi),
        "state": str(controller.state_of(fault)),
        "first_seen": seconds(fault.first_seen_ns),
        "last_seen": seconds(fault.last_seen_ns),
        "active_spans": [
            {"start": seconds(span.start_ns), "end": seconds(span.end_ns), "end_reason": str(span.reason)}
            for span in fault.spans
        ],
        "reported_in": [f"DM{dm}" for dm in sorted(fault.reported_in)],
    }


def _lamps(controller: Controller) -> list[dict[str, Any]]:
    return [
        {
            "channel": controller.channel,
            "source_address": controller.source_address,
            "lamp": str(lamp),
            "spans": [
                {"start": seconds(span.start_ns), "end": seconds(span.end_ns), "state": str(span.state)}
                for span in controller.lamp_spans[lamp]
            ],
        }
        for lamp in Lamp
        if any(span.state is not LampState.NOT_AVAILABLE for span in controller.lamp_spans[lamp])
    ]
