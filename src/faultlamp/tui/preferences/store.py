"""The file in which choices are remembered, and the thread that writes it.

Rules: the file is read once, before the dashboard stands. It is written by a thread, so that a slow disk never holds
up the screen; of several changes that wait only the latest is written. Just before writing the file is read again, so
that two dashboards open at once do not undo each other's machines. Written is a temporary file in the same folder,
private to its owner, that then takes the file's name: whoever reads sees the old one or the new one, whole.

Nothing here raises towards the dashboard: what went wrong is one line of `take_problems`. A file that cannot be
understood is never lost: it is put aside under another name before a new one takes its place.
"""

from __future__ import annotations

import os
import tempfile
import threading
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from faultlamp.errors import DataFileError
from faultlamp.text import printable
from faultlamp.tui.preferences.document import LARGEST_BYTES, Remembered, from_text, to_text

FILE_NAME = "dashboard.json"
ASIDE = ".not-understood"
_LAST_WAIT_S = 2.0

Update = Callable[[Remembered], Remembered]


class Store:
    """`folder`: where the file is, made when it is first needed. remembered: what is known."""

    def __init__(self, folder: str | os.PathLike[str]) -> None:
        self.path = Path(folder) / FILE_NAME
        self.remembered = Remembered()
        self._problems: list[str] = []
        self._told: set[str] = set()
        self._waiting: dict[str, Update] = {}
        self._lock = threading.Condition()
        self._thread: threading.Thread | None = None
        self._closed = False
        try:
            self.remembered = self._read() or Remembered()
        except OSError as error:
            self._tell(f"cannot be read: {error.strerror or error}; choices of earlier times are not known")
        except DataFileError as error:
            self._tell(f"{error}. Choices of earlier times are not known; the file is put aside when one changes")

    def take_problems(self) -> list[str]:
        """What went wrong since the last call; the same thing once."""
        with self._lock:
            problems, self._problems = self._problems, []
        return problems

    def update(self, subject: str, change: Update) -> None:
        """Remember a change, soon; one of the same subject that still waits is forgotten."""
        self.remembered = change(self.remembered)
        with self._lock:
            self._waiting.pop(subject, None)
            self._waiting[subject] = change
            if self._thread is None:
                # A daemon: a disk that hangs does not keep the program from ending.
                self._thread = threading.Thread(target=self._write_on, name="preferences", daemon=True)
                self._thread.start()
            self._lock.notify_all()

    def close(self) -> None:
        """Write what still waits, as far as that takes no longer than two seconds."""
        with self._lock:
            self._closed = True
            self._lock.notify_all()
        if self._thread is not None:
            self._thread.join(_LAST_WAIT_S)

    def _write_on(self) -> None:
        while True:
            with self._lock:
                while not self._waiting and not self._closed:
                    self._lock.wait()
                if not self._waiting:
                    return
                changes, self._waiting = list(self._waiting.values()), {}
            try:
                self._write(changes)
            except OSError as error:
                self._tell(f"cannot be written: {error.strerror or error}; choices hold until you leave")

    def _write(self, changes: list[Update]) -> None:
        try:
            known = self._read() or Remembered()
        except DataFileError:
            os.replace(self.path, f"{self.path}{ASIDE}")
            known = self.remembered
        for change in changes:
            known = change(known)
        # A name that leads elsewhere, as people who keep their settings in one folder have it, goes on doing so.
        target = Path(os.path.realpath(self.path))
        target.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        handle, temporary = tempfile.mkstemp(prefix=f".{FILE_NAME}.", dir=target.parent)
        try:
            with open(handle, "w", encoding="ascii") as file:
                file.write(to_text(known))
                file.flush()
                os.fsync(file.fileno())
            os.replace(temporary, target)
        except BaseException:
            with suppress(OSError):
                os.unlink(temporary)
            raise

    def _read(self) -> Remembered | None:
        """None where there is no file yet. Raises OSError and DataFileError."""
        try:
            # Not to wait for ever for somebody to write into a pipe of that name.
            handle = os.open(self.path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_CLOEXEC", 0))
        except FileNotFoundError:
            return None
        try:
            content = _read(handle, LARGEST_BYTES + 1)
        finally:
            os.close(handle)
        if len(content) > LARGEST_BYTES:
            raise DataFileError(f"larger than {LARGEST_BYTES} bytes")
        try:
            return from_text(content.decode("utf-8"))
        except UnicodeDecodeError as error:
            raise DataFileError("not a text in UTF-8") from error

    def _tell(self, problem: str) -> None:
        line = f"{printable(str(self.path))}: {problem}."
        with self._lock:
            if line not in self._told:
                self._told.add(line)
                self._problems.append(line)


def usual_folder() -> Path:
    """Where this platform keeps the settings of a user's programs, a folder of our own in it."""
    from platformdirs import user_config_path

    return user_config_path("faultlamp", appauthor=False)


def _read(handle: int, most: int) -> bytes:
    content = b""
    while len(content) < most and (part := os.read(handle, most - len(content))):
        content += part
    return content
