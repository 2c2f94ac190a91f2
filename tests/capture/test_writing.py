"""Lines that are written are lines that everybody reads: our own reader, python-can, can-utils."""

import io
import shutil
import subprocess
from pathlib import Path

import can
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from faultlamp.capture import format_candump_line
from faultlamp.capture.candump_lines import parse_line
from faultlamp.frames import BRS, ERROR, ESI, EXTENDED, FD, REMOTE, Frame
from support.recordings import Whole

T = 1436509052_249713_000

# The forms that can-utils documents in lib.h (linux-can project); flags of CAN FD and of errors from linux/can.h.
LINES = {
    "29-bit": (Frame(T, "can0", 0x18FECA00, b"\x04\xff"), "(1436509052.249713) can0 18FECA00#04FF"),
    "11-bit": (Frame(T, "vcan1", 0x12, b"\xab", 0), "(1436509052.249713) vcan1 012#AB"),
    "no data": (Frame(T, "can0", 0x7FF, b"", 0), "(1436509052.249713) can0 7FF#"),
    "remote": (Frame(T, "can0", 0x18EAFF00, b"", EXTENDED | REMOTE), "(1436509052.249713) can0 18EAFF00#R"),
    "CAN FD": (Frame(T, "can0", 0x123, bytes(12), FD | BRS), "(1436509052.249713) can0 123##1" + "00" * 12),
    "CAN FD, ESI": (Frame(T, "can0", 0x1, b"", EXTENDED | FD | ESI), "(1436509052.249713) can0 00000001##2"),
    "error": (Frame(T, "can0", 4, bytes(8), ERROR), "(1436509052.249713) can0 20000004#0000000000000000"),
    "nanoseconds": (Frame(T + 1, "can0", 1, b"", 0), "(1436509052.249713001) can0 001#"),
    "from zero": (Frame(1_000, "can0", 1, b"", 0), "(0000000000.000001) can0 001#"),
}


@pytest.mark.parametrize(("frame", "line"), LINES.values(), ids=LINES)
def test_documented_forms(frame: Frame, line: str) -> None:
    """Each kind of frame in the form that candump -L gives it."""
    assert format_candump_line(frame) == line


@st.composite
def frames(draw: st.DrawFn) -> Frame:
    """Any frame that can be on a bus."""
    kind = draw(st.sampled_from([0, EXTENDED, ERROR, REMOTE, EXTENDED | REMOTE, FD, EXTENDED | FD]))
    highest = 0x1FFFFFFF if kind & (EXTENDED | ERROR) else 0x7FF
    if kind & FD:
        kind |= draw(st.sampled_from([0, BRS, ESI, BRS | ESI]))
        length = draw(st.sampled_from([0, 1, 8, 12, 16, 20, 24, 32, 48, 64]))
    else:
        length = 0 if kind & REMOTE else draw(st.integers(0, 8))
    return Frame(
        draw(st.one_of(st.integers(0, 9 * 10**18 - 1), st.integers(0, 4 * 10**15).map(lambda us: us * 1000))),
        draw(st.sampled_from(["can0", "vcan12", "0", "moteur-é"])), draw(st.integers(0, highest)),
        draw(st.binary(min_size=length, max_size=length)), kind,
    )


@given(frames())
@settings(max_examples=500)
def test_reading_gives_the_frame_back(frame: Frame) -> None:
    """To the nanosecond, with every flag."""
    found = parse_line(format_candump_line(frame).encode())
    assert found is not None
    assert found == (frame.time_ns, frame.channel, frame.can_id, frame.flags, frame.data, False)


@given(frames().filter(lambda frame: not frame.flags & ERROR))
@settings(max_examples=200, deadline=None)
def test_python_can_reads_it(frame: Frame) -> None:
    """python-can's reader gets the same frame out of the line."""
    (message,) = can.CanutilsLogReader(io.StringIO(format_candump_line(frame) + "\n"))
    assert abs(message.timestamp - frame.time_ns / 1e9) <= 2e-6
    assert (str(message.channel), message.arbitration_id) == (frame.channel, frame.can_id)
    assert bytes(message.data) == frame.data
    assert frame.flags == (
        (EXTENDED if message.is_extended_id else 0) | (REMOTE if message.is_remote_frame else 0)
        | (FD if message.is_fd else 0) | (BRS if message.bitrate_switch else 0)
        | (ESI if message.error_state_indicator else 0)
    )


def test_python_can_writes_the_same(tmp_path: Path) -> None:
    """python-can's writer adds the direction behind the same line, and its file reads as the same frames."""
    given = [frame for name, (frame, _) in LINES.items() if name not in ("error", "nanoseconds", "from zero")]
    path = tmp_path / "a.log"
    with can.CanutilsLogWriter(path) as writer:
        for frame in given:
            writer.on_message_received(can.Message(
                timestamp=frame.time_ns / 1e9, arbitration_id=frame.can_id, data=frame.data or None,
                channel=frame.channel, is_extended_id=bool(frame.flags & EXTENDED),
                is_remote_frame=bool(frame.flags & REMOTE), is_fd=bool(frame.flags & FD),
                bitrate_switch=bool(frame.flags & BRS), error_state_indicator=bool(frame.flags & ESI),
            ))
    assert path.read_text().splitlines() == [f"{format_candump_line(frame)} R" for frame in given]
    assert [row[2] for row in Whole(path, strict=True).rows] == [frame.can_id for frame in given]


@pytest.mark.skipif(shutil.which("log2asc") is None, reason="can-utils is not installed")
def test_can_utils_reads_it() -> None:
    """log2asc of can-utils makes of each line the identifier and bytes that were written."""
    given = [frame for name, (frame, _) in LINES.items() if name in ("29-bit", "11-bit", "no data", "remote", "CAN FD")]
    lines = "".join(f"{format_candump_line(frame)}\n" for frame in given)
    out = subprocess.run(
        ["log2asc", "can0", "vcan1"], input=lines, capture_output=True, check=True, timeout=10, text=True
    ).stdout
    found = [line.split() for line in out.splitlines() if line[:4].strip() and line.split()[0] == "0.000000"]
    assert [words[1:] for words in found[:4]] == [
        ["1", "18FECA00x", "Rx", "d", "2", "04", "FF"],
        ["2", "12", "Rx", "d", "1", "AB"],
        ["1", "7FF", "Rx", "d", "0"],
        ["1", "18EAFF00x", "Rx", "r", "0"],
    ]
    assert found[4][1:4] == ["CANFD", "1", "Rx"]
    assert found[4][4] == "123"
