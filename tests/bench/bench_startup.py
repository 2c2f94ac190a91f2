"""How long a user waits: for help, for a short history, and for the dashboard's first paint.

    python tests/bench/bench_startup.py [ROUNDS]

The first paint is the moment at which the word READINGS has come through a pseudo-terminal of 80x24. The last column
is the ratio to an application of the same toolkit that shows this word and nothing else: its share no dashboard is
without. Measured in turn, so that a slow moment hits all. Python's byte code is kept below a temporary folder of this
run: where PYTHONDONTWRITEBYTECODE is set and nobody compiled the sources, each start would compile them anew.
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
import tempfile
import termios
import time

from timing import FAULTLAMP, run

_GIVE_UP_S = 20.0
_BASELINE = "an empty application, first paint"
_EMPTY = """
from textual.app import App
from textual.widgets import Static

class Empty(App):
    def compose(self):
        yield Static("READINGS")

Empty().run()
"""


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
                try:
                    seen += os.read(terminal, 1 << 16)
                except OSError:
                    raise SystemExit(f"{' '.join(words)} ended: {seen.decode(errors='replace')}") from None
        return time.perf_counter() - started
    finally:
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        os.close(terminal)


def main() -> None:
    """Measure and print."""
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 5
    with tempfile.TemporaryDirectory() as folder:
        os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
        os.environ["PYTHONPYCACHEPREFIX"] = folder
        measure_all(rounds)


def measure_all(rounds: int) -> None:
    """A row a start: the median and the least of the rounds."""
    rows = {
        "python -c 'import numpy'": lambda: run([sys.executable, "-c", "import numpy"]).wall_s,
        "faultlamp --version": lambda: run([*FAULTLAMP, "--version"]).wall_s,
        "faultlamp faults --help": lambda: run([*FAULTLAMP, "faults", "--help"]).wall_s,
        "faultlamp explain 110 3": lambda: run([*FAULTLAMP, "explain", "110", "3"]).wall_s,
        "faultlamp faults demo:quick-look": lambda: run([*FAULTLAMP, "faults", "demo:quick-look"]).wall_s,
        _BASELINE: lambda: first_paint_s([sys.executable, "-c", _EMPTY]),
        "replay demo:quick-look, first paint": lambda: first_paint_s([*FAULTLAMP, "replay", "demo:quick-look"]),
        "watch --rig quick-look, first paint": lambda: first_paint_s([*FAULTLAMP, "watch", "--rig", "quick-look"]),
    }
    for measure in rows.values():
        measure()
    times: dict[str, list[float]] = {name: [] for name in rows}
    for _ in range(rounds):
        for name, measure in rows.items():
            times[name].append(measure())
    base = statistics.median(times[_BASELINE])
    print(f"{'':<40}{'median s':>10}{'least s':>10}{'ratio':>8}")
    for name, measured in times.items():
        median = statistics.median(measured)
        print(f"{name:<40}{median:>10.3f}{min(measured):>10.3f}{median / base:>8.2f}")


if __name__ == "__main__":
    main()
