"""`faultlamp survey` over many recordings: one process against several, with and without readings, and on Dask.

    python tests/bench/bench_survey.py [RECORDINGS] [FRAMES_EACH] [ROUNDS]

Prints medians and ratios of this run. The baseline is a survey in one process; `cat` is the floor: reading the bytes.
The Dask rows run a scheduler and as many one-thread workers as there are cores, all on this machine, once with the
memory settings of docs/fleet.md and once without; they are started before and not counted.
"""

from __future__ import annotations

import os
import shutil
import statistics
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from timing import FAULTLAMP, print_table, side_by_side
from traffic import write

MEMORY = {"MALLOC_TRIM_THRESHOLD_": "33554432", "MALLOC_MMAP_THRESHOLD_": "33554432"}
DASK = [sys.executable, "-m", "dask"]


@contextmanager
def cluster(folder: str, workers: int, environment: dict[str, str]) -> Iterator[str]:
    """A scheduler and workers as processes of their own; their address."""
    place = Path(folder) / f"scheduler-{len(environment)}.json"
    loopback = ["--host", "127.0.0.1", "--no-dashboard", "--scheduler-file", str(place)]
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    scheduler = subprocess.Popen([*DASK, "scheduler", *loopback, "--port", "0"], **quiet)
    worker = subprocess.Popen(
        [*DASK, "worker", *loopback, "--nworkers", str(workers), "--nthreads", "1"],
        env={**os.environ, **environment}, **quiet,
    )
    try:
        from distributed import Client

        with Client(scheduler_file=str(place), timeout=30) as client:
            client.wait_for_workers(workers, timeout=60)
            address = client.scheduler.address
        yield address
    finally:
        for process in (worker, scheduler):
            process.terminate()
            process.wait()


def main() -> None:
    """Measure and print."""
    recordings = int(sys.argv[1]) if len(sys.argv) > 1 else 12
    frames = int(sys.argv[2]) if len(sys.argv) > 2 else 500_000
    rounds = int(sys.argv[3]) if len(sys.argv) > 3 else 3
    cores = len(os.sched_getaffinity(0))
    with (
        tempfile.TemporaryDirectory() as folder,
        cluster(folder, cores, MEMORY) as tuned, cluster(folder, cores, {}) as plain,
    ):
        yard = Path(folder) / "yard"
        yard.mkdir()
        write(str(yard / "0.log"), frames)
        for number in range(1, recordings):
            shutil.copyfile(yard / "0.log", yard / f"{number}.log")
        size_mb = sum(file.stat().st_size for file in yard.iterdir()) / 1e6
        survey = f"exec {' '.join(FAULTLAMP)} survey {yard} 2>/dev/null -o"

        def words(*options: str, where: str = f"$(mktemp -d -p {folder})") -> list[str]:
            # A new directory each time: what is done would not be done again.
            return ["sh", "-c", " ".join([survey, where, *options])]

        commands = {
            "one process": words("--jobs", "1"),
            f"{cores} processes": words("--jobs", str(cores)),
            f"{cores} processes, no readings": words("--jobs", str(cores), "--no-values"),
            f"Dask, {cores} workers, memory set": words("--dask", tuned),
            f"Dask, {cores} workers as they come": words("--dask", plain),
            "nothing left to do": words(where=f"{folder}/done"),
            "cat": ["sh", "-c", f"cat {yard}/*.log"],
        }
        subprocess.run(commands["nothing left to do"], check=True)
        print(f"{recordings} recordings of {frames:,} frames, {size_mb:,.0f} MB, {cores} cores")
        results = side_by_side(commands, rounds=rounds)
        print_table(results, "one process", recordings * frames)
        cpu_s = statistics.median(run.cpu_s for run in results["one process"])
        print(f"one process: {recordings * frames / cpu_s:,.0f} frames a second of processor time")


if __name__ == "__main__":
    main()
