"""`faultlamp survey` over many recordings: one process against several, with and without readings, and on Dask.

    python tests/bench/bench_survey.py [RECORDINGS] [FRAMES_EACH] [ROUNDS]

Prints medians and ratios of this run. The baseline is a survey in one process; `cat` is the floor: reading the bytes.
The Dask row runs a scheduler and as many one-thread workers as there are cores, all on this machine; they are started
before and not counted.
"""

from __future__ import annotations

import os
import shutil
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path

from distributed import LocalCluster
from timing import FAULTLAMP, print_table, side_by_side
from traffic import write


def main() -> None:
    """Measure and print."""
    recordings = int(sys.argv[1]) if len(sys.argv) > 1 else 12
    frames = int(sys.argv[2]) if len(sys.argv) > 2 else 500_000
    rounds = int(sys.argv[3]) if len(sys.argv) > 3 else 3
    cores = len(os.sched_getaffinity(0))
    with tempfile.TemporaryDirectory() as folder, LocalCluster(
        n_workers=cores, threads_per_worker=1, host="127.0.0.1", dashboard_address="127.0.0.1:0", silence_logs=50
    ) as cluster:
        yard = Path(folder) / "yard"
        yard.mkdir()
        write(str(yard / "0.log"), frames)
        for number in range(1, recordings):
            shutil.copyfile(yard / "0.log", yard / f"{number}.log")
        size_mb = sum(file.stat().st_size for file in yard.iterdir()) / 1e6

        def words(*options: str) -> list[str]:
            # A new directory each time: what is done would not be done again.
            survey = " ".join([*FAULTLAMP, "survey", str(yard), *options, "-o"])
            return ["sh", "-c", f"exec {survey} $(mktemp -d -p {folder}) 2>/dev/null"]

        commands = {
            "one process": words("--jobs", "1"),
            f"{cores} processes": words("--jobs", str(cores)),
            f"{cores} processes, no readings": words("--jobs", str(cores), "--no-values"),
            f"Dask, {cores} workers": words("--dask", cluster.scheduler_address),
            "nothing left to do": ["sh", "-c", f"exec {' '.join(FAULTLAMP)} survey {yard} -o {folder}/done 2>/dev/null"],
            "cat": ["sh", "-c", f"cat {yard}/*.log"],
        }
        subprocess.run(commands["nothing left to do"], check=True, stderr=subprocess.DEVNULL)
        print(f"{recordings} recordings of {frames:,} frames, {size_mb:,.0f} MB, {cores} cores")
        results = side_by_side(commands, rounds=rounds)
        print_table(results, "one process", recordings * frames)
        cpu_s = statistics.median(run.cpu_s for run in results["one process"])
        print(f"one process: {recordings * frames / cpu_s:,.0f} frames a second of processor time")


if __name__ == "__main__":
    main()
