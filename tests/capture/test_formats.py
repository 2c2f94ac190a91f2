"""The formats that python-can reads: written by its own writers, read back, compressed, and damaged."""

import gzip
import importlib.util
import lzma
import math
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import can
import pytest
import zstandard
from hypothesis import given, settings
from hypothesis import strategies as st

from faultlamp.capture import Capture
from faultlamp.capture.formats import frame_of
from faultlamp.errors import CaptureError
from faultlamp.frames import BRS, ERROR, ESI, EXTENDED, FD, REMOTE, Frame
from support.recordings import Row, Whole, rows_of

FORMATS = (".asc", ".blf", ".csv", ".db", ".mf4", ".trc")
NO_CAN_FD = (".csv", ".db", ".trc")  # by python-can's documentation of its writers
NO_REMOTE_OR_ERROR = (".trc",)
NO_CHANNEL = (".csv", ".db")
RELATIVE_TIME = (".asc",)  # seconds since the start of the measurement
formats = pytest.mark.parametrize("suffix", FORMATS)

DM1 = bytes.fromhex("04FF6E000301FFFF")
MESSAGES = [
    can.Message(timestamp=1_700_000_000.25, arbitration_id=0x18FECA00, data=DM1, channel=0),
    can.Message(timestamp=1_700_000_000.250613, arbitration_id=0x7DF, is_extended_id=False, data=b"\2\1", channel=1),
    can.Message(timestamp=1_700_000_000.3, arbitration_id=0x18EAFF00, data=b"", channel=0),
    can.Message(timestamp=1_700_000_000.4, arbitration_id=0x18EAFF00, is_remote_frame=True, dlc=3, channel=0),
    can.Message(timestamp=1_700_000_000.5, is_error_frame=True, channel=0),
    can.Message(timestamp=1_700_000_000.6, arbitration_id=0x18FECA00, is_fd=True, bitrate_switch=True,
                data=bytes(range(12)), channel=0),
    can.Message(timestamp=1_700_000_001.7, arbitration_id=0x0CF00400, data=bytes(range(8)), channel=0),
]


def kept(suffix: str) -> list[can.Message]:
    """The messages that the format can hold."""
    return [
        message for message in MESSAGES
        if not (message.is_fd and suffix in NO_CAN_FD)
        and not ((message.is_remote_frame or message.is_error_frame) and suffix in NO_REMOTE_OR_ERROR)
    ]


def record(path: Path, messages: list[can.Message]) -> Path:
    """A recording made by python-can's writer for the suffix."""
    with can.Logger(path) as writer:
        for message in messages:
            writer.on_message_received(message)
    return path


def expected(suffix: str) -> list[Row]:
    """The rows that the recording is to be read as, worked out from the messages."""
    start = MESSAGES[0].timestamp if suffix in RELATIVE_TIME else 0.0
    rows = []
    for message in kept(suffix):
        if message.is_error_frame:
            flags = ERROR
        else:
            flags = (EXTENDED if message.is_extended_id else 0) | (REMOTE if message.is_remote_frame else 0)
            flags |= (FD | BRS) if message.is_fd else 0
        # python-can counts .trc channels from 1.
        channel = "0" if suffix in NO_CHANNEL else str(int(str(message.channel)) + (suffix == ".trc"))
        data = bytes(message.data)
        rows.append((
            round((message.timestamp - start) * 1_000_000) * 1000, channel, message.arbitration_id, flags, len(data),
            int.from_bytes(data[:8].ljust(8, b"\xff"), "little"),
        ))
    return rows


@formats
def test_written_by_python_can(suffix: str, tmp_path: Path) -> None:
    """Time to the microsecond, channel, identifier, flags and data come back."""
    whole = Whole(record(tmp_path / f"a{suffix}", kept(suffix)), strict=True)
    assert whole.rows == expected(suffix)
    assert whole.stats.channels == sorted({row[1] for row in whole.rows})
    assert (whole.stats.bad_lines, whole.stats.warnings) == (0, [])


