"""The fault memory of a controller: what is known, pending, permanent and frozen, before and after clearing."""

import pytest

from faultlamp.j1939.diagnostics import Lamp, LampState
from faultlamp.rig.memory import Found, Memory
from faultlamp.rig.scenario import Fault, PowerSpan

S = 1_000_000_000

# One key cycle of 1000 s in which the engine runs from 100 s on, and one more.
SPANS = (PowerSpan(0, 1000 * S, ((100 * S, 1000 * S),)), PowerSpan(1100 * S, 2000 * S, ((1200 * S, 2000 * S),)))


def code(
    spn: int, *present: tuple[float, float], before: int = 0, good_starts: int = 0,
    pending: tuple[tuple[float, float], ...] = (), permanent: bool = False, lamps: tuple[Lamp, ...] = (),
) -> Fault:
    """A code of FMI 3; windows in seconds."""
    times = [tuple((round(a * S), round(b * S)) for a, b in windows) for windows in (present, pending)]
    return Fault("engine", spn, 3, times[0], lamps, LampState.ON, before, good_starts, False, times[1], permanent)


def known(memory: Memory, second: float) -> list[tuple[int, bool, int]]:
    """SPN, active, count."""
    return [(fault.spn, now.active, now.occurrence_count) for fault, now in memory.known(round(second * S))]


def test_clearing_stored_and_all() -> None:
    """SAE J1939-73, 5.7.3 and 5.7.11: the one leaves active codes, the other takes all; what is still wrong returns."""
    memory = Memory([code(1, (10, 500)), code(2, (10, 20)), code(3, before=4)], SPANS)
    assert known(memory, 30) == [(1, True, 1), (2, False, 1), (3, False, 4)]
    memory.clear_stored(30 * S)
    assert known(memory, 30) == [(1, True, 1)]
    assert memory.all_cleared_ns is None
    memory.clear_all(40 * S)
    assert known(memory, 40) == []
    assert memory.all_cleared_ns == 40 * S
    assert known(memory, 41) == [(1, True, 1)]
    assert memory.next_change_ns(40 * S) == 40 * S + S // 2


def test_version_tells_when_something_changed() -> None:
    """It goes up with each clearing that forgot something, and not otherwise."""
    memory = Memory([code(1, (10, 500)), code(3, before=4)], SPANS)
    versions = []
    for clear in (memory.clear_stored, memory.clear_stored, memory.clear_all):
        clear(30 * S)
        versions.append(memory.version)
    assert versions == [1, 1, 2]
    assert Memory([], SPANS).version == 0


@pytest.mark.parametrize(
    ("spn", "active", "found"),
    # the reasons of SAE J1939-73, section 5.7.22: 2 unknown, 3 no longer previously active, 4 no longer active
    [(1, True, Found.DONE), (1, False, Found.NOT_PREVIOUSLY_ACTIVE), (2, False, Found.DONE),
     (2, True, Found.NOT_ACTIVE), (9, True, Found.UNKNOWN), (4, False, Found.UNKNOWN)],
)  # fmt: skip
def test_clearing_one(spn: int, active: bool, found: Found) -> None:
    """Only the named code in the named state is forgotten; one that has not appeared yet is unknown."""
    memory = Memory([code(1, (10, 29.5), good_starts=3), code(2, (10, 20)), code(4, (500, 600))], SPANS)
    before = known(memory, 30)
    assert memory.clear_one(30 * S, spn, 3, active=active) is found
    expected = [row for row in before if found is not Found.DONE or row[0] != spn]
    assert known(memory, 30) == expected
    assert known(memory, 40) == expected
    assert memory.clear_one(30 * S, spn, 4, active=active) is Found.UNKNOWN


def test_permanent_codes_outlive_clearing() -> None:
    """SAE J1939-73, 5.7.28 (from memory): only the controller's own finding takes a permanent code away."""
    memory = Memory([code(1, (10, 50), good_starts=1, permanent=True), code(2, (10, 50))], SPANS)
    assert memory.permanent(5 * S) == []
    memory.clear_all(60 * S)
    assert known(memory, 70) == []
    assert [fault.spn for fault, _ in memory.permanent(70 * S)] == [1]
    assert [fault.spn for fault, _ in memory.permanent(1150 * S)] == [1]
    assert memory.permanent(1203 * S) == []  # the next start was a good one


def test_pending_codes_are_forgotten_until_they_come_again() -> None:
    """A window in which all is cleared is over; the next one counts again."""
    memory = Memory([code(1, pending=((10, 50), (60, 70)))], SPANS)
    assert [len(memory.pending(second * S)) for second in (9, 10, 49, 50, 60)] == [0, 1, 1, 0, 1]
    memory.clear_stored(20 * S)
    assert len(memory.pending(21 * S)) == 1
    memory.clear_all(30 * S)
    assert [len(memory.pending(second * S)) for second in (30, 40, 60)] == [0, 0, 1]


def test_frozen_is_the_latest_activation() -> None:
    """Each known code that became active here, by when it did last; cleared ones have no frame."""
    memory = Memory([code(1, (300, 310), (400, 410)), code(2, (350, 900)), code(3, before=2)], SPANS)
    assert [(fault.spn, at // S) for fault, _, at in memory.frozen(320 * S)] == [(1, 300)]
    assert [(fault.spn, at // S) for fault, _, at in memory.frozen(500 * S)] == [(2, 350), (1, 400)]
    memory.clear_stored(500 * S)
    assert [(fault.spn, at // S) for fault, _, at in memory.frozen(500 * S)] == [(2, 350)]
    memory.clear_all(600 * S)
    assert memory.frozen(600 * S) == []
    assert [(fault.spn, at) for fault, _, at in memory.frozen(601 * S)] == [(2, 600 * S + S // 2)]


def test_minutes_of_running_engine() -> None:
    """Running minutes and those with the lamp, whole ones, since the beginning or the last clearing of all."""
    memory = Memory([code(1, (130, 400), lamps=(Lamp.MALFUNCTION_INDICATOR,)), code(2, (130, 999))], SPANS)
    lamp = Lamp.MALFUNCTION_INDICATOR
    assert [memory.minutes_running(second * S) for second in (100, 159, 160, 1000, 1260)] == [0, 0, 1, 15, 16]
    assert [memory.minutes_with_lamp(lamp, second * S) for second in (130, 190, 400, 1000)] == [0, 1, 4, 4]
    memory.clear_all(200 * S)
    assert memory.minutes_running(260 * S) == 1
    # back half a second later, so nearly 200 s more
    assert memory.minutes_with_lamp(lamp, 1000 * S) == 3


def test_many_clearings_stay_cheap() -> None:
    """Clearing all a thousand times remembers one of them, not a thousand."""
    memory = Memory([code(1, (0, 999))], SPANS)
    for number in range(1000):
        memory.clear_all(10 * S + number * S // 2)
    assert known(memory, 600) == [(1, True, 1)]
    assert memory.version == 1000


def test_time_does_not_run_back_before_a_clearing() -> None:
    """What is asked for an earlier moment is what was left by the clearing: a late answer shows no ghosts."""
    memory = Memory([code(1, before=3)], SPANS)
    memory.clear_all(50 * S)
    assert known(memory, 49) == []
