"""Work on several processes: all of it done, and a process that dies takes one piece with it."""

import multiprocessing
import signal
import time
from collections.abc import Callable
from typing import Any

import pytest

from faultlamp.survey.pool import Lost, each_on_cores


def results(things: list[Any], work: Callable[[Any], Any], jobs: int) -> list[tuple[Any, Any]]:
    """All of them, in the order of the things."""
    return sorted(each_on_cores(things, work, jobs), key=lambda pair: things.index(pair[0]))


@pytest.mark.parametrize("jobs", [1, 2])
def test_everything_is_done_once(jobs: int) -> None:
    """More work than processes, and more than a pipe holds."""
    things = [b"x" * 300_000 + bytes([number]) for number in range(7)]
    assert results(things, len, jobs) == [(thing, 300_001) for thing in things]


def test_processes_are_started_for_work_alone() -> None:
    """Nothing to do is done at once, without a process."""
    assert results([], len, 4) == []
    running = each_on_cores([0.0], time.sleep, 4)
    next(running)
    assert len(multiprocessing.active_children()) == 1
    running.close()


def test_a_death_costs_what_was_being_done() -> None:
    """Signal 0 is none (POSIX, kill): that work returns; the others lose theirs, each saying by which signal."""
    things = [0, signal.SIGKILL, 0, signal.SIGTERM, 0]
    found = list(each_on_cores(things, signal.raise_signal, 2))
    assert sorted(thing for thing, _ in found) == sorted(things)
    for thing, result in found:
        if thing == 0:
            assert result is None
        else:
            assert isinstance(result, Lost)
            assert f"signal {int(thing)}" in result.reason


def test_stopping_early_leaves_no_process() -> None:
    """Whoever has enough closes the loop."""
    running = each_on_cores([1000.0, 0.0], time.sleep, 2)
    assert next(running) == (0.0, None)
    running.close()
    assert not multiprocessing.active_children()
