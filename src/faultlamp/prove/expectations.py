"""What a file of expectations says, as plain data. Times are nanoseconds; None means that the file leaves it open.

Rule: an expectation has a name, a window in which it is judged and, where it is about one bus, a channel. What a key
of the file means stands in docs/prove.md; `prove.loading` reads it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

from faultlamp.j1939.diagnostics import Lamp

NO_LIMIT = 1e12
"""No reading is that large: a limit there leaves that side open."""


class Happening(StrEnum):
    """What a moment can be."""

    KEY_ON = "key_on"
    KEY_OFF = "key_off"
    ENGINE_RUNNING = "engine_running"
    ENGINE_STOPPED = "engine_stopped"
    FAULT_ACTIVE = "fault_active"
    FAULT_GONE = "fault_gone"


class During(StrEnum):
    """What a window can be limited to."""

    KEY_ON = "key_on"
    ENGINE_RUNNING = "engine_running"


class FaultMust(StrEnum):
    """What a fault must do within the window."""

    BE_ACTIVE = "be_active"
    STAY_ACTIVE = "stay_active"
    BECOME_ACTIVE = "become_active"
    GO = "go"
    NEVER_BE_ACTIVE = "never_be_active"


class AtEnd(StrEnum):
    """What a fault is at the end."""

    ACTIVE = "active"
    NOT_ACTIVE = "not_active"
    PREVIOUSLY_ACTIVE = "previously_active"


class LampMust(StrEnum):
    """What a lamp must do within the window."""

    BE_LIT = "be_lit"
    STAY_LIT = "stay_lit"
    NEVER_BE_LIT = "never_be_lit"


class ReadingMust(StrEnum):
    """When a reading must be within its limits."""

    THROUGHOUT = "throughout"
    SOME_TIME = "some_time"
    AT_END = "at_end"


@dataclass(frozen=True, slots=True)
class Within:
    """A closed range of numbers."""

    low: float
    high: float

    def __contains__(self, number: float) -> bool:
        return self.low <= number <= self.high


@dataclass(frozen=True, slots=True)
class FaultPattern:
    """Faults by sender, SPN and FMI; what is None is left open."""

    address: int | None = None
    spn: int | None = None
    fmi: int | None = None

    def fits(self, address: int, spn: int, fmi: int) -> bool:
        """Whether the fault is meant."""
        wanted = (self.address, address), (self.spn, spn), (self.fmi, fmi)
        return all(mine is None or mine == theirs for mine, theirs in wanted)


@dataclass(frozen=True, slots=True)
class Moment:
    """Something that can happen, once or several times. number: only the first, second... time; None: every time.

    fault: which one, for moments of faults. channel: where; None: where the expectation is.
    """

    name: str
    what: Happening
    fault: FaultPattern | None = None
    number: int | None = None
    channel: str | None = None


@dataclass(frozen=True, slots=True)
class When:
    """A window: from `from_ns` to `to_ns` after each such moment, or after the first frame.

    to_ns: None: up to the next such moment, or the end. during: of the window, only that.
    """

    after: Moment | None = None
    from_ns: int = 0
    to_ns: int | None = None
    during: During | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Expectation:
    """What all have in common. kind: its table in the file. not_shown_will_do: it need not be shown."""

    kind: str
    name: str
    when: When = When()
    channel: str | None = None
    not_shown_will_do: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultExpected(Expectation):
    """A fault: what it does, is at the end, how often it was counted, how often it came, the lamp it comes with."""

    fault: FaultPattern
    must: FaultMust | None = None
    at_end: AtEnd | None = None
    occurrence_count: Within | None = None
    spans: Within | None = None
    lamp: Lamp | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class NoOtherFaults(Expectation):
    """No fault is ever active but the allowed ones."""

    address: int | None = None
    allowed: tuple[FaultPattern, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class LampExpected(Expectation):
    """A lamp. at_end: states, any of them. check_ns: how long after key on it goes out, lit from the first DM1 on."""

    address: int | None = None
    lamp: Lamp
    must: LampMust | None = None
    at_end: tuple[str, ...] = ()
    check_ns: Within | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingExpected(Expectation):
    """A reading: within limits, always a value, often enough."""

    spn: int
    address: int | None = None
    limits: Within | None = None
    must: ReadingMust = ReadingMust.THROUGHOUT
    never_error: bool = False
    never_not_available: bool = False
    every_ns: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ControllerExpected(Expectation):
    """A controller: heard or never, its NAME, its first DM1 after key on, the time from DM1 to DM1."""

    address: int
    heard: bool = True
    claim: tuple[tuple[str, int], ...] = ()
    first_dm1_within_ns: int | None = None
    dm1_period_ns: Within | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class KeyCyclesExpected(Expectation):
    """The key cycles that touch the window."""

    count: Within | None = None
    engine_ran: bool | None = None
    max_engine_speed_rpm: Within | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class TransportExpected(Expectation):
    """Multi-packet messages, of the whole time: at most so many sessions by ending, at least so many completed."""

    most: tuple[tuple[str, int], ...] = ()
    least_completed: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class BusExpected(Expectation):
    """The bus or recording as a whole."""

    most_bad_lines: int | None = None
    most_error_frames: int | None = None
    most_clock_steps: int | None = None
    least_ns: int | None = None
    load_below_percent: float | None = None
    bit_rate: int | None = None


@dataclass(frozen=True, slots=True)
class Expectations:
    """A whole file. listen_s: how long a live bus is listened to; None: the command line says."""

    title: str
    listen_s: float | None = None
    expected: tuple[Expectation, ...] = field(default=())

    @property
    def spns(self) -> frozenset[int]:
        """The readings that are asked about."""
        return frozenset(one.spn for one in self.expected if isinstance(one, ReadingExpected))

    @property
    def loads(self) -> bool:
        """Whether the load of the bus is asked about."""
        return any(isinstance(one, BusExpected) and one.load_below_percent is not None for one in self.expected)

    @property
    def addresses(self) -> frozenset[int]:
        """The controllers that are asked about."""
        return frozenset(one.address for one in self.expected if isinstance(one, ControllerExpected))
