"""A CAN adapter on a serial port, at the other end of a pseudo-terminal.

Rule: the public Lawicel ASCII protocol (from memory), which python-can and the Linux kernel call slcan. A command is a
letter, its digits and CR; the answer is CR, or BEL for no. Frames are `t` or `T` (11 or 29 bits of identifier in hex),
`r` or `R` for remote ones, one digit of length, the bytes in hex, with time stamps on four more digits, CR.
"""

from __future__ import annotations

import contextlib
import os
import select
import threading
import time
import tty
from collections.abc import Callable, Mapping

from faultlamp.frames import EXTENDED, REMOTE, Frame

CR, BEL = b"\r", b"\a"

BIT_RATES = {"S0": 10_000, "S1": 20_000, "S2": 50_000, "S3": 100_000, "S4": 125_000, "S5": 250_000, "S6": 500_000,
             "S7": 800_000, "S8": 1_000_000}
TRANSMITTING = ("t", "T", "r", "R")
"""First letters of the commands that put a frame on the bus."""


class SerialAdapter:
    """An adapter that somebody may open by its `port`. A context manager that ends it.

    commands: all that came, in order, without CR. mode: `L` listen-only, `O` open, empty while closed.
    refuses: first letters of commands that it does not know, as old ones do not know `L`. mute: it obeys and answers
    nothing. frozen: it takes no bytes, and what its cable holds is used up already. late: first letters of commands,
    "" for the empty one, and by how many seconds their answers are late.
    """

    def __init__(
        self, *, refuses: str = "", mute: bool = False, frozen: bool = False, late: Mapping[str, float] | None = None
    ) -> None:
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)  # nothing is echoed, also before somebody opens the port
        self.port = os.ttyname(self._slave)
        self.commands: list[str] = []
        self.mode = ""
        self.bit_rate: int | None = None
        self.stamps = False
        self.frozen = frozen
        self._mute = mute
        self._late = late or {}
        self._refuses = refuses
        self._waiting = bytearray()
        os.set_blocking(self._master, False)
        # What is still to be said, and a pipe that wakes the thread when there is something.
        self._saying = bytearray()
        self._woken, self._wake = os.pipe()
        os.set_blocking(self._wake, False)
        self._unplugged = threading.Event()
        self._lock = threading.Lock()
        if frozen:
            self.fill()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def __enter__(self) -> SerialAdapter:
        return self

    def __exit__(self, *_: object) -> None:
        self.unplug()

    @property
    def transmitted(self) -> list[str]:
        """Commands that asked for a frame on the bus."""
        return [command for command in self.commands if command.startswith(TRANSMITTING)]

    def deliver(self, frame: Frame) -> None:
        """What the adapter says when it hears this frame; nothing while it is closed."""
        if self.mode:
            self.say(line_of(frame, stamps=self.stamps))

    def say(self, raw: bytes) -> None:
        """Say these bytes, whatever they are, as fast as the other side reads; never waits for it."""
        with self._lock:
            self._saying += raw
        if not self._unplugged.is_set():
            with contextlib.suppress(BlockingIOError):  # full: it will wake up
                os.write(self._wake, b"x")

    def fill(self) -> None:
        """Use up what the cable holds of bytes that the adapter does not take."""
        os.set_blocking(self._slave, False)
        full = 0
        while full < 5:  # the system moves them on for a moment, which makes room once more
            try:
                os.write(self._slave, bytes(4096))
                full = 0
            except BlockingIOError:
                full += 1
                time.sleep(0.01)

    def unplug(self) -> None:
        """Pull the plug: the port is gone for whoever has it open. Harmless when repeated."""
        if self._unplugged.is_set():
            return
        self._unplugged.set()
        self._thread.join()
        for descriptor in (self._master, self._slave, self._woken, self._wake):
            os.close(descriptor)

    def wait_for(self, what: Callable[[SerialAdapter], object], timeout_s: float = 20.0) -> None:
        """Return when `what` holds; AssertionError when it does not in time."""
        deadline = time.monotonic() + timeout_s
        while not what(self):
            assert time.monotonic() < deadline, f"the adapter waited in vain; commands so far: {self.commands}"
            time.sleep(0.005)

    def _run(self) -> None:
        while not self._unplugged.is_set():
            writers = [self._master] if self._saying else []
            readers = [self._woken] if self.frozen else [self._woken, self._master]
            readers, writers, _ = select.select(readers, writers, [], 0.02)
            if self._woken in readers:
                os.read(self._woken, 4096)
            if writers:
                self._speak()
            if self._master in readers:
                self._listen()

    def _speak(self) -> None:
        with self._lock, contextlib.suppress(BlockingIOError):
            del self._saying[: os.write(self._master, self._saying[:4096])]

    def _listen(self) -> None:
        with contextlib.suppress(OSError):
            self._waiting += os.read(self._master, 4096)
        while CR in self._waiting:
            raw, _, self._waiting = self._waiting.partition(CR)
            command = raw.decode("latin-1")
            answer = self._answer(command)
            self.commands.append(command)
            if command[:1] in self._late:
                timer = threading.Timer(self._late[command[:1]], self.say, (answer,))
                timer.daemon = True
                timer.start()
            elif not self._mute:
                self.say(answer)

    def _answer(self, command: str) -> bytes:
        letter = command[:1]
        if not command:
            return CR
        if letter in self._refuses:
            return BEL
        if letter in ("V", "N", "F"):
            return {"V": b"V1013", "N": b"NA001", "F": b"F00"}[letter] + CR
        if letter == "C":
            was, self.mode = self.mode, ""
            return CR if was else BEL
        if letter in TRANSMITTING:
            return (b"z" if letter.islower() else b"Z") + CR if self.mode == "O" else BEL
        if self.mode:
            return BEL  # what follows is for a closed channel
        if command in BIT_RATES:
            self.bit_rate = BIT_RATES[command]
            return CR
        if letter == "s" and len(command) == 5:
            self.bit_rate = 0
            return CR
        if command in ("Z0", "Z1"):
            self.stamps = command == "Z1"
            return CR
        if command in ("O", "L") and self.bit_rate is not None:
            self.mode = command
            return CR
        return BEL


def line_of(frame: Frame, *, stamps: bool = False) -> bytes:
    """A classic data or remote frame as the adapter writes it."""
    kind = "r" if frame.flags & REMOTE else "t"
    start = f"{kind.upper()}{frame.can_id:08X}" if frame.flags & EXTENDED else f"{kind}{frame.can_id:03X}"
    stamp = f"{frame.time_ns // 1_000_000 % 60_000:04X}" if stamps else ""
    return f"{start}{len(frame.data)}{frame.data.hex().upper()}{stamp}".encode() + CR
