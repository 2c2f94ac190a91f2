"""Laws of the shared causes: no fault is lost or doubled, the order of arrival is irrelevant, time stays bounded."""

import random
import sys
import time
from collections import Counter

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from faultlamp.findings.finding import Kind
from faultlamp.findings.onsets import FaultId, Onset, report_stretches
from faultlamp.findings.shared_causes import SharedCauses, shared_causes
from faultlamp.findings.together import began_together
from faultlamp.frames import Frame, FrameBlock
from faultlamp.history.controllers import Controller
from faultlamp.history.history import History
from faultlamp.history.nodes import Nodes
from faultlamp.history.room import Room
from faultlamp.j1939.diagnostics import DM1, DiagnosticReport, Dtc, LampState
from faultlamp.knowledge.shared_causes import load_shared_causes
from support.strategies import traffic
from support.trouble import SECOND, frames_of

RULES = load_shared_causes()
SPNS = [100, 110, 639, 1569, 2003, 2061, 3509, 520200]
FMIS = [1, 3, 4, 5, 7, 9, 19, 31]

told = st.lists(
    st.tuples(
        st.integers(0, 120).map(lambda half: half / 2), st.sampled_from([0, 3, 61]),
        st.lists(st.tuples(st.sampled_from(SPNS), st.sampled_from(FMIS)), max_size=6, unique=True),
    ),
    max_size=30, unique_by=lambda each: each[:2],
)


def judged(frames: list[Frame], *, all_of_it: bool = True, nodes: Nodes | None = None) -> tuple[History, SharedCauses]:
    """The history of the frames and what is found at its end."""
    history = History()
    for frame in frames:
        history.feed(frame)
        if nodes is not None:
            nodes.feed(frame)
    at_ns = history.end_ns or 0
    history.advance(at_ns)
    return history, shared_causes(history, at_ns, RULES, nodes=nodes, all_of_it=all_of_it)


def check_whole(history: History, causes: SharedCauses) -> None:
    """Every fault that was ever active is in findings, one of each kind at most, or alone; nothing is invented."""
    ever = {
        FaultId(*which, *pair) for which, controller in history.controllers.items()
        for pair, fault in controller.faults.items() if fault.spans
    }
    grouped = {fault for finding in causes.findings for fault in finding.faults}
    assert grouped | set(causes.alone) == ever
    assert not grouped & set(causes.alone)
    assert len(causes.alone) == len(set(causes.alone))
    for kind in Kind:
        counts = Counter(fault for finding in causes.findings if finding.kind is kind for fault in finding.faults)
        assert set(counts.values()) <= {1}
    for finding in causes.findings:
        assert len(finding.faults) >= 2
        assert finding.leading is None or finding.leading in finding.faults
        assert len(finding.faults) == len(finding.evidence.begins_ns)
        assert list(finding.evidence.begins_ns) == sorted(finding.evidence.begins_ns)


@settings(max_examples=150, deadline=None)
@given(told)
def test_no_fault_is_lost_or_doubled(reports: list[tuple[float, int, list[tuple[int, int]]]]) -> None:
    """Of any DM1s: all faults are told, each once a kind."""
    history, causes = judged(frames_of(reports))
    check_whole(history, causes)


@settings(max_examples=60, deadline=None)
@given(traffic())
def test_any_traffic_is_judged(frames: list[Frame]) -> None:
    """Frames of any kind at awkward times never raise, and the law holds for them too."""
    check_whole(*judged(frames))
    check_whole(*judged(frames, nodes=Nodes()))
    judged(frames, all_of_it=False)


@settings(max_examples=60, deadline=None)
@given(traffic(), st.integers(0, 30))
def test_blocks_lead_to_the_same(frames: list[Frame], cut: int) -> None:
    """Columns give what rows give."""
    by_rows = judged(frames)[1]
    history = History()
    for part in (frames[:cut], frames[cut:]):
        history.feed_block(FrameBlock.from_frames(part))
    at_ns = history.end_ns or 0
    history.advance(at_ns)
    assert shared_causes(history, at_ns, RULES, all_of_it=True) == by_rows


@settings(max_examples=100, deadline=None)
@given(told, st.randoms(use_true_random=False))
def test_the_order_of_arrival_is_irrelevant(
    reports: list[tuple[float, int, list[tuple[int, int]]]], shuffle: random.Random
) -> None:
    """The order of codes in a DM1, and in which controllers are met, changes nothing."""
    mixed = [(second, source, shuffle.sample(pairs, len(pairs))) for second, source, pairs in reports]
    straight, other = judged(frames_of(reports)), judged(frames_of(mixed))
    history = other[0]
    keys = list(history.controllers)
    shuffle.shuffle(keys)
    history.controllers = {key: history.controllers[key] for key in keys}
    assert shared_causes(history, history.end_ns or 0, RULES, all_of_it=True) == straight[1]


