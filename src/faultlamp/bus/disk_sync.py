"""Making the system put a file on the disk itself, from a thread of its own.

Rule: fsync(2). What was written survives the end of a process at once, but a power cut only when it has been synced.
That may take seconds on a slow card, and the reading of a bus must not wait for it. `finish` keeps the file open by a
descriptor of its own, so that it may be closed meanwhile.
"""

from __future__ import annotations

import os
from contextlib import suppress
from queue import SimpleQueue
from threading import Thread

_CLOSE_TIMEOUT_S = 30.0


class DiskSync:
    """A thread that syncs what it is asked to. error: why a sync failed, None while none did."""

    def __init__(self) -> None:
        self.error: OSError | None = None
        self._jobs: SimpleQueue[int | None] = SimpleQueue()
        self._thread = Thread(target=self._run, name="faultlamp-disk", daemon=True)
        self._thread.start()

    def ask(self, descriptor: int) -> None:
        """Sync soon; nothing when a sync asked for before has not begun yet, since it will take all."""
        if self._jobs.empty():
            self.finish(descriptor)

    def finish(self, descriptor: int) -> None:
        """Sync in any case, also when the file is closed meanwhile."""
        try:
            self._jobs.put(os.dup(descriptor))
        except OSError as error:
            self.error = self.error or error

    def close(self) -> None:
        """Wait until all is done, half a minute at most; once."""
        self._jobs.put(None)
        self._thread.join(_CLOSE_TIMEOUT_S)

    def _run(self) -> None:
        while (descriptor := self._jobs.get()) is not None:
            try:
                # Without the times of access and change, where the system can.
                getattr(os, "fdatasync", os.fsync)(descriptor)
            except OSError as error:
                self.error = self.error or error
            with suppress(OSError):
                os.close(descriptor)
