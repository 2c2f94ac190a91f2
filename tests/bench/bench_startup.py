"""How long a user waits: for help, for a short history, and for the dashboard's first paint.

    python tests/bench/bench_startup.py [ROUNDS]

The first paint is the moment at which the word READINGS has come through a pseudo-terminal of 80x24.
"""

from __future__ import annotations

import fcntl
import os
import pty
import select
import signal
import statistics
import struct
import sys
import termios
import time

from timing import FAULTLAMP, run

_GIVE_UP_S = 20.0


def first_paint_s(words: list[str]) -> float:
    """Seconds from start to the readings band on the screen."""
    started = time.perf_counter()
    child, terminal = pty.fork()
    if not child:
        os.environ["TERM"] = "xterm-256color"
        os.execv(words[0], words)
    fcntl.ioctl(terminal, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
    seen = b""
    try:
        while b"READINGS" not in seen:
            if time.perf_counter() - started > _GIVE_UP_S:
                raise SystemExit(f"{' '.join(words)}: nothing painted within {_GIVE_UP_S:.0f} s")
            if select.select([terminal], [], [], 0.01)[0]:
                seen += os.read(terminal, 1 << 16)
        return time.perf_counter() - started
    finally:
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        os.close(terminal)


def main() -> None:
    """Measure and print."""
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 5
    rows = {
        "python -c 'import numpy'": lambda: run([sys.executable, "-c", "import numpy"]).wall_s,
        "faultlamp --version": lambda: run([*FAULTLAMP, "--version"]).wall_s,
        "faultlamp faults --help": lambda: run([*FAULTLAMP, "faults", "--help"]).wall_s,
        "faultlamp explain 110 3": lambda: run([*FAULTLAMP, "explain", "110", "3"]).wall_s,
        "faultlamp faults demo:quick-look": lambda: run([*FAULTLAMP, "faults", "demo:quick-look"]).wall_s,
        "replay demo:quick-look, first paint": lambda: first_paint_s([*FAULTLAMP, "replay", "demo:quick-look"]),
        "watch --rig quick-look, first paint": lambda: first_paint_s([*FAULTLAMP, "watch", "--rig", "quick-look"]),
    }
    for measure in rows.values():
        measure()
    for name, measure in rows.items():
        print(f"{name:<40}{statistics.median(measure() for _ in range(rounds)):8.3f} s")


if __name__ == "__main__":
    main()
