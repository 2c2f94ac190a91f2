"""The frames that can be saved: which ones are held, and that they come out as they came in."""

from errno import ENOSPC
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from faultlamp.bus.log_file import LogFile
from faultlamp.bus.recorder import Recorder
from faultlamp.capture import Capture, format_candump_line
from faultlamp.frames import ERROR, EXTENDED, FD, REMOTE, Frame, FrameBlock
from faultlamp.tui.export.packed import PackedBlock
from faultlamp.tui.export.stock import RecentFrames, WholeRecording, notes_name
from faultlamp.tui.replay.recording import Recording
from support.wire import frame, ns
from tui.scene import rpm

EVER = -(1 << 62), 1 << 62


def saved(stock: RecentFrames | WholeRecording, from_ns: int = EVER[0], to_ns: int = EVER[1]) -> tuple[list[str], int]:
    """The lines, and how many frames were left out."""
    stretch = stock.stretch(from_ns, to_ns)
    lines = [line.decode().rstrip("\n") for line in stretch.lines()]
    assert stretch.frames == len(lines)
    return lines, stretch.left_out


classic = st.builds(
    lambda time_ns, channel, wide, number, data: Frame(
        time_ns, channel, number if wide else number & 0x7FF, data, EXTENDED if wide else 0
    ),
    st.integers(0, 1 << 60), st.sampled_from(["can0", "can1"]), st.booleans(), st.integers(0, (1 << 29) - 1),
    st.binary(max_size=8),
)


@given(st.lists(st.lists(classic, max_size=6), max_size=6))
def test_classic_frames_come_out_as_they_came_in(parts: list[list[Frame]]) -> None:
    """Whatever blocks they came in, 11 bits and 29 bits, live and in a replay."""
    live = RecentFrames()
    blocks: list[FrameBlock] = []
    channels: tuple[str, ...] = ()
    for part in parts:
        blocks.append(FrameBlock.from_frames(part, channels))
        channels = blocks[-1].channels
    live.add(blocks)
    wanted = [format_candump_line(one) for part in parts for one in part]
    assert saved(live) == (wanted, 0)
    assert saved(WholeRecording(Recording(blocks))) == (wanted, 0)


def test_frames_of_11_bits_come_out_of_a_candump_log_too(tmp_path: Path) -> None:
    """The fast reader keeps their data."""
    lines = ["(1436509052.249713) can0 123#1122", "(1436509053.000001) can0 18FECA00#0001020304050607"]
    path = tmp_path / "job.log"
    path.write_text("\n".join(lines) + "\n")
    assert saved(WholeRecording(Recording(Capture([str(path)]).blocks()))) == (lines, 0)


def test_what_is_not_wholly_known_is_left_out_and_counted() -> None:
    """Remote, error and CAN FD frames."""
    frames = [rpm(0, 800), *(frame(1, "123", "00", flags=flags) for flags in (REMOTE, ERROR, FD, FD | EXTENDED))]
    stock = RecentFrames()
    stock.add([FrameBlock.from_frames(frames)])
    assert saved(stock) == ([format_candump_line(frames[0])], 4)


@pytest.mark.parametrize(
    ("from_s", "to_s", "seconds"), [(1, 2, [1, 2]), (1.5, 1.6, []), (-5, 0, [0]), (2, 99, [2, 3])]
)
def test_both_ends_of_a_stretch_belong_to_it(from_s: float, to_s: float, seconds: list[int]) -> None:
    """By the frames' own stamps."""
    stock = RecentFrames()
    stock.add([FrameBlock.from_frames([rpm(at, 800) for at in range(4)])])
    assert saved(stock, ns(from_s), ns(to_s))[0] == [format_candump_line(rpm(at, 800)) for at in seconds]


