"""`faultlamp faults -` on an endless pipe: frames a second and peak memory at growing lengths.

    python tests/bench/bench_stream.py [MILLIONS ...]

The same 200,000 lines are piped again and again with their seconds moved on, so the generator is no bottleneck.
"""

from __future__ import annotations

import os
import re
import sys
import threading
import time
from collections.abc import Iterator

from timing import FAULTLAMP, run
from traffic import lines

_PART = 200_000
_SECONDS = re.compile(rb"\((\d+)\.")


def stream(parts: int) -> Iterator[bytes]:
    """`parts` copies of the traffic, one after the other in time."""
    text = [line.encode() for number, line in enumerate(lines(_PART)) if number < _PART]
    first, last = (int(_SECONDS.match(line)[1]) for line in (text[0], text[-1]))  # type: ignore[index]
    by_second: list[tuple[int, bytes]] = []
    for line in text:
        second = int(line[1:11]) - first
        if not by_second or by_second[-1][0] != second:
            by_second.append((second, b""))
        by_second[-1] = second, by_second[-1][1] + line
    for part in range(parts):
        offset = part * (last - first + 1)
        for second, lot in by_second:
            yield lot.replace(b"(%d." % (first + second), b"(%d." % (first + second + offset))


def feed(write_end: int, parts: int) -> None:
    """Write the stream into a pipe."""
    with os.fdopen(write_end, "wb") as pipe:
        for lot in stream(parts):
            pipe.write(lot)


def main() -> None:
    """Measure and print."""
    millions = [float(word) for word in sys.argv[1:]] or [1, 10]
    print(f"{'frames':>14}{'seconds':>10}{'cpu s':>10}{'frames/s':>14}{'peak MB':>10}")
    for million in millions:
        parts = round(million * 1_000_000 / _PART)
        read_end, write_end = os.pipe()
        feeder = threading.Thread(target=feed, args=(write_end, parts))
        feeder.start()
        time.sleep(0.5)
        result = run([*FAULTLAMP, "faults", "-", "--format", "json"], stdin=read_end)
        os.close(read_end)
        feeder.join()
        frames = parts * _PART
        speed = frames / result.cpu_s
        print(f"{frames:>14,}{result.wall_s:>10.2f}{result.cpu_s:>10.2f}{speed:>14,.0f}{result.peak_mb:>10.0f}")


if __name__ == "__main__":
    main()
