"""`faultlamp faults` as a whole process against a plain loop over python-can's reader.

    python tests/bench/bench_faults.py [FRAMES] [ROUNDS]

Prints medians and ratios of this run. `wc -l` is the floor: reading the bytes and counting lines.
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
        commands = {
            "plain loop": [sys.executable, str(HERE / "baseline.py"), "faults", log],
            "faultlamp faults --jobs 1": [*FAULTLAMP, "faults", log, "--format", "json", "--jobs", "1"],
            "faultlamp faults": [*FAULTLAMP, "faults", log, "--format", "json"],
            "wc -l": ["wc", "-l", log],
        }
        print_table(side_by_side(commands, rounds=rounds), "plain loop", frames)


if __name__ == "__main__":
    main()