@pytest.mark.parametrize("compression", [".gz", ".xz", ".zst"])
@formats
def test_compressed(suffix: str, compression: str, tmp_path: Path) -> None:
    """Also where the reader wants a file with a name; no copy stays behind."""
    compressors: dict[str, Callable[[bytes], bytes]] = {
        ".gz": gzip.compress, ".xz": lzma.compress, ".zst": zstandard.ZstdCompressor().compress,
    }
    plain = record(tmp_path / f"plain{suffix}", kept(suffix))
    path = tmp_path / f"a{suffix.upper()}{compression}"
    path.write_bytes(compressors[compression](plain.read_bytes()))
    assert Whole(path).rows == expected(suffix)


@formats
def test_many_frames_keep_their_order(suffix: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Over several blocks, with one table of channels."""
    monkeypatch.setattr("faultlamp.capture.recording._LIBRARY_BLOCK", 64)
    messages = [
        can.Message(timestamp=1000 + n / 100, arbitration_id=0x18FECA00 + n % 200, data=[n % 256] * 8, channel=n % 3)
        for n in range(500)
    ]
    blocks = list(Capture([str(record(tmp_path / f"a{suffix}", messages))]).blocks())
    assert len(blocks) == 8
    rows = [row for block in blocks for row in rows_of(block)]
    assert [row[2] for row in rows] == [0x18FECA00 + n % 200 for n in range(500)]
    assert [row[5] & 0xFF for row in rows] == [n % 256 for n in range(500)]
    if suffix not in NO_CHANNEL:
        first = 1 if suffix == ".trc" else 0
        assert [row[1] for row in rows] == [str(n % 3 + first) for n in range(500)]


@formats
def test_empty_file(suffix: str, tmp_path: Path) -> None:
    """No bytes are no frames, whatever the suffix."""
    path = tmp_path / f"a{suffix}"
    path.touch()
    assert Whole(path).rows == []


@formats
def test_missing_file_is_not_made(suffix: str, tmp_path: Path) -> None:
    """Some readers would create it."""
    path = tmp_path / f"a{suffix}"
    with pytest.raises(CaptureError, match="no such file"):
        Whole(path)
    assert list(tmp_path.iterdir()) == []


@formats
def test_rubbish(suffix: str, tmp_path: Path) -> None:
    """Something else under the suffix: one line, nothing on standard error besides it."""
    path = tmp_path / f"a{suffix}"
    path.write_bytes(bytes(range(256)) * 20)
    with pytest.raises(CaptureError) as caught:
        Whole(path)
    message = str(caught.value)
    assert message.startswith(f"{path}: damaged")
    assert "after 0 readable frames; check that its suffix says its format" in message
    assert message.isprintable()


@pytest.mark.parametrize("suffix", [".asc", ".trc"])
def test_text_without_frames(suffix: str, tmp_path: Path) -> None:
    """python-can passes over lines that it does not know; that there was no frame at all is worth a word."""
    path = tmp_path / f"a{suffix}"
    path.write_text("hello\n" * 10)
    assert Whole(path).stats.warnings == [f"{path}: no CAN frame in it; is it a {suffix} recording?"]


def many(tmp_path: Path, suffix: str) -> bytes:
    """The bytes of a recording of 5000 frames."""
    return record(tmp_path / f"whole{suffix}", [
        can.Message(timestamp=1000 + n / 100, arbitration_id=0x18FECA00, data=(n * 7919).to_bytes(8, "big"), channel=0)
        for n in range(5000)
    ]).read_bytes()


@pytest.mark.parametrize("suffix", [".blf", ".csv", ".db", ".mf4"])
@pytest.mark.parametrize("part", [0.3, 0.75])
def test_cut_off(suffix: str, part: float, tmp_path: Path) -> None:
    """The message says how many frames were readable; they were delivered."""
    whole = many(tmp_path, suffix)
    cut = whole[: int(len(whole) * part) - (0 if suffix != ".csv" else 3)]
    path = tmp_path / f"a{suffix}"
    path.write_bytes(cut)
    capture = Capture([str(path)])
    frames = 0
    with pytest.raises(CaptureError) as caught:  # noqa: PT012 (counts up to the error)
        for block in capture.blocks():
            frames += len(block)
    assert f" after {frames} readable frames; " in str(caught.value)
    assert str(caught.value).startswith(f"{path}: ")
    if suffix in (".blf", ".csv") and part > 0.5:
        assert frames > 1000


def test_blf_cut_between_containers(tmp_path: Path) -> None:
    """The file's header says how long it was."""
    whole = many(tmp_path, ".blf")
    # Objects begin with LOBJ (python-can's blf.py); cut in front of the last container.
    path = tmp_path / "a.blf"
    path.write_bytes(whole[: whole.rindex(b"LOBJ")])
    with pytest.raises(CaptureError, match=r"a\.blf: cut off after [1-9]\d* readable frames"):
        Whole(path)


@pytest.mark.parametrize("size", [0, 15, 0xFFFFFFFF], ids=["zero", "below the header", "four gigabytes"])
def test_blf_with_lying_object_size(size: int, tmp_path: Path) -> None:
    """An object's size is never believed beyond reason."""
    whole = bytearray(many(tmp_path, ".blf"))
    at = whole.index(b"LOBJ") + 8  # signature, header size, header version, then the object's size
    whole[at : at + 4] = size.to_bytes(4, "little")
    path = tmp_path / "a.blf"
    path.write_bytes(whole)
    with pytest.raises(CaptureError, match=r"damaged \(an object of -?\d+ bytes\)"):
        Whole(path)


def test_a_text_line_without_end(tmp_path: Path) -> None:
    """Is damage, not memory."""
    path = tmp_path / "a.asc"
    path.write_bytes(b"x" * 10_000_000)
    with pytest.raises(CaptureError, match="damaged, or no text"):
        Whole(path)


def test_bad_messages_are_counted(tmp_path: Path) -> None:
    """A line whose data are cut short is no frame; with --strict it is named by its number."""
    path = record(tmp_path / "a.asc", MESSAGES[:1])
    lines = path.read_text().splitlines()
    place = next(number for number, line in enumerate(lines) if "18FECA00x" in line)
    lines.insert(place + 1, lines[place].replace(" FF FF", ""))
    path.write_text("\n".join(lines))
    whole = Whole(path)
    assert (whole.stats.frames, whole.stats.bad_lines) == (1, 1)
    with pytest.raises(CaptureError, match=r"a\.asc: message 2 is not a CAN frame"):
        Whole(path, strict=True)


def test_mf4_without_its_library(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Says how to get it, before anything is read."""
    path = tmp_path / "a.mf4"
    path.write_bytes(b"MDF     ")
    found = importlib.util.find_spec
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None if name == "asammdf" else found(name))
    with pytest.raises(CaptureError, match=r'a\.mf4: .*pip install "faultlamp\[mf4\]"'):
        Capture([str(path)])


def test_nothing_but_the_one_line_on_standard_error(tmp_path: Path) -> None:
    """Neither log messages nor finalizers of the readers write there."""
    code = (
        "import sys\nfrom faultlamp.capture import Capture\nfrom faultlamp.errors import CaptureError\n"
        "for path in sys.argv[1:]:\n    try:\n        list(Capture([path]).blocks())\n"
        "    except CaptureError as error:\n        print(error)\n"
    )
    paths = []
    for suffix in FORMATS:
        whole = many(tmp_path, suffix)
        for name, content in (("half", whole[: len(whole) // 2]), ("short", whole[:-10]), ("text", b"hello\n" * 10)):
            paths.append(tmp_path / f"{name}{suffix}")
            paths[-1].write_bytes(content)
    done = subprocess.run([sys.executable, "-c", code, *paths], capture_output=True, timeout=100, check=True, text=True)
    assert done.stderr == ""
    assert len(done.stdout.splitlines()) >= 10


def test_merges_with_a_candump_log(tmp_path: Path) -> None:
    """Formats mix; channels are told apart by name."""
    log = tmp_path / "a.log"
    log.write_text("(1700000000.260000) can0 18FECA00#00\n")
    whole = Whole(log, record(tmp_path / "a.blf", MESSAGES[:2] + MESSAGES[2:3]))
    assert [row[1] for row in whole.rows] == ["0", "1", "can0", "0"]


@pytest.mark.parametrize(("changed", "frame"), [
    pytest.param({}, Frame(1_500_000_000, "0", 0x123, b"\x01"), id="as it is"),
    pytest.param({"timestamp": 1.0000004}, Frame(1_000_000_000, "0", 0x123, b"\x01"), id="rounded to microseconds"),
    pytest.param({"channel": 3}, Frame(1_500_000_000, "3", 0x123, b"\x01"), id="channel number"),
    pytest.param({"channel": "left"}, Frame(1_500_000_000, "left", 0x123, b"\x01"), id="channel name"),
    pytest.param({"is_extended_id": False}, Frame(1_500_000_000, "0", 0x123, b"\x01", 0), id="11-bit"),
    pytest.param({"is_fd": True, "bitrate_switch": True, "error_state_indicator": True},
                 Frame(1_500_000_000, "0", 0x123, b"\x01", EXTENDED | FD | BRS | ESI), id="CAN FD"),
    pytest.param({"dlc": 15, "data": bytes(8)}, Frame(1_500_000_000, "0", 0x123, bytes(8)), id="raw length code"),
    pytest.param({"timestamp": math.nan}, None, id="no time"),
    pytest.param({"timestamp": math.inf}, None, id="endless time"),
    pytest.param({"timestamp": -1.0}, None, id="before the epoch"),
    pytest.param({"timestamp": 1e10}, None, id="beyond 64 bits"),
    pytest.param({"arbitration_id": 0x20000000}, None, id="30 bits"),
    pytest.param({"arbitration_id": 0x800, "is_extended_id": False}, None, id="12 bits"),
    pytest.param({"data": bytes(9), "dlc": 9}, None, id="nine bytes"),
    pytest.param({"data": bytes(65), "dlc": 65, "is_fd": True}, None, id="65 bytes"),
    pytest.param({"data": bytes(3), "dlc": 5}, None, id="data cut short"),
    pytest.param({"channel": "a b"}, None, id="channel with a blank"),
])
def test_messages_become_frames(changed: dict[str, Any], frame: Frame | None) -> None:
    """Or nothing, when they cannot have been on a bus."""
    fields: dict[str, Any] = {"timestamp": 1.5, "arbitration_id": 0x123, "data": b"\x01"}
    assert frame_of(can.Message(**{**fields, **changed})) == frame


@given(st.integers(0, 4_000_000_000_000_000))
@settings(max_examples=200)
def test_times_keep_their_microseconds(time_us: int) -> None:
    """A binary fraction of a second that stood for whole microseconds becomes exactly those."""
    frame = frame_of(can.Message(timestamp=time_us / 1_000_000, arbitration_id=1))
    assert frame is not None
    assert frame.time_ns == time_us * 1000


def test_mf4_after_python_can_was_loaded_without_its_library(tmp_path: Path) -> None:
    """A process that opened a bus first reads .mf4 recordings all the same."""
    path = tmp_path / "a.mf4"
    with can.MF4Writer(path) as writer:
        writer.on_message_received(can.Message(timestamp=1.0, arbitration_id=0x18FECA00, data=bytes(8)))
    script = (
        "import sys; from faultlamp.bus.loading import load_python_can; load_python_can(); "
        "assert 'asammdf' not in sys.modules; from faultlamp.capture import Capture; "
        f"print(sum(len(block) for block in Capture([{str(path)!r}]).blocks()))"
    )
    result = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True, timeout=60)
    assert result.stdout == "1\n"
