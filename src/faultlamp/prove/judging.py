"""All expectations of a file against what was heard: the verdicts, in the order of the kinds."""

from __future__ import annotations

from faultlamp.prove.controllers import judge_controller, judge_key_cycles
from faultlamp.prove.expectations import (
    BusExpected,
    ControllerExpected,
    Expectation,
    Expectations,
    FaultExpected,
    KeyCyclesExpected,
    LampExpected,
    NoOtherFaults,
    ReadingExpected,
    TransportExpected,
)
from faultlamp.prove.faults import judge_fault, judge_no_other_faults
from faultlamp.prove.heard import Heard
from faultlamp.prove.lamps import judge_lamp
from faultlamp.prove.readings import judge_reading
from faultlamp.prove.verdict import Finding, Result, Verdict
from faultlamp.prove.whole import judge_bus, judge_transport
from faultlamp.prove.wording import expected_words


def verdicts(heard: Heard, expectations: Expectations) -> list[Verdict]:
    """What became of each expectation; `heard` was closed before."""
    full = heard.history.room.refused > 0
    found = []
    for one in expectations.expected:
        finding = _finding(heard, one)
        if full and finding.result is Result.HELD:
            words = "too many faults or spans to keep them all; the traffic looks damaged or hostile"
            finding = Finding(Result.NOT_SHOWN, words)
        found.append(Verdict(one, expected_words(one), finding))
    return found


def _finding(heard: Heard, one: Expectation) -> Finding:
    match one:
        case FaultExpected():
            return judge_fault(heard, one)
        case NoOtherFaults():
            return judge_no_other_faults(heard, one)
        case LampExpected():
            return judge_lamp(heard, one)
        case ReadingExpected():
            return judge_reading(heard, one)
        case ControllerExpected():
            return judge_controller(heard, one)
        case KeyCyclesExpected():
            return judge_key_cycles(heard, one)
        case TransportExpected():
            return judge_transport(heard, one)
        case BusExpected():
            return judge_bus(heard, one)
    raise AssertionError(f"{one.kind} is no kind of expectation")
