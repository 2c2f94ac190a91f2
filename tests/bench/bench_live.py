"""`faultlamp watch` without a dashboard on python-can's UDP multicast bus: load, latency, what was lost.

    python tests/bench/bench_live.py [FRAMES_PER_SECOND] [SECONDS]

Another process sends engine frames at the given rate and, ten times a second, a DM1 whose list of codes changes; the
time from just before a DM1 is sent to the event line's arrival here is the latency. All on the loopback interface.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import threading
import time

from timing import FAULTLAMP

SENDER = '''
import sys, time, can
rate, seconds = float(sys.argv[1]), float(sys.argv[2])
bus = can.Bus(interface="udp_multicast", channel="ff11::7079:7468:6f6e:6465", hop_limit=0)
speed = can.Message(arbitration_id=0x0CF00400, data=bytes.fromhex("F07D7D803EFFF0FF"), is_extended_id=True)
began = time.perf_counter()
sent = reports = 0
while (passed := time.perf_counter() - began) < seconds:
    if passed * 10 > reports:
        code = bytes((0x6E, 0x00, 3, 1)) if reports % 2 else bytes(4)
        now = time.time()
        bus.send(can.Message(arbitration_id=0x18FECA00, data=b"\\x00\\xff" + code + b"\\xff\\xff", is_extended_id=True))
        print(now, flush=True)
        reports += 1
        sent += 1
    while sent < passed * rate:
        bus.send(speed)
        sent += 1
    time.sleep(0.001)
print("sent", sent, flush=True)
bus.shutdown()
'''


def main() -> None:
    """Measure and print."""
    rate = sys.argv[1] if len(sys.argv) > 1 else "1500"
    seconds = float(sys.argv[2]) if len(sys.argv) > 2 else 10
    bus = ["-i", "udp_multicast", "-c", "ff11::7079:7468:6f6e:6465"]
    watch = subprocess.Popen(
        [*FAULTLAMP, "watch", *bus, "--for", str(seconds + 4)],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )
    heard: list[float] = []

    def listen() -> None:
        assert watch.stdout is not None
        heard.extend(time.time() for line in watch.stdout if " fault " in line)

    listener = threading.Thread(target=listen)
    listener.start()
    time.sleep(2)
    sender = subprocess.run(
        [sys.executable, "-c", SENDER, rate, str(seconds)], capture_output=True, text=True, check=True
    )
    *times, last = sender.stdout.split("\n")[:-1]
    _, status, usage = os.wait4(watch.pid, 0)
    watch.returncode = os.waitstatus_to_exitcode(status)
    listener.join()
    # The first report lists nothing, so it changes nothing.
    latencies = [(there - sent) * 1000 for sent, there in zip(map(float, times[1:]), heard, strict=False)]
    assert watch.stderr is not None
    print(f"sent: {last.split()[1]} frames at {rate} a second; told of {len(heard)} of {len(times) - 1} changes")
    late = sorted(latencies)[len(latencies) * 95 // 100]
    print(f"latency: median {statistics.median(latencies):.1f} ms, 95 % {late:.1f} ms, longest {max(latencies):.1f} ms")
    print(f"watch: {usage.ru_utime + usage.ru_stime:.2f} s of processor time, peak {usage.ru_maxrss / 1024:.0f} MB")
    print(watch.stderr.read().strip())


if __name__ == "__main__":
    main()
