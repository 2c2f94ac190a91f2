"""The tables of a file of expectations, one reader a kind: what each may say and what would be nonsense."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import NoReturn, TypedDict

from faultlamp.j1939.diagnostics import Lamp, LampState
from faultlamp.j1939.readings import Layouts
from faultlamp.j1939.transport import Ending
from faultlamp.knowledge.toml_tables import LAST_SPN, Table
from faultlamp.prove.expectations import (
    NO_LIMIT,
    AtEnd,
    BusExpected,
    ControllerExpected,
    Expectation,
    FaultExpected,
    FaultMust,
    FaultPattern,
    KeyCyclesExpected,
    LampExpected,
    LampMust,
    NoOtherFaults,
    ReadingExpected,
    ReadingMust,
    TransportExpected,
    When,
    Within,
)

LONGEST_S = 366 * 86_400

_NS_PER_S = 1_000_000_000
_HIGHEST_ADDRESS = 253
_MOST = 1_000_000_000
_MOST_ALLOWED = 1000
_HIGHEST_BIT_RATE = 8_000_000
_LIT = "lit"
_WINDOW_KEYS = ("after", "from_s", "to_s", "while")

# Fields of the NAME (SAE J1939-81, section 4.1, from memory) and their highest values.
_NAME_FIELDS = {
    "identity_number": (1 << 21) - 1, "manufacturer_code": (1 << 11) - 1, "ecu_instance": 7, "function_instance": 31,
    "function": 255, "vehicle_system": 127, "vehicle_system_instance": 15, "industry_group": 7,
}
_FAILED_ENDINGS = (Ending.ABORTED, Ending.TIMED_OUT, Ending.OUT_OF_ORDER, Ending.MALFORMED, Ending.INCOMPLETE)


class Common(TypedDict):
    """Keyword arguments that every expectation takes."""

    name: str
    when: When
    channel: str | None
    not_shown_will_do: bool


Reader = Callable[[Table, Common, Layouts], Expectation]


def to_ns(seconds: float) -> int:
    """Seconds as nanoseconds."""
    return round(seconds * _NS_PER_S)


def pattern(table: Table) -> FaultPattern:
    """The keys that say which fault is meant."""
    return FaultPattern(_address(table), _optional_whole(table, "spn", LAST_SPN), _optional_whole(table, "fmi", 31))


def _fault(table: Table, common: Common, _: Layouts) -> Expectation:
    common = _windowed(table, common, "must", "spans", "lamp")
    expected = FaultExpected(
        kind="fault", **common, fault=pattern(table),
        must=FaultMust(table.choice("must", list(FaultMust))) if table.has("must") else None,
        at_end=AtEnd(table.choice("at_end", list(AtEnd))) if table.has("at_end") else None,
        occurrence_count=_counts(table, "occurrence_count", 126), spans=_counts(table, "spans", _MOST),
        lamp=Lamp(table.choice("lamp", list(Lamp))) if table.has("lamp") else None,
    )
    _needs_one(table, expected, "must", "at_end", "occurrence_count", "spans", "lamp")
    return expected


def _no_other_faults(table: Table, common: Common, _: Layouts) -> Expectation:
    allowed = []
    for part in table.tables("allowed", _MOST_ALLOWED):
        allowed.append(pattern(part))
        part.close()
        if allowed[-1] == FaultPattern():
            part.fail("allows every fault; give at least one of address, spn, fmi")
    return NoOtherFaults(kind="no_other_faults", **common, address=_address(table), allowed=tuple(allowed))


def _lamp(table: Table, common: Common, _: Layouts) -> Expectation:
    common = _windowed(table, common, "must", "check_s")
    states = (*LampState, _LIT)
    at_end: tuple[str, ...] = ()
    if table.has("at_end"):
        state = table.choice("at_end", states)
        at_end = tuple(one for one in LampState if one.lit) if state == _LIT else (state,)
    expected = LampExpected(
        kind="lamp", **common, address=_address(table), lamp=Lamp(table.choice("lamp", list(Lamp))),
        must=LampMust(table.choice("must", list(LampMust))) if table.has("must") else None, at_end=at_end,
        check_ns=_within_s(table, "check_s"),
    )
    if expected.check_ns is not None and expected.address is None:
        table.fail("check_s needs the controller: add address")
    if not at_end:
        _needs_one(table, expected, "must", "check_ns")
    return expected


def _reading(table: Table, common: Common, layouts: Layouts) -> Expectation:
    spn = table.whole("spn", 0, LAST_SPN)
    places = layouts.places(spn)
    if not places:
        table.refuse("spn", "an SPN that a layout has; a DBC of your own brings more (--dbc FILE)")
    if table.has("unit"):
        table.choice("unit", sorted({signal.unit for _, signal in places}))
    low = table.number("low", -NO_LIMIT, NO_LIMIT) if table.has("low") else None
    high = table.number("high", -NO_LIMIT if low is None else low, NO_LIMIT) if table.has("high") else None
    limits = None
    if low is not None or high is not None:
        limits = Within(-NO_LIMIT if low is None else low, NO_LIMIT if high is None else high)
    elif table.has("must"):
        table.fail("must says when the reading is within limits: give low, high or both")
    expected = ReadingExpected(
        kind="reading", **common, spn=spn, address=_address(table), limits=limits,
        must=ReadingMust(table.choice("must", list(ReadingMust), ReadingMust.THROUGHOUT)),
        never_error=_yes(table, "never_error"), never_not_available=_yes(table, "never_not_available"),
        every_ns=to_ns(table.number("every_s", 0.001, LONGEST_S)) if table.has("every_s") else None,
    )
    _needs_one(table, expected, "limits", "never_error", "never_not_available", "every_ns")
    return expected


def _controller(table: Table, common: Common, _: Layouts) -> Expectation:
    claim = table.table("claim")
    fields = tuple((name, claim.whole(name, 0, most)) for name, most in _NAME_FIELDS.items() if claim.has(name))
    claim.close()
    if table.has("claim") and not fields:
        claim.fail(f"expects nothing; give at least one of {', '.join(_NAME_FIELDS)}")
    expected = ControllerExpected(
        kind="controller", **common, address=table.whole("address", 0, _HIGHEST_ADDRESS),
        heard=table.flag("heard", True), claim=fields,
        first_dm1_within_ns=(
            to_ns(table.number("first_dm1_within_s", 0, LONGEST_S)) if table.has("first_dm1_within_s") else None
        ),
        dm1_period_ns=_within_s(table, "dm1_period_s"),
    )
    if not expected.heard and (fields or expected.first_dm1_within_ns is not None or expected.dm1_period_ns):
        table.fail("heard = false leaves nothing else to expect: leave out claim, first_dm1_within_s and dm1_period_s")
    return expected


def _key_cycles(table: Table, common: Common, _: Layouts) -> Expectation:
    expected = KeyCyclesExpected(
        kind="key_cycles", **common, count=_counts(table, "count", _MOST),
        engine_ran=table.flag("engine_ran", True) if table.has("engine_ran") else None,
        max_engine_speed_rpm=_within(table, "max_engine_speed_rpm", 0, 8031.875),
    )
    _needs_one(table, expected, "count", "engine_ran", "max_engine_speed_rpm")
    return expected


def _transport(table: Table, common: Common, _: Layouts) -> Expectation:
    most = tuple(
        (str(ending), table.whole(ending, 0, _MOST)) for ending in _FAILED_ENDINGS if table.has(ending)
    )
    expected = TransportExpected(
        kind="transport", **common, most=most, least_completed=_optional_whole(table, "least_completed", _MOST),
    )
    _needs_one(table, expected, "most", "least_completed", names=(*_FAILED_ENDINGS, "least_completed"))
    return expected


def _bus(table: Table, common: Common, _: Layouts) -> Expectation:
    expected = BusExpected(
        kind="bus", **common,
        most_bad_lines=_optional_whole(table, "bad_lines", _MOST),
        most_error_frames=_optional_whole(table, "error_frames", _MOST),
        most_clock_steps=_optional_whole(table, "clock_steps", _MOST),
        least_ns=to_ns(table.number("least_s", 0, LONGEST_S)) if table.has("least_s") else None,
        load_below_percent=(
            table.number("load_below_percent", 0, 100) if table.has("load_below_percent") else None
        ),
        bit_rate=table.whole("bit_rate", 1, _HIGHEST_BIT_RATE) if table.has("bit_rate") else None,
    )
    checks = ("most_bad_lines", "most_error_frames", "most_clock_steps", "least_ns", "load_below_percent")
    _needs_one(
        table, expected, *checks, names=("bad_lines", "error_frames", "clock_steps", "least_s", "load_below_percent")
    )
    if (expected.load_below_percent is None) != (expected.bit_rate is None):
        table.fail("load_below_percent and bit_rate need each other: the load is a share of the bit rate")
    if table.has("channel") and expected.load_below_percent is None:
        table.fail("channel is for the load alone: leave it out, or give load_below_percent and bit_rate")
    return expected


READERS: Mapping[str, Reader] = {
    "controller": _controller, "key_cycles": _key_cycles, "lamp": _lamp, "fault": _fault,
    "no_other_faults": _no_other_faults, "reading": _reading, "transport": _transport, "bus": _bus,
}
"""In the order in which they are judged and shown."""


def _address(table: Table) -> int | None:
    return _optional_whole(table, "address", _HIGHEST_ADDRESS)


def _optional_whole(table: Table, key: str, highest: int) -> int | None:
    return table.whole(key, 0, highest) if table.has(key) else None


def _yes(table: Table, key: str) -> bool:
    """A flag that, where it is given, is true: false would expect nothing."""
    if table.has(key) and not table.flag(key, True):
        table.refuse(key, "true, or leave it out")
    return table.has(key)


def _within(table: Table, key: str, lowest: float, highest: float) -> Within | None:
    limits = table.limits(key, lowest, highest)
    return None if limits is None else Within(*limits)


def _counts(table: Table, key: str, highest: int) -> Within | None:
    """Whole numbers: anything between two of them could never be counted."""
    limits = _within(table, key, 0, highest)
    if limits is not None and not (float(limits.low).is_integer() and float(limits.high).is_integer()):
        table.refuse(key, f"[LOW, HIGH] or one number, whole ones, 0 to {highest}, the lower one first")
    return limits


def _windowed(table: Table, common: Common, *keys: str) -> Common:
    """As it is where one of these keys looks at the window; without one nothing does, and a window is wrong."""
    if any(table.has(key) for key in keys):
        return common
    idle = [key for key in _WINDOW_KEYS if table.has(key)]
    if idle:
        table.fail(f"{', '.join(idle)} would have no effect: without {', '.join(keys)} it is about the end of all that "
                   "was heard")
    return {**common, "when": When()}


def _within_s(table: Table, key: str) -> Within | None:
    limits = table.limits(key, 0, LONGEST_S)
    return None if limits is None else Within(*map(to_ns, limits))


def _needs_one(table: Table, expected: Expectation, *fields: str, names: tuple[str, ...] = ()) -> None:
    values = {field: getattr(expected, field) for field in fields}
    # A flag of the never_ kind is False when it is not given; others are None.
    if all(value is None or value == () or (value is False and field.startswith("never_"))
           for field, value in values.items()):
        _nothing(table, names or tuple(_KEYS.get(field, field) for field in fields))


def _nothing(table: Table, names: tuple[str, ...]) -> NoReturn:
    table.fail(f"expects nothing; give at least one of {', '.join(names)}")


_KEYS = {"limits": "low, high", "every_ns": "every_s", "check_ns": "check_s, at_end"}
