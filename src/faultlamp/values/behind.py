"""Writing that goes on while the next batch is decoded."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from types import TracebackType
from typing import Any

_MOST_WAITING = 2


class Behind:
    """Calls made one after the other in a thread of their own, at most two of them waiting.

    An error of a call is raised by the next `call`, or when the context ends.
    """

    def __init__(self) -> None:
        self._thread = ThreadPoolExecutor(1)
        self._waiting: deque[Future[Any]] = deque()

    def __enter__(self) -> Behind:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, where: TracebackType | None
    ) -> None:
        try:
            while self._waiting and error is None:
                self._waiting.popleft().result()
        finally:
            self._thread.shutdown(cancel_futures=True)

    def call(self, function: Callable[..., object], *given: object) -> None:
        """Have the function called when those before are done; waits while too many wait."""
        while len(self._waiting) >= _MOST_WAITING:
            self._waiting.popleft().result()
        self._waiting.append(self._thread.submit(function, *given))