onsets = st.lists(
    st.tuples(st.integers(0, 40), st.integers(0, 8)), max_size=25, unique=True
).map(lambda pairs: [Onset(second * SECOND, FaultId("can0", 0, spn, 3), None, True) for second, spn in sorted(pairs)])


@settings(max_examples=200, deadline=None)
@given(onsets)
def test_groups_fit_their_window(beginnings: list[Onset]) -> None:
    """A group lies within one window, has each fault once, and there is one whenever two faults began within it."""
    found = began_together(beginnings, 3 * SECOND, 2)
    members = [onset.fault for group in found for onset in group.onsets]
    assert len(members) == len(set(members))
    for group in found:
        assert group.last_ns - group.first_ns <= 3 * SECOND
        assert set(group.onsets) <= set(beginnings)
        assert len(group.times_ns) >= 1
    if not found:
        assert all(
            one.fault == other.fault or abs(one.time_ns - other.time_ns) > 3 * SECOND
            for one in beginnings for other in beginnings
        )


@settings(max_examples=100, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 9000), st.sampled_from(LampState)), max_size=40))
def test_report_stretches_are_the_runs_of_dm1s(reports: list[tuple[int, LampState]]) -> None:
    """Drawn from the lamps' spans, they are what gaps of 5 s between DM1s (docs/faults-json.md) divide."""
    controller = Controller("can0", 0, Room(), lambda change: None)
    at_ns, times = 1_700_000_000 * SECOND, []
    for gap_ms, state in reports:
        at_ns += (gap_ms + 1) * 1_000_000
        times.append(at_ns)
        controller.report(at_ns, DiagnosticReport(DM1, (state,) * 4, ()))
    expected: list[list[int]] = []
    for time_ns in times:
        if expected and time_ns - expected[-1][1] < 5 * SECOND:
            expected[-1][1] = time_ns
        else:
            expected.append([time_ns, time_ns])
    stretches = report_stretches(controller)
    assert [start_ns for start_ns, _ in stretches] == [first for first, _ in expected]
    assert [end_ns for _, end_ns in stretches[:-1]] == [last for _, last in expected[:-1]]
    assert not stretches or stretches[-1][1] is None


def crowd(faults: int, sources: int, moments: int) -> History:
    """Sources with many faults each, told at several moments, electrical, network and consequences mixed."""
    history = History()
    for source in range(sources):
        controller = history.controllers["can0", source] = Controller(
            "can0", source, history.room, lambda change: None
        )
        for moment in range(moments * 2):
            listed = tuple(
                Dtc(spn, FMIS[spn % len(FMIS)], 1, 0) for spn in range(1, faults + 1)
            ) if moment % 2 else ()
            controller.report(moment * SECOND + source, DiagnosticReport(DM1, (LampState.ON,) * 4, listed))
    return history


@pytest.mark.parametrize("shape", [(445, 20, 4), (4, 250, 40)], ids=["many-faults", "many-sources-flickering"])
def test_the_effort_grows_like_the_number_of_faults(shape: tuple[int, int, int]) -> None:
    """Four times the faults take at most about four times the steps: counted, not timed."""
    faults, sources, moments = shape
    steps = []
    for part in (4, 1):
        history = crowd(faults, sources // part, moments)
        steps.append(_steps(history))
    assert steps[1] < 8 * steps[0]


def _steps(history: History) -> int:
    """Lines of the findings' code that run."""
    count = 0

    def trace(frame: object, event: str, argument: object) -> object:
        nonlocal count
        count += 1
        return trace

    sys.settrace(trace)  # type: ignore[arg-type]
    try:
        shared_causes(history, 1000 * SECOND, RULES, all_of_it=True)
    finally:
        sys.settrace(None)
    return count


def test_a_crowd_of_faults_stays_alone() -> None:
    """445 codes of 254 sources are not grouped, and not one is lost."""
    history = crowd(445, 254, 1)
    causes = shared_causes(history, 1000 * SECOND, RULES, all_of_it=True)
    assert causes.crowded
    assert causes.findings == ()
    assert len(causes.alone) == sum(len(controller.faults) for controller in history.controllers.values()) > 90_000


def test_a_clock_step_loses_no_fault() -> None:
    """Faults that ended with a step of the clock are told, alone."""
    history = crowd(3, 1, 1)
    history.step_back()
    for controller in history.controllers.values():
        controller.break_off(2 * SECOND)
    history.clock_steps = 1
    check_whole(history, shared_causes(history, 1000 * SECOND, RULES, all_of_it=True))


def test_time_is_passed_in() -> None:
    """Nothing asks the clock: the same history gives the same findings later."""
    history = crowd(20, 3, 3)
    first = shared_causes(history, 1000 * SECOND, RULES, all_of_it=True)
    time.sleep(0.01)
    assert shared_causes(history, 1000 * SECOND, RULES, all_of_it=True) == first
