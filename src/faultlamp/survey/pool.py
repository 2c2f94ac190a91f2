"""Work on all cores: a few processes, each with one thing to do at a time.

Each process has a pipe of its own, so when one dies it is known what it was doing: that is one result lost, not the
rest. `concurrent.futures` would give up all that were under way.
"""

from __future__ import annotations

import multiprocessing
import signal
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from multiprocessing.connection import Connection, wait
from typing import Any, TypeVar

Thing = TypeVar("Thing")
Result = TypeVar("Result")


@dataclass(frozen=True, slots=True)
class Lost:
    """The process or machine that had the work did not come back with it. reason: in a few words."""

    reason: str


@dataclass(slots=True, eq=False)
class _Worker:
    process: Any
    pipe: Connection
    thing: Any = None

    @classmethod
    def start(cls, work: Callable[[Any], Any]) -> _Worker:
        # Spawned, not forked: the libraries here have threads, which a fork would not carry over.
        context = multiprocessing.get_context("spawn")
        ours, theirs = context.Pipe()
        process = context.Process(target=_serve, args=(theirs, work), daemon=True)
        with _interrupts_held():
            process.start()
        theirs.close()
        return cls(process, ours)

    def stop(self) -> None:
        self.pipe.close()
        self.process.terminate()
        self.process.join()

    def death(self) -> Lost:
        self.process.join()
        code = self.process.exitcode
        how = f"was ended by signal {-code}" if code < 0 else f"ended with {code}"
        return Lost(f"the process that read it {how}, perhaps for want of memory; try it with fewer --jobs")


def each_on_cores(
    things: Iterable[Thing], work: Callable[[Thing], Result], jobs: int
) -> Iterator[tuple[Thing, Result | Lost]]:
    """`work` of every thing in up to `jobs` processes, as they finish; `work` and all it takes can be pickled."""
    left = iter(things)
    busy: dict[Connection, _Worker] = {}
    idle: list[_Worker] = []
    finished: list[tuple[Thing, Result | Lost]] = []
    try:
        while True:
            for thing in left:
                worker = idle.pop() if idle else _Worker.start(work)
                worker.thing = thing
                busy[worker.pipe] = worker
                # One that died idle is found dead below.
                with suppress(OSError):
                    worker.pipe.send(thing)
                if len(busy) == jobs:
                    break
            yield from finished
            finished = []
            if not busy:
                return
            for pipe in wait(list(busy)):
                worker = busy.pop(pipe)  # type: ignore[call-overload]
                try:
                    finished.append((worker.thing, worker.pipe.recv()))
                    idle.append(worker)
                except (EOFError, OSError):
                    finished.append((worker.thing, worker.death()))
                    worker.stop()
    finally:
        for worker in (*busy.values(), *idle):
            worker.stop()


@contextmanager
def _interrupts_held() -> Iterator[None]:
    """Ctrl-C reaches the whole process group, but only the parent is to act on it: a child inherits the mask."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _serve(pipe: Connection, work: Callable[[Any], Any]) -> None:
    """The life of a worker: until the pipe closes."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    with suppress(EOFError, OSError):
        while True:
            pipe.send(work(pipe.recv()))
