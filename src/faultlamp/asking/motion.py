"""Whether the engine turns and the machine moves, as far as the bus says.

Rule: engine speed is SPN 190 of EEC1 (PGN 61444, bytes 4-5, 0.125 rpm), vehicle speed SPN 84 of CCVS1 (PGN 65265,
bytes 2-3, 1/256 km/h), SAE J1939-71. Any sender counts. A value is known while it is not older than a second: both
groups come at least every 100 ms. Whoever does not say it is not standing still: unknown is not zero.
"""

from __future__ import annotations

from dataclasses import dataclass

from faultlamp.frames import EXTENDED, Frame
from faultlamp.j1939.identifier import split_identifier
from faultlamp.j1939.readings import GroupLayout, ReadingState, decode
from faultlamp.j1939.reports.quantities import group, quantity

FRESH_NS = 1_000_000_000

ENGINE_SPEED_PGN = 61444
VEHICLE_SPEED_PGN = 65265
_ENGINE = group(ENGINE_SPEED_PGN, "EEC1", 8, quantity(190, "Engine Speed", 4, 2, "rpm", scale="0.125"))
_VEHICLE = group(
    VEHICLE_SPEED_PGN, "CCVS1", 8, quantity(84, "Wheel-Based Vehicle Speed", 2, 2, "km/h", scale="0.00390625")
)


@dataclass(frozen=True, slots=True)
class Motion:
    """The highest speed that anybody says now; None: nobody says one."""

    engine_rpm: float | None
    vehicle_kmh: float | None

    def objections(
        self, *, although_engine_may_run: bool, although_machine_may_move: bool, unknown_counts: bool = True
    ) -> list[str]:
        """Why nothing must be cleared now, a phrase each; empty when nothing speaks against it.

        unknown_counts: whether a speed that nobody says speaks against it, too.
        """
        found = []
        if not although_engine_may_run:
            if self.engine_rpm:
                found.append(
                    f"the engine turns at {self.engine_rpm:g} rpm: stop it, key on; or, only when nobody can be hurt, "
                    "add --although-engine-may-run"
                )
            elif self.engine_rpm is None and unknown_counts:
                found.append(
                    "engine speed is unknown (nobody says it): key on, engine off; or, when you see that the engine "
                    "stands still, add --although-engine-may-run"
                )
        if not although_machine_may_move:
            if self.vehicle_kmh:
                found.append(
                    f"the machine moves at {self.vehicle_kmh:.1f} km/h: stop it; or, only when nobody can be hurt, "
                    "add --although-machine-may-move"
                )
            elif self.vehicle_kmh is None and unknown_counts:
                found.append(
                    "vehicle speed is unknown (nobody says it, as on a machine without wheels): when you see that the "
                    "machine stands and cannot move, add --although-machine-may-move"
                )
        return found


class MotionWatch:
    """Hears the speeds. `at` says them for a moment."""

    def __init__(self) -> None:
        self._engine: dict[int, tuple[int, float]] = {}
        self._vehicle: dict[int, tuple[int, float]] = {}

    def feed(self, frame: Frame) -> None:
        """Hear a frame; its time is now."""
        if frame.flags != EXTENDED:
            return
        identifier = split_identifier(frame.can_id)
        if identifier.pgn == ENGINE_SPEED_PGN:
            _note(self._engine, _ENGINE, identifier.source, frame)
        elif identifier.pgn == VEHICLE_SPEED_PGN:
            _note(self._vehicle, _VEHICLE, identifier.source, frame)

    def at(self, now_ns: int) -> Motion:
        """The speeds at that moment."""
        return Motion(_highest(self._engine, now_ns), _highest(self._vehicle, now_ns))


def _note(known: dict[int, tuple[int, float]], layout: GroupLayout, source: int, frame: Frame) -> None:
    (reading,) = decode(layout, frame.data)
    if reading.state is ReadingState.OK and reading.value is not None:
        known[source] = frame.time_ns, reading.value
    else:
        known.pop(source, None)


def _highest(known: dict[int, tuple[int, float]], now_ns: int) -> float | None:
    return max((value for time_ns, value in known.values() if now_ns - time_ns <= FRESH_NS), default=None)
