"""Words that verdicts are made of."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from faultlamp.history.controllers import Controller, Fault
from faultlamp.knowledge.addresses import address_name
from faultlamp.knowledge.names import describe_spn
from faultlamp.prove.expectations import (
    NO_LIMIT,
    Expectation,
    FaultMust,
    FaultPattern,
    LampMust,
    ReadingMust,
    When,
    Within,
)
from faultlamp.text import printable


def sender(address: int) -> str:
    """Who sits at an address: `engine 1 (0)`, or `address 77`."""
    name = address_name(address)
    return f"{name} ({address})" if name else f"address {address}"


def fault_of(controller: Controller, fault: Fault) -> str:
    """A fault with its sender."""
    return f"{sender(controller.source_address)} SPN {fault.spn} FMI {fault.fmi}"


def counted(number: int, noun: str) -> str:
    """`1 time`, `3 times`."""
    return f"{number} {noun}{'' if number == 1 else 's'}"


def seconds(time_ns: float) -> str:
    """A length of time: `1 s`, `0.25 s`."""
    return f"{time_ns / 1e9:.6f}".rstrip("0").rstrip(".") + " s"


def plain(word: str) -> str:
    """A word of the file as people write it: `amber warning`."""
    return word.replace("_", " ")


def span(low: str, high: str) -> str:
    """A range in words."""
    return low if low == high else f"{low} to {high}"


def expected_words(one: Expectation) -> str:
    """What is expected, in words that stand for themselves."""
    parts = [part for part in _WORDS[one.kind](one) if part]
    return f"{_subject(one)}: {', '.join(parts)}{_when(one.when)}" if parts else f"{_subject(one)}{_when(one.when)}"


def _subject(one: Expectation) -> str:
    channel = "" if one.channel is None or one.kind == "transport" else f"{printable(one.channel)}, "
    return channel + _SUBJECTS[one.kind](one)


def _reading_subject(one: Any) -> str:
    who = "" if one.address is None else f" from {sender(one.address)}"
    return f"SPN {one.spn} {describe_spn(one.spn)}{who}"


_SUBJECTS: dict[str, Callable[[Any], str]] = {
    "fault": lambda one: pattern_words(one.fault),
    "no_other_faults": lambda one: f"faults of {_who(one.address)}",
    "lamp": lambda one: f"{plain(one.lamp)} lamp of {_who(one.address)}",
    "reading": _reading_subject,
    "controller": lambda one: sender(one.address),
    "key_cycles": lambda _: "key cycles",
    "transport": lambda _: "multi-packet messages",
    "bus": lambda _: "bus",
}


def pattern_words(pattern: FaultPattern) -> str:
    """`engine 1 (0) SPN 110 FMI 3`, `any fault`."""
    who = "" if pattern.address is None else sender(pattern.address)
    code = " ".join(
        f"{name} {number}" for name, number in (("SPN", pattern.spn), ("FMI", pattern.fmi)) if number is not None
    )
    return " ".join(part for part in (who, code or "any fault") if part)


def _fault(one: Any) -> list[str]:
    return [
        "" if one.must is None else _MUST[one.must],
        "" if one.spans is None else f"active {_range(one.spans)} time{'' if one.spans.high == 1 else 's'}",
        "" if one.lamp is None else f"comes with the {plain(one.lamp)} lamp",
        "" if one.occurrence_count is None else f"occurrence count {_range(one.occurrence_count)}",
        "" if one.at_end is None else f"{plain(one.at_end)} at the end",
    ]


def _others(one: Any) -> list[str]:
    allowed = ", ".join(dict.fromkeys(map(pattern_words, one.allowed)))
    return [f"none active but {allowed}" if allowed else "none active"]


def _lamp(one: Any) -> list[str]:
    return [
        "" if one.must is None else _MUST[one.must],
        "" if one.check_ns is None else f"goes out {_times(one.check_ns)} after key on, lit until then",
        # Several states together are those that shine.
        f"{'lit' if len(one.at_end) > 1 else plain(one.at_end[0])} at the end" if one.at_end else "",
    ]


def _reading(one: Any) -> list[str]:
    limits = "" if one.limits is None else f"{_limits(one.limits)} {_MUST[one.must]}"
    return [
        limits, "never 'error'" if one.never_error else "", "never 'not available'" if one.never_not_available else "",
        "" if one.every_ns is None else f"at least every {seconds(one.every_ns)}",
    ]


def _controller(one: Any) -> list[str]:
    claim = ", ".join(f"{field} {value}" for field, value in one.claim)
    first = one.first_dm1_within_ns
    return [
        "heard" if one.heard else "never heard", f"NAME with {claim}" if claim else "",
        "" if first is None else f"first DM1 within {seconds(first)} of key on",
        "" if one.dm1_period_ns is None else f"DM1 every {_times(one.dm1_period_ns)}",
    ]


def _key_cycles(one: Any) -> list[str]:
    ran = {None: "", True: "the engine ran in each", False: "the engine ran in none"}[one.engine_ran]
    fastest = one.max_engine_speed_rpm
    return [
        "" if one.count is None else f"{_range(one.count)} of them", ran,
        "" if fastest is None else f"highest speed of each {_range(fastest)} rpm",
    ]


def _transport(one: Any) -> list[str]:
    least = "" if one.least_completed is None else f"at least {one.least_completed} completed"
    return [*(f"{'none' if most == 0 else f'at most {most}'} {plain(ending)}" for ending, most in one.most), least]


def _bus(one: Any) -> list[str]:
    load = one.load_below_percent
    return [
        _at_most(one.most_bad_lines, "bad lines"), _at_most(one.most_error_frames, "error frames"),
        _at_most(one.most_clock_steps, "clock steps"),
        "" if one.least_ns is None else f"heard for at least {seconds(one.least_ns)}",
        "" if load is None else f"load below {load:g} % of {one.bit_rate} bit/s in each second",
    ]


_WORDS: dict[str, Callable[[Any], list[str]]] = {
    "fault": _fault, "no_other_faults": _others, "lamp": _lamp, "reading": _reading, "controller": _controller,
    "key_cycles": _key_cycles, "transport": _transport, "bus": _bus,
}
_MUST = {
    FaultMust.BE_ACTIVE: "active at some time", FaultMust.STAY_ACTIVE: "active throughout",
    FaultMust.BECOME_ACTIVE: "becomes active", FaultMust.GO: "goes", FaultMust.NEVER_BE_ACTIVE: "never active",
    LampMust.BE_LIT: "lit at some time", LampMust.STAY_LIT: "lit throughout", LampMust.NEVER_BE_LIT: "never lit",
    ReadingMust.THROUGHOUT: "throughout", ReadingMust.SOME_TIME: "at some time", ReadingMust.AT_END: "at the end",
}


def _when(when: When) -> str:
    during = "" if when.during is None else f", while {plain(when.during)}"
    after = "" if when.after is None else f" after {plain(when.after.name)}"
    if when.to_ns is not None:
        start = f"from {seconds(when.from_ns)} to" if when.from_ns else "within"
        return f", {start} {seconds(when.to_ns)}{after or ' after the first frame'}{during}"
    if when.from_ns:
        return f", from {seconds(when.from_ns)}{after or ' after the first frame'} on{during}"
    return f",{after}{during}" if after else during


def _who(address: int | None) -> str:
    return "any controller" if address is None else sender(address)


def _range(within: Within) -> str:
    return span(f"{within.low:g}", f"{within.high:g}")


def _times(within: Within) -> str:
    return span(seconds(within.low), seconds(within.high))


def _limits(within: Within) -> str:
    if within.low <= -NO_LIMIT:
        return f"at most {within.high:g}"
    return f"at least {within.low:g}" if within.high >= NO_LIMIT else _range(within)


def _at_most(number: int | None, noun: str) -> str:
    if number is None:
        return ""
    return f"no {noun}" if number == 0 else f"at most {number} {noun}"
