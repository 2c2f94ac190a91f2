"""Recordings made while watching: complete, readable, and never over something else."""

import errno
import gzip
import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from threading import Event

import can
import pytest
import zstandard
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from faultlamp.bus import recorder as recording
from faultlamp.bus.disk_sync import DiskSync
from faultlamp.bus.log_file import numbered
from faultlamp.bus.recorder import Recorder
from faultlamp.capture import Capture
from faultlamp.errors import CaptureError
from faultlamp.frames import BRS, ERROR, EXTENDED, FD, REMOTE, Frame
from faultlamp.history.history import History
from support.strategies import traffic
from support.wire import document, document_by_rows

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


def plain(path: Path) -> bytes:
    """What a file holds, by the standard library's and the zstd project's own decompressors."""
    content = path.read_bytes()
    if path.suffix == ".gz":
        return gzip.decompress(content)
    if path.suffix == ".zst":
        return zstandard.ZstdDecompressor().stream_reader(content, read_across_frames=True).read()
    return content


def dm1s(count: int, first: int = 0) -> list[Frame]:
    """A frame every 100 ms."""
    numbers = range(first, first + count)
    return [Frame(START_NS + number * 100_000_000, "can0", 0x18FECA00, bytes(8)) for number in numbers]


@pytest.mark.parametrize("suffix", ["", ".gz", ".zst"])
def test_compressed_is_the_same_text(tmp_path: Path, suffix: str) -> None:
    """By the name's ending; a clean end leaves a file that other programs' decompressors take as whole."""
    path = tmp_path / f"a.log{suffix}"
    recorder = Recorder(str(path), clock=Clock())
    for _ in range(3):
        recorder.write(KINDS)
        recorder.flush()
    recorder.close()
    whole = plain(path)
    assert whole.count(b"\n") == recorder.frames == 3 * len(KINDS)
    assert recorder.size_bytes == path.stat().st_size
    capture = Capture([str(path)], strict=True)
    assert sum(len(block) for block in capture.blocks()) == 3 * len(KINDS)


@pytest.mark.parametrize("suffix", [".gz", ".zst"])
def test_a_compressed_file_without_its_end_reads_up_to_the_last_second(tmp_path: Path, suffix: str) -> None:
    """Cut between two writes it is whole; cut inside one, all before that is there and the cut is said."""
    path = tmp_path / f"a.log{suffix}"
    recorder = Recorder(str(path), clock=Clock())
    ends = []
    for second in range(3):
        recorder.write(dm1s(10, 10 * second))
        recorder.flush()
        ends.append(path.stat().st_size)
    # The process could be killed here: nothing has been closed.
    content = path.read_bytes()
    assert plain(path).count(b"\n") == 30
    cut = tmp_path / f"cut.log{suffix}"
    cut.write_bytes(content[: ends[1]])
    assert sum(len(block) for block in Capture([str(cut)], strict=True).blocks()) == 20
    cut.write_bytes(content[: ends[1] + 5])
    with pytest.raises(CaptureError, match="cut off after 20 readable frames"):
        list(Capture([str(cut)]).blocks())
    recorder.close()


