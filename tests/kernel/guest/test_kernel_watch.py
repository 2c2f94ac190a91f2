"""`faultlamp watch` on a real interface: it hears what the kernel sends, and sends nothing itself."""

import sys
import time
from pathlib import Path

import pytest
from kernel_bus import (
    BUS,
    DM1,
    Code,
    broadcast,
    diagnostic_message,
    faultlamp,
    listeners,
    listening,
    logged_frames,
    recorded,
)

pytestmark = pytest.mark.kernel

CODES = [Code(110, 3, 2), Code(105, 4, 1), Code(520200, 31, 127)]
DM1S = 4


def transmitted() -> int:
    """Frames that anybody has sent on the bus, by the interface's own counter."""
    return int(Path("/sys/class/net", BUS, "statistics", "tx_packets").read_text())


def test_watch_prints_events_and_stays_silent(tmp_path: Path) -> None:
    """Without a terminal each code gets a line while it is sent; every frame on the bus is one of the kernel's."""
    output = tmp_path / "watch.txt"
    command = [sys.executable, "-m", "faultlamp", "watch", "-i", "socketcan", "-c", BUS, "--for", "3"]
    before = transmitted()
    with (
        recorded(tmp_path / "bus.log") as log,
        output.open("wb") as file,
        listening(command, listeners() + 1, file) as watch,
    ):
        for _ in range(DM1S):
            broadcast(0x00, DM1, diagnostic_message(b"\x14\xff", CODES))
            time.sleep(0.3)
        early = output.read_text().splitlines()
        assert watch.wait(20) == 0
    for code in CODES:
        lines = [line for line in early if str(code.spn) in line.split() or f"{code.spn}/{code.fmi}" in line]
        assert lines, f"no line for {code} in {early}"
    # One announcement and two packets for each DM1, and nothing else: not from watch, nor from anybody.
    assert {frame.can_id for frame in logged_frames(log)} == {0x18ECFF00, 0x18EBFF00}
    assert len(logged_frames(log)) == transmitted() - before == 3 * DM1S


def test_watch_on_a_silent_bus_ends_by_itself(tmp_path: Path) -> None:
    """With nothing on the bus `--for` still ends it, and nothing has been sent."""
    before = transmitted()
    with recorded(tmp_path / "bus.log") as log:
        done = faultlamp("watch", "-i", "socketcan", "-c", BUS, "--for", "1")
    assert done.returncode == 0, done.stderr
    assert logged_frames(log) == []
    assert transmitted() == before


def test_watch_on_an_interface_that_is_not_there() -> None:
    """A channel that the kernel does not have is one line on standard error and exit code 1."""
    done = faultlamp("watch", "-i", "socketcan", "-c", "can9", "--for", "1")
    assert done.returncode == 1
    assert "can9" in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1
