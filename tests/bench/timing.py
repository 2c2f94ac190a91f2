"""Whole processes timed side by side: wall time, and the highest resident memory of one of them."""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Run:
    """One finished process."""

    wall_s: float
    cpu_s: float
    peak_mb: float


def run(words: Sequence[str], *, stdin: int | None = None) -> Run:
    """Start, wait, measure. Output goes nowhere; a failure is an error."""
    started = time.perf_counter()
    process = subprocess.Popen(words, stdout=subprocess.DEVNULL, stdin=stdin)
    _, status, usage = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise SystemExit(f"{' '.join(words)} ended with {process.returncode}")
    return Run(time.perf_counter() - started, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024)


def side_by_side(commands: dict[str, Sequence[str]], *, rounds: int = 3) -> dict[str, list[Run]]:
    """The commands in turn, `rounds` times, so that a slow moment hits all of them."""
    results: dict[str, list[Run]] = {name: [] for name in commands}
    for _ in range(rounds):
        for name, words in commands.items():
            results[name].append(run(words))
    return results


def median_s(runs: Sequence[Run]) -> float:
    """Median wall time."""
    return statistics.median(one.wall_s for one in runs)


def print_table(results: dict[str, list[Run]], baseline: str, frames: int) -> None:
    """A row a command: seconds, frames a second, ratio to the baseline of this run, memory."""
    base = median_s(results[baseline])
    print(f"{'':<38}{'median s':>10}{'frames/s':>14}{'times as fast':>15}{'peak MB':>10}")
    for name, runs in results.items():
        wall = median_s(runs)
        peak = max(one.peak_mb for one in runs)
        print(f"{name:<38}{wall:>10.3f}{frames / wall:>14,.0f}{base / wall:>15.1f}{peak:>10.0f}")


FAULTLAMP = [sys.executable, "-m", "faultlamp"]
