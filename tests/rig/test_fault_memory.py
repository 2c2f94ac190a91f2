"""When a code is active: counts, key off, good starts, and the limit of one change a second."""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from faultlamp.j1939.diagnostics import LampState
from faultlamp.rig.fault_memory import Change, Clearing, remember, state_at
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


def wipe(at: float) -> Clearing:
    """Everything is cleared, in seconds."""
    return Clearing(round(at * S), wipes_active=True)


def tidy(at: float) -> Clearing:
    """Previously active codes are cleared, in seconds."""
    return Clearing(round(at * S), wipes_active=False)


CLEARINGS = [
    # SAE J1939-73, sections 5.7.3 (DM3: previously active codes) and 5.7.11 (DM11: active ones, too)
    pytest.param(fault((4, 6)), [tidy(7)], [(4, True, 1), (6, False, 1), (7, False, 0)], id="stored-goes"),
    pytest.param(fault((4, 8)), [tidy(7)], [(4, True, 1), (8, False, 1)], id="active-stays-with-its-count"),
    pytest.param(fault(before=5), [tidy(7)], [(7, False, 0)], id="stored-from-before-goes"),
    pytest.param(fault(before=5), [wipe(7)], [(7, False, 0)], id="all-takes-the-stored-too"),
    pytest.param(fault(), [wipe(7), tidy(8)], [], id="nothing-to-forget"),
    pytest.param(
        fault((4, 6), (8, 9)), [tidy(7)], [(4, True, 1), (6, False, 1), (7, False, 0), (8, True, 1), (9, False, 1)],
        id="counts-anew",
    ),
    # common practice, no source: the controller finds again what is still wrong, here after half a second
    pytest.param(
        fault((4, 9), before=3), [wipe(7)], [(4, True, 4), (7, False, 0), (7.5, True, 1), (9, False, 1)],
        id="still-wrong-comes-back",
    ),
    pytest.param(
        fault((4, 7.2)), [wipe(7)], [(4, True, 1), (7, False, 0)], id="right-before-it-looks-again"
    ),
    pytest.param(
        fault((4, 15), good_starts=3), [wipe(21)], [(4, True, 1), (21, False, 0)], id="waiting-for-good-starts-goes"
    ),
    pytest.param(
        fault((4, 9)), [wipe(7), wipe(8)],
        [(4, True, 1), (7, False, 0), (7.5, True, 1), (8, False, 0), (8.5, True, 1), (9.5, False, 1)], id="twice",
    ),
    pytest.param(fault((4, 6)), [tidy(6)], [(4, True, 1), (6, False, 0)], id="goes-in-the-instant-of-the-clearing"),
    pytest.param(fault((4, 9)), [wipe(15)], [(4, True, 1), (9, False, 1)], id="asleep-hears-nothing"),
    pytest.param(
        fault((4, 25)), [wipe(9.8)], [(4, True, 1), (9.8, False, 0), (20, True, 1), (25, False, 1)],
        id="looks-again-at-the-next-key-on",
    ),
]


@pytest.mark.parametrize(("code", "clearings", "expected"), CLEARINGS)
def test_clearing_changes_what_is_remembered(
    code: Fault, clearings: list[Clearing], expected: list[tuple[float, bool, int]]
) -> None:
    """Each change is at the expected time; 'not active' with a count of 0 is a code that nobody knows any more."""
    changes = remember(code, CYCLES, clearings)
    assert changes == tuple(Change(round(at * S), active, count) for at, active, count in expected)
    for change in changes:
        known = change.active or change.occurrence_count > 0
        assert state_at(code, changes, change.time_ns) == (change if known else None)


@given(windows, st.lists(st.tuples(st.integers(0, 900), st.booleans()), max_size=6))
def test_right_after_a_clearing_nothing_is_stored(
    present: list[tuple[float, float]], times: list[tuple[int, bool]]
) -> None:
    """Whatever the cause does: nothing previously active outlives a clearing, nothing at all the clearing of all."""
    clearings = sorted((Clearing(at * S // 10, every) for at, every in times), key=lambda clearing: clearing.time_ns)
    code = fault(*present, before=2)
    changes = remember(code, CYCLES, clearings)
    for clearing in clearings:
        if any(span.on_ns <= clearing.time_ns < span.off_ns for span in CYCLES):
            state = state_at(code, changes, clearing.time_ns)
            last = [other for other in clearings if other.time_ns == clearing.time_ns][-1]
            assert state is None or (state.active and not last.wipes_active)
    assert all(one.time_ns <= other.time_ns for one, other in pairwise(changes))
