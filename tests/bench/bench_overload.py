"""`faultlamp watch --record` with its dashboard open, on a full bus: what was lost and by whom, load, memory, keys.

    python tests/bench/bench_overload.py [--rate 7000] [--seconds 60] [--bus udp | --bus vcan0]

7,000 extended frames a second are a full bus at 1 Mbit/s. Another process sends the invented traffic of `traffic.py`
over python-can's UDP multicast bus on the loopback interface, or over a SocketCAN interface that is there (in
user-mode Linux: `python tests/kernel/boot.py --limit 200 python tests/bench/bench_overload.py --bus vcan0`). The
dashboard draws on a pseudo-terminal of 80x24; twice a second a key is pressed, and the time until its effect is
written to the terminal is its latency. Every frame is followed: sent, dropped by the operating system, read, recorded,
counted by the history. A soak is `--rate 1500 --seconds 1800`: half an hour of a usual bus.
"""

from __future__ import annotations

import argparse
import fcntl
import json
import os
import pty
import random
import socket
import statistics
import struct
import subprocess
import sys
import tempfile
import termios
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from traffic import lines

GROUP = "ff11::7079:7468:6f6e:6465"
WARM_UP_S = 5.0
# The recording stands still this long before the watcher is told to leave: its queues are empty then.
STILL_S = 2.0
# What is pressed and what then stands on the screen: a moment before now and the present again, the list of keys and
# the dashboard again. Nothing else paints these words.
KEYS = (
    ("cursor", b"\x1b[D", b"NOT LIVE"), ("cursor", b"\x1b[1;2C", b" live"),
    ("page", b"?", b"All about the picked fault"), ("page", b"\r", b"READINGS"),
)
TARGET_MS = 100.0
# Buffers fill at first; afterwards memory stands. The past's samples of readings take some MB an hour.
MEMORY_LOOKS = 12
TARGET_GROWTH_MB = 8.0
TICKS_PER_S = os.sysconf("SC_CLK_TCK")


def frames() -> list[tuple[int, bytes]]:
    """Some seconds of traffic, 29-bit frames alone."""
    made = []
    for line in lines(6000):
        identifier, _, data = line.split()[2].partition("#")
        if len(identifier) == 8:
            made.append((int(identifier, 16), bytes.fromhex(data)))
    return made


def send(bus: str, port: int, rate: float, seconds: float) -> None:
    """The sender's process: frames at an even pace, prepared beforehand so that it costs little. Prints the count."""
    if bus == "udp":
        # Not at the top: the watcher's process is this script, too, and loads python-can as the command does.
        import can
        from can.interfaces.udp_multicast.utils import pack_message

        prepared = [pack_message(can.Message(arbitration_id=can_id, data=data)) for can_id, data in frames()]
        sock = socket.socket(socket.AF_INET6, socket.SOCK_DGRAM)
        sock.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_MULTICAST_HOPS, 0)
        target: tuple[str, int] | None = (GROUP, port)
    else:
        prepared = [
            struct.pack("=IB3x8s", can_id | socket.CAN_EFF_FLAG, len(data), data) for can_id, data in frames()
        ]
        sock = socket.socket(socket.AF_CAN, socket.SOCK_RAW, socket.CAN_RAW)
        sock.bind((bus,))
        target = None
    began, sent = time.perf_counter(), 0
    while (passed := time.perf_counter() - began) < seconds:
        for _ in range(int(passed * rate) - sent):
            frame = prepared[sent % len(prepared)]
            sock.send(frame) if target is None else sock.sendto(frame, target)
            sent += 1
        time.sleep(0.001)
    print(json.dumps({"sent": sent, "seconds": passed, "cpu_s": time.process_time()}))


def inside(result: str, words: list[str]) -> int:
    """The watcher's process: the command as it is, and at its end what history and pump have counted."""
    from faultlamp.cli.main import main as faultlamp
    from faultlamp.tui import app

    made: list[Any] = []
    begin = app.DashboardApp.__init__

    def note(self: Any, *arguments: Any, **named: Any) -> None:
        made.append(self)
        begin(self, *arguments, **named)

    app.DashboardApp.__init__ = note  # type: ignore[method-assign]
    code = faultlamp(words)
    history, pump = made[0].board.job.history, made[0].board.feed._pump
    Path(result).write_text(json.dumps({
        "history": history.frames, "read": pump.frames, "lost": pump.lost, "recorded": pump.recorder.frames,
        "faults": sum(len(controller.faults) for controller in history.controllers.values()),
        "transport": history.transport_counts().as_dict(),
    }))
    return code


