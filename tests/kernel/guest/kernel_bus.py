"""The Linux kernel as a J1939 node, candump as the recorder, and raw frames for nodes that misbehave.

Rule: Linux kernel documentation, networking/j1939: a CAN_J1939 socket takes a whole message and the kernel makes the
frames (BAM, RTS/CTS, extended transport) and keeps the timers. Nothing here encodes transport frames on its behalf.
"""

import contextlib
import io
import json
import re
import signal
import socket
import struct
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import IO, Any, NamedTuple

from faultlamp.cli.main import main

BUS, OTHER_BUS = "vcan0", "vcan1"

# Parameter groups: SAE J1939-71 (EEC1), J1939-73 (DM1, DM2), J1939-21 (proprietary A, request), J1939-81 (claim).
EEC1, DM1, DM2, PROPRIETARY_A, REQUEST, ADDRESS_CLAIMED = 0xF004, 0xFECA, 0xFECB, 0xEF00, 0xEA00, 0xEE00

EVERYBODY = socket.J1939_NO_ADDR
NO_NAME = socket.J1939_NO_NAME

# <linux/can/j1939.h>; the socket module has the option but not its level.
_SOL_CAN_J1939 = socket.SOL_CAN_BASE + 7

# Extended transfers between two sockets of one kernel come faster than any bus: room for all of one.
_RECORDER_BUFFER = 8 << 20


class Code(NamedTuple):
    """A diagnostic trouble code in the current layout (conversion method bit 0)."""

    spn: int
    fmi: int
    occurrence: int

    def packed(self) -> bytes:
        """SAE J1939-73, section 5.7.1: SPN 16 bits, SPN high 3 bits and FMI, then the occurrence count."""
        return struct.pack("<HBB", self.spn & 0xFFFF, self.spn >> 16 << 5 | self.fmi, self.occurrence)


def diagnostic_message(lamps: bytes, codes: list[Code]) -> bytes:
    """Payload of DM1 or DM2; padded to a whole frame when it is one frame (SAE J1939-73, sections 5.7.1, 5.7.2)."""
    listed = b"".join(code.packed() for code in codes) or bytes(4)
    return (lamps + listed).ljust(8, b"\xff")


class Node:
    """A J1939 socket of the kernel at one address, with a NAME when it claims the address."""

    def __init__(self, address: int, name: int = NO_NAME, bus: str = BUS) -> None:
        self.bus = bus
        self.socket = socket.socket(socket.AF_CAN, socket.SOCK_DGRAM, socket.CAN_J1939)
        self.socket.setsockopt(socket.SOL_SOCKET, socket.SO_BROADCAST, 1)
        self.socket.settimeout(10)
        self.socket.bind((bus, name, socket.J1939_NO_PGN, address))
        if name != NO_NAME:
            self.send(ADDRESS_CLAIMED, name.to_bytes(8, "little"))
            # SAE J1939-81: 250 ms for others to object; the kernel sends nothing from this address before.
            time.sleep(0.3)

    def __enter__(self) -> "Node":
        return self

    def __exit__(self, *_: object) -> None:
        self.socket.close()

    def send(self, pgn: int, payload: bytes, to: int = EVERYBODY, priority: int = 6) -> None:
        """Hand a message to the kernel; closing the socket waits until it has gone out."""
        self.socket.setsockopt(_SOL_CAN_J1939, socket.SO_J1939_SEND_PRIO, priority)
        self.socket.sendto(payload, (self.bus, NO_NAME, pgn, to))

    def receive(self, pgn: int) -> bytes:
        """The next message of that group that the kernel delivers here."""
        while True:
            payload, (_, _, received, _) = self.socket.recvfrom(1 << 20)
            if received == pgn:
                return payload


def broadcast(address: int, pgn: int, payload: bytes) -> None:
    """Send one message to everybody and wait until its last packet has gone out."""
    with Node(address) as node:
        node.send(pgn, payload)


