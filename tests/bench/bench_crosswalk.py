"""How long a user's crosswalk takes to load and to answer, beside the bare CSV reader of Python.

    python tests/bench/bench_crosswalk.py [ROUNDS]
"""

from __future__ import annotations

import csv
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

from faultlamp.j1939.diagnostics import Lamp
from faultlamp.knowledge.crosswalk import load_crosswalk

_SIZES = (1_000, 20_000, 200_000)


def seconds(work: Callable[[], object], rounds: int) -> float:
    """The median of several runs."""
    took = []
    for _ in range(rounds):
        began = time.perf_counter()
        work()
        took.append(time.perf_counter() - began)
    return statistics.median(took)


def bare(path: Path) -> list[list[str]]:
    """The cells and nothing else."""
    with path.open(encoding="utf-8", newline="") as lines:
        return list(csv.reader(lines))


def main() -> None:
    """Measure and print."""
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 5
    print(f"{'rows':>8} {'csv alone':>12} {'crosswalk':>12} {'ratio':>7} {'one answer':>12}")
    with tempfile.TemporaryDirectory() as folder:
        for size in _SIZES:
            path = Path(folder) / f"{size}.csv"
            path.write_text(
                "spn,fmi,lamp,code,title,link,clears_after\n" + "".join(
                    f'{number % 5000},{number % 31},amber,INVENTED-{number},"title {number}, with a comma",'
                    f"https://example.org/{number},3 good starts\n" for number in range(size)
                ), encoding="utf-8",
            )
            alone, whole = seconds(partial(bare, path), rounds), seconds(partial(load_crosswalk, path), rounds)
            table = load_crosswalk(path)
            answer = seconds(partial(table.look_up, 110, 17, (Lamp.RED_STOP,)), 100)
            print(f"{len(table):>8} {alone:>10.4f} s {whole:>10.4f} s {whole / alone:>7.1f} {answer * 1e6:>9.1f} us")


if __name__ == "__main__":
    main()