class Screen:
    """The terminal's other side: reads all that is painted, presses keys, and waits for what they lead to."""

    def __init__(self, terminal: int) -> None:
        self.painted = 0
        self.ended = threading.Event()
        self._terminal = terminal
        self._wanted = b""
        self._recent = b""
        self._painting = threading.Lock()
        self._seen = threading.Event()
        self._seen_at = 0.0
        threading.Thread(target=self._read, daemon=True).start()

    def press(self, key: bytes, wanted: bytes, timeout_s: float = 5.0) -> float | None:
        """Seconds until `wanted` was painted; None when it never was."""
        with self._painting:
            # What was painted before the key does not count.
            self._seen.clear()
            self._recent, self._wanted = b"", wanted
        pressed = time.perf_counter()
        if key:
            os.write(self._terminal, key)
        return self._seen_at - pressed if self._seen.wait(timeout_s) else None

    def _read(self) -> None:
        while True:
            try:
                some = os.read(self._terminal, 1 << 16)
            except OSError:
                break
            if not some:
                break
            with self._painting:
                self.painted += len(some)
                self._recent = (self._recent + some)[-(1 << 17) :]
                if self._wanted and self._wanted in self._recent:
                    self._seen_at = time.perf_counter()
                    self._wanted = b""
                    self._seen.set()
        self.ended.set()


def memory_mb(pid: int, field: str = "VmRSS") -> float:
    """Resident memory now, or its peak (`VmHWM`)."""
    for line in Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith(field):
            return int(line.split()[1]) / 1024
    return 0.0


def processor_s(pid: int) -> float:
    """Processor time that a process has used."""
    words = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(words[11]) + int(words[12])) / TICKS_PER_S


def udp_drops(pid: int) -> int:
    """What the operating system has dropped for the UDP sockets of a process (/proc/net/udp6)."""
    inodes = set()
    for entry in Path(f"/proc/{pid}/fd").iterdir():
        target = os.readlink(entry)
        if target.startswith("socket:["):
            inodes.add(target[8:-1])
    rows = (line.split() for line in Path("/proc/net/udp6").read_text().splitlines()[1:])
    return sum(int(row[-1]) for row in rows if row[9] in inodes)


