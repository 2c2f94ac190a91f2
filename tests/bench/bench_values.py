"""`faultlamp values` as a whole process against a plain loop of python-can's reader, cantools and the csv module.

    python tests/bench/bench_values.py [FRAMES] [ROUNDS]

Prints medians and ratios of this run; every command writes all values of every shipped group to a file.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from timing import FAULTLAMP, print_table, side_by_side
from traffic import write

HERE = Path(__file__).parent


def main() -> None:
    """Measure and print."""
    frames = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    rounds = int(sys.argv[2]) if len(sys.argv) > 2 else 3
    with tempfile.TemporaryDirectory() as folder:
        log = f"{folder}/traffic.log"
        write(log, frames)
        # No command overwrites a file, so each run writes through a shell to a fresh one.
        plain = f"'{sys.executable}' '{HERE / 'baseline.py'}' values '{log}' {folder}/plain.csv"
        ours = " ".join(f"'{word}'" for word in FAULTLAMP)
        commands = {
            "plain loop, CSV": ["sh", "-c", f"exec {plain}"],
            "faultlamp values, CSV": ["sh", "-c", f"exec {ours} values '{log}' --format csv > {folder}/ours.csv"],
            "faultlamp values, Parquet": [
                "sh", "-c", f"exec {ours} values '{log}' --format parquet > {folder}/ours.parquet"
            ],
            "faultlamp values, CSV, --every 1s": [
                "sh", "-c", f"exec {ours} values '{log}' --format csv --every 1s > {folder}/thin.csv"
            ],
        }
        print_table(side_by_side(commands, rounds=rounds), "plain loop, CSV", frames)


if __name__ == "__main__":
    main()