def test_files_by_size(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """No file is longer than asked for, each has whole lines, and one behind the other they are the recording."""
    monkeypatch.setattr(recording, "_FLUSH_BYTES", 1000)
    frames = dm1s(500)
    recorder = Recorder(str(tmp_path / "job.log"), most_bytes=5000, clock=Clock())
    for at in range(0, 500, 7):
        recorder.write(frames[at : at + 7])
    recorder.close()
    files = sorted(tmp_path.iterdir())
    assert [file.name for file in files] == [f"job-{number:04d}.log" for number in range(1, recorder.files + 1)]
    assert len(files) > 4
    assert all(0 < file.stat().st_size <= 5000 for file in files)
    assert all(file.read_bytes().endswith(b"\n") for file in files)
    whole = tmp_path / "whole.log"
    single = Recorder(str(whole), clock=Clock())
    single.write(frames)
    single.close()
    assert b"".join(file.read_bytes() for file in files) == whole.read_bytes()
    assert recorder.size_bytes == whole.stat().st_size
    assert recorder.where == f"{files[0]} to {files[-1]}"


def test_files_by_time(tmp_path: Path) -> None:
    """A file begins with the first lines after its time; hours without a frame make no empty file."""
    clock = Clock()
    recorder = Recorder(str(tmp_path / "job.log"), longest_s=60, clock=clock)
    clock.now_s += 300
    for minute in range(4):
        recorder.write(dm1s(10, 10 * minute))
        clock.now_s += 61 if minute != 1 else 7200
        recorder.write([])
    recorder.close()
    assert [file.read_bytes().count(b"\n") for file in sorted(tmp_path.iterdir())] == [10, 10, 10, 10]


@pytest.mark.parametrize(
    ("there", "asked"),
    [
        pytest.param("job-0001.log", "job.log", id="first"),
        pytest.param("job-0007.log", "job.log", id="a later one"),
        pytest.param("job-12345.log.gz", "job.log.gz", id="past 9999"),
    ],
)
def test_a_taken_number_is_refused_at_the_start(tmp_path: Path, there: str, asked: str) -> None:
    """Numbers are never skipped, so an old recording and a new one cannot be mixed."""
    (tmp_path / there).write_bytes(b"precious")
    with pytest.raises(CaptureError, match=f"{there} is there already and stays as it is"):
        Recorder(f"{tmp_path}/{asked}", longest_s=60)
    assert [(file.name, file.read_bytes()) for file in tmp_path.iterdir()] == [(there, b"precious")]


@pytest.mark.parametrize("other", ["job.log", "job-0001.log.gz", "job-001.log", "job-final.log", "my-job-0001.log"])
def test_other_names_do_not_matter(tmp_path: Path, other: str) -> None:
    """Only what this recording would be called counts."""
    (tmp_path / other).write_bytes(b"precious")
    Recorder(f"{tmp_path}/job.log", longest_s=60).close()
    assert (tmp_path / other).read_bytes() == b"precious"


def test_a_number_taken_meanwhile_ends_the_recording(tmp_path: Path) -> None:
    """Nothing is overwritten and nothing skipped; what was recorded stays."""
    clock = Clock()
    recorder = Recorder(str(tmp_path / "job.log"), longest_s=60, clock=clock)
    recorder.write(dm1s(10))
    recorder.flush()
    (tmp_path / "job-0002.log").write_bytes(b"precious")
    clock.now_s += 61
    recorder.write(dm1s(10, 10))
    recorder.close()
    assert recorder.error is not None
    assert recorder.error.startswith(f"recording to {tmp_path}/job-0001.log ended after 10 frames: ")
    assert f"job-0002.log: {os.strerror(errno.EEXIST)}" in recorder.error
    assert (tmp_path / "job-0002.log").read_bytes() == b"precious"
    assert (tmp_path / "job-0001.log").read_bytes().count(b"\n") == 10


@pytest.mark.parametrize(
    ("path", "first"),
    [
        ("job.log", "job-0001.log"), ("a.b/job", "a.b/job-0001"), ("job.v2.log.ZST", "job.v2-0001.log.ZST"),
        (".log", ".log-0001"), ("job.gz", "job-0001.gz"),
    ],
)
def test_numbered_names(path: str, first: str) -> None:
    """The number stands before the endings that say what the file is."""
    assert numbered(path, 1) == first


def test_what_was_written_is_put_on_the_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """fsync(2) after each write, and once more at the end; a disk that fails ends the recording in one line."""
    synced: list[int] = []
    monkeypatch.setattr(os, "fdatasync", lambda descriptor: synced.append(os.fstat(descriptor).st_size), raising=False)
    recorder = Recorder(str(tmp_path / "a.log"))
    recorder.write(KINDS)
    recorder.flush()
    recorder.close()
    assert len(synced) >= 2
    assert synced[-1] == (tmp_path / "a.log").stat().st_size

    def broken(_: int) -> None:
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    monkeypatch.setattr(os, "fdatasync", broken, raising=False)
    recorder = Recorder(str(tmp_path / "b.log"))
    recorder.write(KINDS)
    recorder.close()
    assert recorder.error is not None
    assert os.strerror(errno.EIO) in recorder.error


def test_a_slow_disk_does_not_hold_up_the_bus(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """While a sync hangs, frames go on into the file, and syncs do not pile up."""
    hanging, started = Event(), Event()
    syncs: list[int] = []

    def slow(descriptor: int) -> None:
        syncs.append(descriptor)
        started.set()
        assert hanging.wait(20)

    monkeypatch.setattr(os, "fdatasync", slow, raising=False)
    path = tmp_path / "a.log"
    recorder = Recorder(str(path))
    recorder.write(dm1s(1))
    recorder.flush()
    assert started.wait(5)
    for number in range(100):
        recorder.write(dm1s(1, number))
        recorder.flush()
    assert path.read_bytes().count(b"\n") == 101
    hanging.set()
    recorder.close()
    # The one that hung, the one that waited behind it, and the last.
    assert len(syncs) == 3


def test_a_full_table_of_open_files_is_no_crash(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A descriptor that cannot be had is an error like one of the disk's."""

    def none_left(_: int) -> int:
        raise OSError(errno.EMFILE, os.strerror(errno.EMFILE))

    disk = DiskSync()
    monkeypatch.setattr(os, "dup", none_left)
    disk.ask(0)
    disk.close()
    assert disk.error is not None
    assert disk.error.errno == errno.EMFILE


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    frames=traffic(), suffix=st.sampled_from(["", ".gz", ".zst"]), most=st.sampled_from([None, 300, 900]),
    chunk=st.integers(1, 40),
)
def test_a_recording_replayed_gives_the_history_that_was_heard(
    tmp_path_factory: pytest.TempPathFactory, frames: list[Frame], suffix: str, most: int | None, chunk: int
) -> None:
    """However it was divided and packed: all files one behind the other, and also merged where time runs forward."""
    folder = tmp_path_factory.mktemp("round")
    recorder = Recorder(f"{folder}/job.log{suffix}", most_bytes=most, clock=Clock())
    for at in range(0, len(frames), chunk):
        recorder.write(frames[at : at + chunk])
        recorder.flush()
    recorder.close()
    assert (recorder.error, recorder.frames) == (None, len(frames))
    # Numbers of four digits sort as text.
    files = sorted(folder.iterdir())
    joined = folder / f"joined.log{suffix}"
    joined.write_bytes(b"".join(file.read_bytes() for file in files))
    readings = [[str(joined)]]
    times = [frame.time_ns for frame in frames]
    if times == sorted(times):
        readings.append([str(file) for file in files])
    for paths in readings:
        history = History()
        for block in Capture(paths, strict=True).blocks():
            history.feed_block(block)
        assert document(history) == document_by_rows(frames)
