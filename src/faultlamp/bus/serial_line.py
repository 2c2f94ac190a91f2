"""An adapter on a serial port that speaks the public ASCII protocol: python-can's `slcan` driver, made robust.

Rule: the Lawicel protocol (from memory). A command ends with CR and is answered with CR, or with BEL for no; a frame
is a line that ends with CR. `L` opens the channel without acknowledging, `O` opens it for taking part.

What differs from python-can 4.6:

    reading     whole blocks instead of single bytes; a line that cannot be read costs nothing but itself
    opening     the answer is looked at: where `L` is refused, the channel is opened with `O`, and that can be told;
                a refusal that comes too late ends the reading, and the next opening on that port takes `O` at once
    writing     ends after a second; python-can waits for ever for an adapter that takes no bytes
    closing     the port is closed also when the adapter is gone
"""

from __future__ import annotations

import re
import time
from collections import deque
from contextlib import suppress
from typing import Any

from can import CanError
from can.interfaces.slcan import slcanBus

LONGEST_LINE = 4096
"""Bytes without a line's end that are more than any line has: the longest one, a CAN FD frame, has 145."""

_WRITE_S = 1.0
late_ports: set[str] = set()
"""Ports whose adapter answered `L` when it was believed to listen already."""

ANSWER_S = 2.0
"""Seconds that an answer may take. It comes within some tens of milliseconds, over Bluetooth later, or never."""

# Without a byte for that long, what was asked before has been answered. The second time: for certain. Two letters, two
# times each, end within the time that opening has.
_QUIET_S = (0.05, 1.0)
_LONGEST_SETTLING_S = 1.0
_PORT_TIMEOUT_S = 0.005
_MOST_AT_ONCE = 65_536
_LINE_END = re.compile(rb"(?<=[\r\a])")
_FRAME_LETTERS = b"tTrRdDbBx"
_FRAME = re.compile(rb"[tTrRdDbBx][0-9A-Fa-f]+\r")


class AdapterRefusal(CanError):
    """The adapter does not do what it was asked for. advice: what a person can do about it."""

    def __init__(self, reason: str, advice: str) -> None:
        super().__init__(reason)
        self.advice = advice


class SerialLine(slcanBus):
    """python-can's bus for `slcan`, with its arguments. Raises what that raises.

    insist: with `listen_only`, rather do not open than acknowledge.
    listens_only: the channel was opened without acknowledging, as far as the adapter says.
    """

    def __init__(self, *args: Any, insist: bool = False, **kwargs: Any) -> None:
        self.listens_only = False
        self._insist = insist
        self._opened = False
        # `L` is not answered yet. And whether the adapter answers at all, so that what comes next is that answer.
        self._unanswered = self._answers = False
        self._lines: deque[bytes] = deque()
        self._rest = b""
        self._endless = False
        kwargs.setdefault("timeout", _PORT_TIMEOUT_S)
        try:
            super().__init__(*args, **kwargs)
        except BaseException:
            self._is_shutdown = True
            port = getattr(self, "serialPortOrig", None)
            if port is not None:
                port.close()
            raise

    def open(self) -> None:
        """Open the channel, once. Raises AdapterRefusal when it says no."""
        if self._opened:
            return
        late = self.serialPortOrig.port in late_ports
        letters = "O" if not self._listen_only else "L" if self._insist else "LO"
        for letter in letters.replace("L", "") if late else letters:
            if self._opens_with(letter):
                self._opened = True
                self.listens_only = letter == "L"
                return
        if letters == "L":
            raise AdapterRefusal(
                "the adapter has no listen-only mode", "set the bit rate with -b, from the machine's papers"
            )
        raise AdapterRefusal(
            "the adapter does not open its channel", "give a bit rate that it has with -b; is it an slcan adapter?"
        )

    def shutdown(self) -> None:
        """Close the channel and the port; the port in any case."""
        try:
            super().shutdown()
        finally:
            self.serialPortOrig.close()

    def _opens_with(self, letter: str) -> bool:
        """Whether the adapter takes the command. One that does not answer at all counts as taking it."""
        for quiet_s in _QUIET_S:
            self.close()  # another program may have left it open, and an open channel refuses
            self._settle(quiet_s)
            self._write(letter)
            answer = self._take(ANSWER_S)
            if answer is None or not answer.endswith(self._ERROR):
                self._unanswered = answer is None and letter == "L"
                if answer is not None and answer[:1] in _FRAME_LETTERS:  # it says that the channel is open
                    self._lines.appendleft(answer)
                return True
        return False

    def _settle(self, quiet_s: float) -> None:
        """Drop the answers to what was asked before."""
        end_s = time.monotonic() + _LONGEST_SETTLING_S
        with suppress(ValueError):
            while (line := self._take(quiet_s)) is not None and time.monotonic() < end_s:
                self._answers |= line in (self._OK, self._ERROR)
        self._lines.clear()
        self._rest = b""

    def _late_answer(self, line: bytes) -> None:
        """An answer when `L` was believed already. Raises AdapterRefusal unless it surely is a yes to `L`."""
        if line not in (self._OK, self._ERROR):
            return
        if line == self._ERROR or not self._answers:
            late_ports.add(self.serialPortOrig.port)
            raise AdapterRefusal(
                "the adapter answers too late to be sure that it has a listen-only mode",
                "opened again it acknowledges what others send",
            )
        self._unanswered = False

    def _write(self, string: str) -> None:
        from serial import SerialTimeoutException  # type: ignore[import-untyped,unused-ignore]

        port = self.serialPortOrig
        if port.write_timeout is None:
            port.write_timeout = _WRITE_S
        try:
            port.write(string.encode("ascii") + self.LINE_TERMINATOR)
        except SerialTimeoutException as error:
            raise AdapterRefusal(
                "the adapter takes no bytes", "unplug it, wait a moment, plug it in again; is it an slcan adapter?"
            ) from error

    def _read(self, timeout: float | None) -> str | None:
        """The next line with its end, None when there is none in time. Raises ValueError for one that is none."""
        line = self._take(timeout)
        if line is None:
            return None
        if self._unanswered:
            self._late_answer(line)
        if line[:1] in _FRAME_LETTERS and not _FRAME.fullmatch(line):
            raise ValueError("a line that is no frame")
        return line.decode("ascii")

    def _take(self, timeout_s: float | None) -> bytes | None:
        end_s = None if timeout_s is None else time.monotonic() + timeout_s
        port = self.serialPortOrig
        while not self._lines:
            waiting = min(port.in_waiting, _MOST_AT_ONCE)
            over = end_s is not None and time.monotonic() >= end_s
            if waiting or not over:
                self._cut(port.read(waiting or 1))
            if over and not self._lines:
                return None
        return self._lines.popleft()

    def _cut(self, block: bytes) -> None:
        """Cut what came into lines. Raises ValueError for each stretch of a line without an end."""
        *lines, self._rest = _LINE_END.split(self._rest + block)
        if lines and self._endless:
            del lines[0]
            self._endless = False
        self._lines.extend(lines)
        if len(self._rest) > LONGEST_LINE:
            self._rest = b""
            self._endless = True
            raise ValueError("a line without an end")
