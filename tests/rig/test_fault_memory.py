"""When a code is active: counts, key off, good starts, and the limit of one change a second."""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from faultlamp.j1939.diagnostics import LampState
from faultlamp.rig.fault_memory import Change, remember, state_at
from faultlamp.rig.scenario import Fault, PowerSpan

S = 1_000_000_000


def fault(*present: tuple[float, float], good_starts: int = 0, before: int = 0) -> Fault:
    """A code of the engine whose cause is there in the windows, in seconds."""
    windows = tuple((round(start * S), round(end * S)) for start, end in present)
    return Fault("engine", 110, 3, windows, (), LampState.ON, before, good_starts)


def cycle(on: float, off: float, *running: tuple[float, float]) -> PowerSpan:
    """A key cycle, in seconds."""
    return PowerSpan(round(on * S), round(off * S), tuple((round(a * S), round(b * S)) for a, b in running))


# Five key cycles of 10 s with 10 s between them; the engine runs for the last 7 s of each.
CYCLES = [cycle(at, at + 10, (at + 3, at + 10)) for at in (0, 20, 40, 60, 80)]

CASES = [
    # SAE J1939-73 section 5.7.1: a code is active while the controller says so; each activation counts one
    pytest.param(fault((4, 6)), [(4, True, 1), (6, False, 1)], id="comes-and-goes"),
    pytest.param(fault((4, 6), before=7), [(4, True, 8), (6, False, 8)], id="counts-on-from-before"),
    pytest.param(
        fault((4, 6), before=126), [(4, True, 126), (6, False, 126)], id="count-stops-at-126"
    ),
    pytest.param(
        fault((4, 6), (8, 9)), [(4, True, 1), (6, False, 1), (8, True, 2), (9, False, 2)], id="counts-each-time"
    ),
    pytest.param(fault((12, 18)), [], id="nobody-awake-sees-it"),
    pytest.param(fault((12, 25)), [(20, True, 1), (25, False, 1)], id="seen-at-key-on"),
    pytest.param(fault((4, 15)), [(4, True, 1), (20, False, 1)], id="gone-at-next-key-on"),
    pytest.param(fault((4, 25)), [(4, True, 1), (25, False, 1)], id="stays-active-over-key-off"),
    # the rule of three good starts (common practice, no source): each start counts 2 s after the engine runs
    pytest.param(fault((4, 15), good_starts=1), [(4, True, 1), (25, False, 1)], id="one-good-start"),
    pytest.param(fault((4, 15), good_starts=3), [(4, True, 1), (65, False, 1)], id="three-good-starts"),
    pytest.param(
        fault((4, 6), good_starts=3), [(4, True, 1), (65, False, 1)], id="the-cycle-of-the-repair-does-not-count"
    ),
    pytest.param(
        fault((4, 15), (46, 47), good_starts=3), [(4, True, 1)], id="comes-back-and-the-starts-count-anew"
    ),
    pytest.param(
        fault((4, 15), (70.5, 71), good_starts=2), [(4, True, 1), (45, False, 1)], id="back-while-key-off-unseen"
    ),
    # SAE J1939-73 section 5.7.1, from memory: at most one change a second
    pytest.param(fault((4, 4.2)), [(4, True, 1), (5, False, 1)], id="short-one-lasts-a-second"),
    pytest.param(
        fault((4, 4.2), (4.4, 4.6), (4.9, 6.5)), [(4, True, 1), (6.5, False, 1)], id="chatter-within-a-second"
    ),
    pytest.param(
        fault((4, 5.2), (5.4, 7)),
        [(4, True, 1), (5.2, False, 1), (6.2, True, 2), (7.2, False, 2)],
        id="back-too-soon-waits",
    ),
    pytest.param(fault((9.5, 15)), [(9.5, True, 1), (20, False, 1)], id="held-back-over-key-off"),
]


@pytest.mark.parametrize(("code", "expected"), CASES)
def test_a_code_changes_when_the_rules_say(code: Fault, expected: list[tuple[float, bool, int]]) -> None:
    """Each change of a code is at the expected time with the expected state and count."""
    assert remember(code, CYCLES) == tuple(Change(round(at * S), active, count) for at, active, count in expected)


def test_a_cycle_without_a_start_is_no_good_start() -> None:
    """Key on without an engine start does not count, nor does an engine that ran for less than 2 s."""
    cycles = [
        cycle(0, 10, (3, 10)), cycle(20, 30), cycle(40, 50, (48.5, 50)), cycle(60, 70, (63, 70)), cycle(80, 90),
    ]
    assert [change.time_ns for change in remember(fault((4, 15), good_starts=1), cycles)] == [4 * S, 65 * S]


def test_two_starts_in_one_cycle_count_once() -> None:
    """A good start is a key cycle, however often the engine is started in it."""
    cycles = [cycle(0, 10, (3, 10)), cycle(20, 40, (22, 28), (30, 40)), cycle(60, 70, (63, 70))]
    assert [change.time_ns for change in remember(fault((4, 15), good_starts=2), cycles)] == [4 * S, 65 * S]


def test_state_before_any_change_is_what_was_stored() -> None:
    """A count before makes the code known and not active; without one the controller has never seen it."""
    assert state_at(fault(), (), 5) is None
    assert state_at(fault(before=2), (), 5) == Change(0, False, 2)


windows = st.lists(st.integers(0, 1000), max_size=16, unique=True).map(
    lambda edges: [(a / 10, b / 10) for a, b in zip(sorted(edges)[::2], sorted(edges)[1::2], strict=False)]
)


@given(windows, st.integers(0, 3))
def test_changes_alternate_a_second_apart_while_awake(present: list[tuple[float, float]], good_starts: int) -> None:
    """Whatever the cause does: states alternate, at least 1 s apart, only while the controller is awake."""
    changes = remember(fault(*present, good_starts=good_starts), CYCLES)
    assert all(one.active != other.active for one, other in pairwise(changes))
    assert all(other.time_ns - one.time_ns >= S for one, other in pairwise(changes))
    assert all(any(c.on_ns <= change.time_ns < c.off_ns for c in CYCLES) for change in changes)
    assert [change.occurrence_count for change in changes if change.active] == list(
        range(1, sum(change.active for change in changes) + 1)
    )
