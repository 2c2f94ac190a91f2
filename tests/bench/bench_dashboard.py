"""`faultlamp watch` with its dashboard open and recording, on a full bus: processor share, and that no frame is lost.

    python tests/bench/bench_dashboard.py [FRAMES_PER_SECOND] [SECONDS]

The dashboard draws on a pseudo-terminal of 80x24; another process sends over python-can's UDP multicast bus on the
loopback interface. 7,000 frames a second is a full bus at 1 Mbit/s, 1,500 a busy one at 500 kbit/s.
"""

from __future__ import annotations

import fcntl
import os
import pty
import select
import struct
import subprocess
import sys
import tempfile
import termios
import time

from bench_live import SENDER
from timing import FAULTLAMP


def main() -> None:
    """Measure and print."""
    rate = sys.argv[1] if len(sys.argv) > 1 else "1500"
    seconds = float(sys.argv[2]) if len(sys.argv) > 2 else 10
    with tempfile.TemporaryDirectory() as folder:
        log = f"{folder}/job.log"
        words = [*FAULTLAMP, "watch", "-i", "udp_multicast", "-c", "ff11::7079:7468:6f6e:6465", "--record", log,
                 "--for", str(seconds + 4)]
        child, terminal = pty.fork()
        if not child:
            os.environ["TERM"] = "xterm-256color"
            os.execv(words[0], words)
        fcntl.ioctl(terminal, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
        started = time.monotonic()
        sender: subprocess.Popen[str] | None = None
        painted = 0
        while True:
            if sender is None and time.monotonic() - started > 2:
                sender = subprocess.Popen(
                    [sys.executable, "-c", SENDER, rate, str(seconds)], stdout=subprocess.PIPE, text=True
                )
            if select.select([terminal], [], [], 0.1)[0]:
                try:
                    painted += len(os.read(terminal, 1 << 16))
                except OSError:
                    break
        _, status, usage = os.wait4(child, 0)
        assert sender is not None
        sent = int(sender.communicate()[0].split()[-1])
        with open(log, "rb") as file:
            recorded = sum(1 for _ in file)
    busy = usage.ru_utime + usage.ru_stime
    print(f"sent {sent} frames at {rate} a second, recorded {recorded}, lost {sent - recorded}; "
          f"ended with {os.waitstatus_to_exitcode(status)}")
    print(f"processor: {busy:.2f} s, {100 * busy / (seconds + 4):.0f} % of one core over {seconds + 4:.0f} s; "
          f"peak {usage.ru_maxrss / 1024:.0f} MB; {painted / 1024:.0f} KiB painted")


if __name__ == "__main__":
    main()
