"""Recordings made while watching: complete, readable, and never over something else."""

import errno
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import can
import pytest

from faultlamp.bus.recorder import Recorder
from faultlamp.errors import CaptureError
from faultlamp.frames import BRS, ERROR, EXTENDED, FD, REMOTE, Frame

START_NS = 1_700_000_000_123_456_000
KINDS = [
    Frame(START_NS, "can0", 0x18FECA00, bytes(range(8))),
    Frame(START_NS + 1000, "can0", 0x18EA00F9, b"\xca\xfe\x00"),
    Frame(START_NS + 2000, "can0", 0x7DF, b"\x02\x01\x0c", 0),
    Frame(START_NS + 3000, "can0", 0x18FECA00, b"", EXTENDED | REMOTE),
    Frame(START_NS + 4000, "can0", 0x80, bytes(8), ERROR),
    Frame(START_NS + 5000, "can0", 0x18FECA00, bytes(12), EXTENDED | FD | BRS),
    Frame(START_NS + 6000, "can0", 0x1FFFFFFF, b""),
]


class Clock:
    """Seconds that tests set by hand."""

    now_s = 10.0

    def __call__(self) -> float:
        return self.now_s


def test_python_can_reads_what_was_recorded(tmp_path: Path) -> None:
    """Its candump reader sees the same identifiers, bytes, kinds and times; of an error frame it keeps the kind."""
    path = tmp_path / "a.log"
    recorder = Recorder(str(path))
    recorder.write(KINDS)
    recorder.close()
    assert recorder.frames == len(KINDS)
    with can.CanutilsLogReader(path) as reader:
        read = [
            (round(message.timestamp * 1e6) * 1000, str(message.channel), message.arbitration_id, bytes(message.data),
             message.is_error_frame, message.is_remote_frame, message.is_fd, message.bitrate_switch)
            for message in reader
        ]
    assert read == [
        (frame.time_ns, frame.channel, frame.can_id, frame.data, False,
         bool(frame.flags & REMOTE), bool(frame.flags & FD), bool(frame.flags & BRS))
        if frame.flags != ERROR else (frame.time_ns, "None", 0, b"", True, False, False, False)
        for frame in KINDS
    ]


def test_lines_are_on_disk_within_a_second(tmp_path: Path) -> None:
    """Frames that came are in the file half a second later, also when nothing more comes."""
    clock = Clock()
    path = tmp_path / "a.log"
    recorder = Recorder(str(path), clock=clock)
    recorder.write(KINDS)
    clock.now_s += 0.4
    recorder.write([])
    assert path.read_bytes() == b""
    clock.now_s += 0.1
    recorder.write([])
    assert path.read_bytes().count(b"\n") == len(KINDS)
    assert path.read_bytes().endswith(b"\n")
    recorder.close()
    recorder.close()


def test_a_flood_does_not_wait_for_the_clock(tmp_path: Path) -> None:
    """Memory stays bounded: tens of kilobytes of lines leave at once."""
    path = tmp_path / "a.log"
    recorder = Recorder(str(path), clock=Clock())
    recorder.write(KINDS * 1000)
    assert path.stat().st_size > 200_000
    recorder.close()


@pytest.mark.parametrize(
    ("name", "words"),
    [
        pytest.param("there.log", "is there already and stays as it is", id="existing"),
        pytest.param("folder", "is there already", id="folder"),
        pytest.param("no/such/folder/a.log", "No such file or directory; choose another", id="no-folder"),
        pytest.param("there.log/a.log", "Not a directory", id="file-as-folder"),
        pytest.param("x" * 300, "File name too long", id="long"),
        pytest.param("a\0b", "null", id="null-byte"),
        pytest.param("two\nlines/a", "two·lines", id="newline"),
    ],
)
def test_what_cannot_be_recorded_to_is_one_line(tmp_path: Path, name: str, words: str) -> None:
    """And nothing that was there changes."""
    (tmp_path / "there.log").write_bytes(b"precious")
    (tmp_path / "folder").mkdir()
    with pytest.raises(CaptureError, match=words) as raised:
        Recorder(f"{tmp_path}/{name}")
    assert "\n" not in str(raised.value)
    assert (tmp_path / "there.log").read_bytes() == b"precious"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["folder", "there.log"]


@pytest.mark.skipif(not hasattr(signal, "SIGXFSZ"), reason="needs a system that limits the size of files")
def test_a_full_disk_ends_the_recording_at_a_whole_line(tmp_path: Path) -> None:
    """The kernel refuses past 10,000 bytes (RLIMIT_FSIZE), in the middle of a line; the watching would go on."""
    program = f"""
import resource, signal, sys
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (10_000, 10_000))
from faultlamp.bus.recorder import Recorder
from faultlamp.frames import Frame
recorder = Recorder({str(tmp_path / 'a.log')!r})
for number in range(100):
    recorder.write([Frame({START_NS} + number * 1000, "can0", 0x18FECA00, bytes(8)) for _ in range(10)])
    recorder.flush()
recorder.close()
print(recorder.frames, recorder.error)
"""
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    content = (tmp_path / "a.log").read_bytes()
    frames, _, error = done.stdout.partition(" ")
    assert content.endswith(b"\n")
    assert content.count(b"\n") == int(frames) > 0
    assert error.startswith(f"recording to {tmp_path}/a.log ended after {frames} frames: {os.strerror(errno.EFBIG)};")
    assert len(error.splitlines()) == 1


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="needs a kill that cannot be caught")
def test_a_kill_leaves_whole_lines_and_costs_at_most_a_second(tmp_path: Path) -> None:
    """A process that records 100 frames a second is killed after more than a second."""
    path = tmp_path / "a.log"
    program = f"""
import time
from faultlamp.bus.recorder import Recorder
from faultlamp.frames import Frame
recorder = Recorder({str(path)!r})
while True:
    recorder.write([Frame(int(time.time() * 1e6) * 1000, "can0", 0x18FECA00, bytes(8))])
    time.sleep(0.01)
"""
    process = subprocess.Popen([sys.executable, "-c", program])
    deadline = time.monotonic() + 20
    while not (path.exists() and path.stat().st_size > 2000) and time.monotonic() < deadline:
        time.sleep(0.02)
    time.sleep(1.2)
    killed_s = time.time()
    process.kill()
    process.wait()
    with can.CanutilsLogReader(path) as reader:
        stamps = [message.timestamp for message in reader]
    assert path.read_bytes().endswith(b"\n")
    # Lines wait half a second at most; the rest is for a busy machine.
    assert killed_s - stamps[-1] < 1.0