class Watch:
    """The command on a pseudo-terminal, recording into `folder`."""

    def __init__(self, folder: str, bus: str, port: int) -> None:
        self.log, self.result = Path(folder, "job.log"), Path(folder, "result.json")
        named = ("udp_multicast", GROUP) if bus == "udp" else ("socketcan", bus)
        words = ["watch", "-i", named[0], "-c", named[1], "--record", str(self.log)]
        self.pid, terminal = pty.fork()
        if not self.pid:
            os.environ |= {"TERM": "xterm-256color", "CAN_CONFIG": json.dumps({"port": port} if bus == "udp" else {})}
            os.execv(sys.executable, [sys.executable, __file__, "--inside", str(self.result), *words])
        fcntl.ioctl(terminal, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
        self.screen = Screen(terminal)
        self.udp = bus == "udp"
        self.drops: int | None = None
        self.peak_mb = 0.0
        self._terminal = terminal

    def finish(self) -> tuple[int, dict[str, Any]]:
        """Leave it when it has worked off what came; its exit code and what it counted."""
        size, since = -1, time.monotonic()
        while time.monotonic() < since + STILL_S:
            time.sleep(0.1)
            if (now := self.log.stat().st_size) != size:
                size, since = now, time.monotonic()
        self.drops, self.peak_mb = udp_drops(self.pid) if self.udp else None, memory_mb(self.pid, "VmHWM")
        os.write(self._terminal, b"q")
        self.screen.ended.wait(60)
        _, status = os.waitpid(self.pid, 0)
        counted = json.loads(self.result.read_text()) if self.result.exists() else {}
        return os.waitstatus_to_exitcode(status), counted


def press_keys(screen: Screen, running: Callable[[], bool]) -> tuple[dict[str, list[float]], int]:
    """Keys at uneven moments; their latencies in milliseconds by kind, and how many had no effect within 5 s."""
    rng = random.Random(1)
    latencies: dict[str, list[float]] = {}
    missed = 0
    while running():
        for kind, key, wanted in KEYS:
            took = screen.press(key, wanted)
            if took is None:
                missed += 1
            else:
                latencies.setdefault(kind, []).append(took * 1000)
            time.sleep(rng.uniform(0.2, 0.8))
    return latencies, missed


def free_port() -> int:
    """A UDP port that nobody uses."""
    with socket.socket(socket.AF_INET6, socket.SOCK_DGRAM) as probe:
        probe.bind(("", 0))
        return int(probe.getsockname()[1])


def measure(bus: str, rate: float, seconds: float) -> bool:
    """Run, print the table; False when a frame was lost untold, a key was late even once, or memory grew on."""
    port = free_port() if bus == "udp" else 0
    with tempfile.TemporaryDirectory() as folder:
        watch = Watch(folder, bus, port)
        if watch.screen.press(b"", b"heard yet", 30) is None:
            raise SystemExit("the dashboard did not come up")
        sender = subprocess.Popen(
            [sys.executable, __file__, "--send", bus, str(port), str(rate), str(seconds)],
            stdout=subprocess.PIPE, text=True,
        )
        # Before the first frame there is no time axis to put a cursor on.
        if watch.screen.press(b"", b"<1 s ago", 30) is None:
            raise SystemExit("no frame reached the dashboard")
        time.sleep(min(WARM_UP_S, seconds / 6))
        memory, cpu, began = [memory_mb(watch.pid)], processor_s(watch.pid), time.perf_counter()

        def goes_on() -> bool:
            if time.perf_counter() - began >= len(memory) * seconds / MEMORY_LOOKS:
                memory.append(memory_mb(watch.pid))
            return sender.poll() is None

        latencies, missed = press_keys(watch.screen, goes_on)
        cpu, passed = processor_s(watch.pid) - cpu, time.perf_counter() - began
        memory.append(memory_mb(watch.pid))
        sent = json.loads(sender.communicate()[0])
        code, counted = watch.finish()
        recorded = sum(1 for _ in watch.log.open("rb"))
        log_mb = watch.log.stat().st_size / 1e6
    dropped = counted["lost"] if watch.drops is None else watch.drops
    grown_mb = memory[-1] - memory[len(memory) // 3]
    rows = [
        ("frames sent", f"{sent['sent']:,} in {sent['seconds']:.1f} s, {sent['sent'] / sent['seconds']:,.0f} a second"),
        ("dropped by the operating system", f"{dropped:,}"),
        ("read from the driver", f"{counted['read']:,}"),
        ("recorded (lines in the file)", f"{recorded:,}, {log_mb:.0f} MB"),
        ("counted by the history", f"{counted['history']:,}"),
        ("lost, as the dashboard tells", f"{counted['lost']:,}"),
        ("lost between driver and history", f"{counted['read'] - counted['history']:,}"),
        ("lost without being told", f"{sent['sent'] - counted['history'] - counted['lost']:,}"),
        ("multi-packet messages", ", ".join(f"{name} {number}" for name, number in counted["transport"].items())),
        ("processor share", f"{100 * cpu / passed:.0f} % of one core (sender {100 * sent['cpu_s'] / seconds:.0f} %)"),
        ("memory from start to end", ", ".join(f"{one:.0f}" for one in memory) + f" MB, peak {watch.peak_mb:.0f} MB"),
        ("memory grown in the last two thirds", f"{grown_mb:.1f} MB"),
        *((f"key latency, {kind}", f"{len(took)} keys, median {statistics.median(took):.0f} ms, 95 % "
           f"{sorted(took)[len(took) * 95 // 100]:.0f} ms, worst {max(took):.0f} ms")
          for kind, took in latencies.items()),
        ("keys without effect within 5 s", str(missed)),
        ("painted", f"{watch.screen.painted / 1024:,.0f} KiB"),
        ("exit code", str(code)),
    ]
    for name, value in rows:
        print(f"{name:<38}{value}")
    lossless = counted["read"] == counted["history"] == recorded and sent["sent"] == counted["read"] + counted["lost"]
    prompt = not missed and all(max(took) < TARGET_MS for took in latencies.values())
    return lossless and prompt and grown_mb < TARGET_GROWTH_MB


def main() -> int:
    """Read the words, measure; exit code 1 when a target was missed."""
    if sys.argv[1:2] == ["--inside"]:
        return inside(sys.argv[2], sys.argv[3:])
    if sys.argv[1:2] == ["--send"]:
        send(sys.argv[2], int(sys.argv[3]), float(sys.argv[4]), float(sys.argv[5]))
        return 0
    parser = argparse.ArgumentParser(description="Measure `faultlamp watch --record` on a full bus.")
    parser.add_argument("--rate", type=float, default=7000, help="frames a second (default: 7000)")
    parser.add_argument("--seconds", type=float, default=60, help="how long (default: 60)")
    parser.add_argument("--bus", default="udp", help="udp, or a SocketCAN interface (default: udp)")
    chosen = parser.parse_args()
    return 0 if measure(chosen.bus, chosen.rate, chosen.seconds) else 1


if __name__ == "__main__":
    sys.exit(main())
