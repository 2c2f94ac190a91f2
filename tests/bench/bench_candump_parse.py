"""How fast candump logs become columns of frames, against python-can's reader and against counting the lines.

    python tests/bench/bench_candump_parse.py [--lines 1000000] [--profile]

Everything on one core, in one run; medians of three. Figures depend on the machine, ratios hardly do.
"""

import argparse
import cProfile
import pstats
import random
import statistics
import subprocess
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import can

from faultlamp.capture import Capture

ENGINE_IDS = (0x0CF00400, 0x0CF00300, 0x18FEEE00, 0x18FEF100, 0x18FEF200, 0x18FEDF00, 0x1CEBFF00, 0x18FECA00)


def ordinary(chance: random.Random, time_us: int) -> str:
    """A frame of an engine bus: one channel, 29 bits, eight bytes."""
    return (
        f"({time_us // 1_000_000}.{time_us % 1_000_000:06d}) can0 "
        f"{chance.choice(ENGINE_IDS):08X}#{chance.randbytes(8).hex().upper()}\n"
    )


def mixed(chance: random.Random, time_us: int) -> str:
    """Three in ten on two channels, with 0 to 8 bytes, and a third of those with 11 bits."""
    if chance.random() < 0.7:
        return ordinary(chance, time_us)
    identifier = f"{chance.randrange(0x800):03X}" if chance.random() < 1 / 3 else f"{chance.choice(ENGINE_IDS):08X}"
    return (
        f"({time_us // 1_000_000}.{time_us % 1_000_000:06d}) can{chance.randrange(2)} "
        f"{identifier}#{chance.randbytes(chance.randrange(9)).hex().upper()}\n"
    )


def on_screen(chance: random.Random, time_us: int) -> str:
    """The same frames as candump prints them on the screen."""
    return (
        f" ({time_us // 1_000_000}.{time_us % 1_000_000:06d})  can0  {chance.choice(ENGINE_IDS):08X}   [8]  "
        f"{chance.randbytes(8).hex(' ').upper()}\n"
    )


def make(path: Path, lines: int, line: Callable[[random.Random, int], str]) -> None:
    """A recording of a bus at about 2000 frames a second."""
    chance = random.Random(1)
    time_us = 1_700_000_000_000_000
    with path.open("w", encoding="ascii") as file:
        for _ in range(lines):
            time_us += chance.randrange(100, 900)
            file.write(line(chance, time_us))


def seconds(work: Callable[[], object]) -> float:
    """Median of three."""
    times = []
    for _ in range(3):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return statistics.median(times)


def by_capture(path: Path) -> int:
    """All frames as columns."""
    return sum(map(len, Capture([str(path)]).blocks()))


def by_python_can(path: Path) -> int:
    """All frames as messages."""
    with can.CanutilsLogReader(path) as reader:
        return sum(1 for _ in reader)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--lines", type=int, default=1_000_000)
    parser.add_argument("--profile", action="store_true", help="show where the time goes in the ordinary log")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        print(f"{'':28}{'million lines/s':>16}{'MB/s':>8}{'x python-can':>14}{'x wc -l time':>14}")
        for line in (ordinary, mixed, on_screen):
            path = Path(folder) / f"{line.__name__}.log"
            make(path, options.lines, line)
            floor = seconds(lambda path=path: subprocess.run(["wc", "-l", path], capture_output=True, check=True))
            ours = seconds(lambda path=path: by_capture(path))
            # python-can does not read the screen form.
            theirs = None if line is on_screen else seconds(lambda path=path: by_python_can(path))
            size = path.stat().st_size
            rows = [("wc -l", floor), ("python-can's reader", theirs), ("columns", ours)]
            for name, taken in rows:
                if taken is not None:
                    ratio = f"{theirs / taken:14.1f}" if theirs else f"{'':14}"
                    print(
                        f"{line.__name__ + ', ' + name:28}{options.lines / taken / 1e6:16.2f}{size / taken / 1e6:8.0f}"
                        f"{ratio}{taken / floor:14.1f}"
                    )
        if options.profile:
            profile = cProfile.Profile()
            profile.runcall(by_capture, Path(folder) / "ordinary.log")
            pstats.Stats(profile).sort_stats("tottime").print_stats(15)


if __name__ == "__main__":
    main()
