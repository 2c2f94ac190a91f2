"""Waiting for a driver no longer than a person would.

Rule: a driver may hang in its library, in the kernel or in the network, where nothing in Python can end it. So its work
is done in a thread of its own, and whoever asked for it waits that long and no longer; Ctrl-C ends the waiting too.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from typing import TypeVar

CLOSING_S = 2.0
"""How long a driver may take to close before it is left behind."""

Result = TypeVar("Result")

# Windows tells of Ctrl-C only between two waits.
_SLICE_S = 0.2


class Hanging(TimeoutError):
    """It took too long. done: set once it has come to an end after all."""

    def __init__(self, words: str, done: threading.Event) -> None:
        super().__init__(words)
        self.done = done


def within(limit_s: float, work: Callable[[], Result], late: Callable[[Result], object] = lambda _: None) -> Result:
    """What `work` returns or raises. Raises Hanging when it takes longer than `limit_s`.

    late: given what `work` returns when nobody waits any more, to clean up.
    """
    done, lock = threading.Event(), threading.Lock()
    results: list[Result] = []
    errors: list[BaseException] = []
    waiting = True

    def run() -> None:
        try:
            results.append(work())
        except BaseException as error:  # it belongs to whoever waits
            errors.append(error)
        with lock:
            done.set()
            wanted = waiting
        if not wanted and results:
            late(results[0])

    threading.Thread(target=run, name="faultlamp-driver", daemon=True).start()
    end_s = time.monotonic() + limit_s
    try:
        while (left_s := end_s - time.monotonic()) > 0 and not done.wait(min(left_s, _SLICE_S)):
            pass
    except BaseException:
        with lock:
            waiting = False
        if done.is_set() and results:
            late(results[0])
        raise
    with lock:
        waiting = False
        over = done.is_set()
    if not over:
        raise Hanging(f"no end after {limit_s:g} s", done)
    if errors:
        raise errors[0]
    return results[0]