class RawNode:
    """A node without a J1939 stack: sends the frames it is told to, by itself."""

    def __init__(self) -> None:
        self.socket = socket.socket(socket.AF_CAN, socket.SOCK_RAW, socket.CAN_RAW)
        self.socket.bind((BUS,))

    def __enter__(self) -> "RawNode":
        return self

    def __exit__(self, *_: object) -> None:
        self.socket.close()

    def send(self, can_id: int, data: str) -> None:
        """Send one 29-bit frame of 8 bytes given in hex, and let the kernel's stack react."""
        self.socket.send(struct.pack("=IB3x8s", can_id | socket.CAN_EFF_FLAG, 8, bytes.fromhex(data)))
        time.sleep(0.05)


class LoggedFrame(NamedTuple):
    """One line of a candump -L log, read with no help from the project."""

    time_us: int
    channel: str
    can_id: int
    data: bytes


_LINE = re.compile(r"\((\d+)\.(\d{6})\) (\S+) ([0-9A-F]{8})#([0-9A-F]*)")


def logged_frames(log: Path) -> list[LoggedFrame]:
    """The 29-bit frames of a candump -L log; any other line is an error."""
    frames = []
    for line in log.read_text().splitlines():
        match = _LINE.fullmatch(line)
        assert match is not None, f"candump wrote {line!r}"
        seconds, micros, channel, can_id, data = match.groups()
        frames.append(LoggedFrame(int(seconds + micros), channel, int(can_id, 16), bytes.fromhex(data)))
    return frames


def listeners() -> int:
    """How many raw CAN sockets are listening on any interface."""
    lists = Path("/proc/net/can").glob("rcvlist_*")
    return sum(line.split()[-1] == "raw" for path in lists for line in path.read_text().splitlines() if line.split())


@contextlib.contextmanager
def recorded(log: Path, options: tuple[str, ...] = ("-L",), buses: tuple[str, ...] = (BUS,)) -> Iterator[Path]:
    """Record the buses with candump into a file while the block runs; fails when candump lost a frame."""
    before = listeners()
    command = ["candump", "-r", str(_RECORDER_BUFFER), "-d", *options, *buses]
    with log.open("wb") as file, listening(command, before + len(buses), file) as candump:
        yield log
        # What the kernel still holds for the recorder is not lost.
        wait_until_steady(lambda: log.stat().st_size)
        candump.send_signal(signal.SIGINT)
        candump.wait(10)
    assert "DROPCOUNT" not in log.read_text(), "candump could not keep up"


def wait_until_steady(measure: Callable[[], int]) -> None:
    """Return when a recorder's measure has not changed for 0.3 s: it has worked off all that came."""
    last, since = -1, time.monotonic()
    while time.monotonic() < since + 0.3:
        time.sleep(0.02)
        if (now := measure()) != last:
            last, since = now, time.monotonic()


@contextlib.contextmanager
def listening(command: list[str], expected: int, output: IO[bytes]) -> Iterator["subprocess.Popen[bytes]"]:
    """Start a program that listens, and go on when `expected` raw sockets do in all."""
    with subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=output) as program:
        try:
            deadline = time.monotonic() + 30
            while listeners() < expected:
                assert program.poll() is None, f"{command[0]} ended at once with {program.returncode}"
                assert time.monotonic() < deadline, f"{command} never listened"
                time.sleep(0.02)
            yield program
        finally:
            if program.poll() is None:
                program.kill()


def faultlamp(*arguments: str | Path) -> "subprocess.CompletedProcess[str]":
    """Run the project's command line as a user does."""
    command = [sys.executable, "-m", "faultlamp", *map(str, arguments)]
    return subprocess.run(command, stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=60, check=False)


def faults_document(log: Path) -> dict[str, Any]:
    """The JSON of `faultlamp faults` for a recording, without a new process: starting one is slow in a guest."""
    output = io.StringIO()
    with contextlib.redirect_stdout(output):
        assert main(["faults", str(log), "--format", "json"]) == 0
    document: dict[str, Any] = json.loads(output.getvalue())
    return document
