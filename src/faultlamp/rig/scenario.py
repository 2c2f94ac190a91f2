"""A scenario: the machine, what it does, and what goes wrong, as checked values.

Rule: all of it is known beforehand, so that the same scenario always gives the same frames. Times are nanoseconds
since the scenario's start. `loading` makes these objects from a file; docs/rig.md describes the file.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from faultlamp.j1939.address import Name
from faultlamp.j1939.diagnostics import Lamp, LampState
from faultlamp.rig.curves import Special, Track
from faultlamp.rig.manners import Manners, Rival
from faultlamp.rig.messages.identity import Calibration
from faultlamp.rig.messages.monitors import Monitor, Ratio, TestResult

Windows = tuple[tuple[int, int], ...]


class PhaseKind(StrEnum):
    """What the key and the engine do."""

    KEY_OFF = "key_off"
    KEY_ON = "key_on"
    CRANKING = "cranking"
    RUNNING = "running"


@dataclass(frozen=True, slots=True)
class Phase:
    """A stretch of the scenario, from `start_ns` up to but without `end_ns`."""

    name: str
    kind: PhaseKind
    start_ns: int
    end_ns: int


class Clears(StrEnum):
    """When a controller lets its codes be cleared."""

    STOPPED = "stopped"
    ALWAYS = "always"
    NEVER = "never"


@dataclass(frozen=True, slots=True)
class Obd:
    """What a controller with emission-related duties can tell besides its codes; counters at the scenario's start.

    expanded: SPNs of its expanded freeze frame. ignition_cycles: without those of the scenario.
    """

    compliance: int
    monitors: Mapping[str, Monitor]
    expanded: tuple[int, ...]
    calibrations: tuple[Calibration, ...]
    ratios: tuple[Ratio, ...]
    results: tuple[TestResult, ...]
    ignition_cycles: int
    conditions_met: int
    warm_ups: int
    km_with_lamp: int
    km_since_clearing: int
    minutes_with_lamp: int
    minutes_since_clearing: int


@dataclass(frozen=True, slots=True)
class Ecu:
    """A controller.

    boot_ns: from key on to its first frame. lamps: those it has a say in; the others are 'not available'.
    lamp_check_ns: for how long after key on it asks for all its lamps; 0 for never.
    vin, component, software: identity texts, empty for those that it does not have.
    groups: names of the parameter groups it sends, and every how many nanoseconds.
    identification: its own texts, apart from the component's. clears: when it lets codes be cleared.
    freeze_frames: how many it can store; 0 for a controller that has none to tell.
    obd: None without emission-related duties. manners: how it answers. rival: who claims its address, too.
    """

    name: str
    address: int
    claim: Name
    boot_ns: int
    lamps: tuple[Lamp, ...]
    lamp_check_ns: int
    vin: str
    component: tuple[str, ...]
    software: tuple[str, ...]
    groups: Mapping[str, int]
    identification: tuple[str, ...] = ()
    clears: Clears = Clears.STOPPED
    freeze_frames: int = 1
    obd: Obd | None = None
    manners: Manners = field(default_factory=Manners)
    rival: Rival | None = None


@dataclass(frozen=True, slots=True)
class Fault:
    """A trouble code of one controller.

    present: when its cause is there. lamps, flash: what the controller asks for while the code is active.
    count_before: occurrence count at the scenario's start; above 0 the code is stored as previously active.
    good_starts: engine starts without the cause that it takes to make the code previously active; 0 for at once.
    emissions: it matters for emissions. pending: when it is suspected and not confirmed yet.
    permanent: while its cause is there, and until the controller has found it gone, no clearing removes it.
    """

    ecu: str
    spn: int
    fmi: int
    present: Windows
    lamps: tuple[Lamp, ...]
    flash: LampState
    count_before: int
    good_starts: int
    emissions: bool = False
    pending: Windows = ()
    permanent: bool = False


@dataclass(frozen=True, slots=True)
class Override:
    """Windows in which a controller (None: every one) sends a special instead of a reading."""

    ecu: str | None
    spn: int
    state: Special
    windows: Windows


@dataclass(frozen=True, slots=True)
class Request:
    """Somebody at `source` asks `destination` (255 for everybody) for a parameter group."""

    time_ns: int
    source: int
    destination: int
    pgn: int


@dataclass(frozen=True, slots=True)
class Scenario:
    """Everything the rig needs; `tracks` by SPN."""

    name: str
    description: str
    invented: str
    bit_rate: int
    phases: tuple[Phase, ...]
    ecus: tuple[Ecu, ...]
    tracks: Mapping[int, Track]
    faults: tuple[Fault, ...] = ()
    overrides: tuple[Override, ...] = ()
    requests: tuple[Request, ...] = ()

    @property
    def duration_ns(self) -> int:
        """Length of the scenario."""
        return self.phases[-1].end_ns

    def engine_turns(self, time_ns: int) -> bool:
        """Whether the engine is cranked or runs then."""
        return any(
            phase.start_ns <= time_ns < phase.end_ns and phase.kind in (PhaseKind.CRANKING, PhaseKind.RUNNING)
            for phase in self.phases
        )


@dataclass(frozen=True, slots=True)
class PowerSpan:
    """Key on until key off, with the stretches in which the engine ran."""

    on_ns: int
    off_ns: int
    running: Windows = field(default=())


def power_spans(phases: tuple[Phase, ...]) -> tuple[PowerSpan, ...]:
    """Key cycles out of the phases: neighbouring phases that are not key_off belong together."""
    spans: list[PowerSpan] = []
    running: list[tuple[int, int]] = []
    on_ns: int | None = None
    for phase in phases:
        if phase.kind is PhaseKind.KEY_OFF:
            if on_ns is not None:
                spans.append(PowerSpan(on_ns, phase.start_ns, tuple(running)))
            on_ns, running = None, []
            continue
        on_ns = phase.start_ns if on_ns is None else on_ns
        if phase.kind is PhaseKind.RUNNING:
            if running and running[-1][1] == phase.start_ns:
                running[-1] = running[-1][0], phase.end_ns
            else:
                running.append((phase.start_ns, phase.end_ns))
    if on_ns is not None:
        spans.append(PowerSpan(on_ns, phases[-1].end_ns, tuple(running)))
    return tuple(spans)


def inside(windows: Windows, time_ns: int) -> bool:
    """Whether a window holds that time; a window ends just before its end."""
    return any(start_ns <= time_ns < end_ns for start_ns, end_ns in windows)