def test_the_oldest_go_and_it_is_known_since_when_all_are_there() -> None:
    """The bound holds to one block more; many small blocks do not become many objects."""
    stock = RecentFrames(most=20_000)
    for at in range(50_000):
        stock.add([FrameBlock.from_frames([rpm(at, 800)])])
    lines, _ = saved(stock)
    assert 19_000 <= len(lines) <= 20_000
    assert lines[-1] == format_candump_line(rpm(49_999, 800))
    since_ns = stock.since_ns
    assert since_ns is not None
    assert lines[0] == format_candump_line(rpm((since_ns - ns(0)) // 1_000_000_000, 800))
    assert len(stock._blocks) + len(stock._new) < 400


def test_a_clock_that_steps_back_leaves_only_what_came_since() -> None:
    """Moments would mean two things."""
    stock = RecentFrames()
    stock.add([FrameBlock.from_frames([rpm(100, 800)]), FrameBlock.from_frames([rpm(5, 900)], starts_stretch=True)])
    assert saved(stock)[0] == [format_candump_line(rpm(5, 900))]
    assert stock.since_ns == ns(5)


@pytest.mark.parametrize("ending", [".log", ".log.gz", ".log.zst"])
def test_while_recorded_the_recording_is_copied(tmp_path: Path, ending: str) -> None:
    """Line for line, over several files, frames of every kind, and also what memory would have let go."""
    recorder = Recorder(str(tmp_path / f"job{ending}"), most_bytes=2000)
    stock = RecentFrames(recorder, most=1)
    frames = [frame(at, "18FEF700", "FFFFFFFF2802FFFF") for at in range(300)]
    frames[7] = frame(7, "123", "", flags=REMOTE)
    frames[8] = frame(8, "00000004", "0011", flags=ERROR)
    for start in range(0, 300, 50):
        recorder.write(frames[start : start + 50])
        recorder.flush()
    stock.add([FrameBlock.from_frames(frames)])
    assert stock.since_ns is None
    assert saved(stock, ns(5), ns(250)) == ([format_candump_line(one) for one in frames[5:251]], 0)
    assert list(stock.files) == [str(tmp_path / name) for name in sorted(path.name for path in tmp_path.iterdir())]
    recorder.close()


@pytest.mark.parametrize("file_goes", [False, True])
def test_a_recording_that_ends_early_is_carried_on_from_memory(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, file_goes: bool
) -> None:
    """A full disk: the file has the beginning, memory the rest, each frame once; without the file, memory alone."""
    recorder = Recorder(str(tmp_path / "job.log"))
    stock = RecentFrames(recorder, beside=20_000)
    frames = [rpm(at / 100, 800 + at % 100) for at in range(60_000)]

    def hear(some: list[Frame]) -> None:
        for at in range(0, len(some), 500):
            recorder.write(some[at : at + 500])
            stock.add([FrameBlock.from_frames(some[at : at + 500])])

    hear(frames[:40_000])
    recorder.flush()

    def full(*_: object) -> None:
        raise OSError(ENOSPC, "No space left on device")

    monkeypatch.setattr(LogFile, "append", full)
    hear(frames[40_000:])
    assert recorder.error is not None
    wanted = [format_candump_line(one) for one in frames]
    if file_goes:
        (tmp_path / "job.log").unlink()
        held, _ = saved(stock)
        assert len(held) > 30_000
        assert held == wanted[-len(held) :]
        stretch = stock.stretch(*EVER)
        assert list(stretch.lines())
        assert stretch.unread == "No such file or directory"
    else:
        assert stock.since_ns is None
        assert saved(stock) == (wanted, 0)
        assert saved(stock, ns(100), ns(500)) == (wanted[10_000:50_001], 0)
    recorder.close()


def test_packing_takes_half_of_the_room_at_worst() -> None:
    """Random payloads and uneven times; columns are 26 bytes a frame."""
    rng = np.random.default_rng(1)
    frames = [
        Frame(int(at), "can0", int(number), payload.tobytes(), EXTENDED)
        for at, number, payload in zip(
            np.cumsum(rng.integers(150_000, 900_000, 8192)), rng.choice([0x0CF00400, 0x18FEEE00, 0x18FECA00], 8192),
            rng.integers(0, 256, (8192, 8), np.uint8), strict=True,
        )
    ]
    packed = PackedBlock.of(FrameBlock.from_frames(frames))
    assert len(packed.packed) < 8192 * 13
    assert list(packed.block().rows()) == frames


@pytest.mark.parametrize(
    ("recording", "notes"),
    [("a/pump.log", "a/pump-notes.txt"), ("pump.log.gz", "pump-notes.txt"), ("b.2/pump", "b.2/pump-notes.txt"),
     ("pump-0001.log.zst", "pump-0001-notes.txt")],
)
def test_the_notes_lie_beside_the_recording(recording: str, notes: str) -> None:
    """Under its name."""
    assert "".join(notes_name(recording)) == notes
