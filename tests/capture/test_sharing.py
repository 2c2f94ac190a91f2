"""Several processes read what one process reads, to the byte."""

import json
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from faultlamp.capture import Capture, format_candump_line, sharing
from faultlamp.frames import FD, Frame
from faultlamp.history.document import fault_document
from faultlamp.history.history import History
from faultlamp.history.sieve import sieve
from support.strategies import traffic

# What stands between frames: bad lines, blank ones, frames without a time stamp, a clock far back, candump's
# explanation of an error frame.
ODD_LINES = [
    "", "garbage", "(1.0) can0 123#1", "  can0  18FECA00   [8]  04 FF 6E 00 03 02 FF FF", "\x00\xff",
    "(1600000000.000000) can1 0CF00400#F07D7DE015FFF0FF",
    "(1700000000.500000)  can0  20000004   [8]  00 04 00 00 00 00 00 00   ERRORFRAME\n\tcontroller-problem{}",
]


def told(paths: list[Path], jobs: int) -> tuple[str, list[str]]:
    """The whole document as text, and the warnings."""
    capture = Capture([str(path) for path in paths], reduce=sieve, jobs=jobs)
    history = History()
    for block in capture.blocks():
        history.feed_block(block)
    document = fault_document(
        history, files=[], bad_lines=capture.stats.bad_lines, frames=capture.stats.frames,
        spn_name=lambda _: None, fmi_meaning=lambda _: "",
    )
    # Which recording is at its end first is another matter.
    return json.dumps(document), sorted(capture.stats.warnings)


def log(frames: list[Frame], odd: list[tuple[int, str]]) -> bytes:
    """Candump lines with odd ones put in."""
    lines = [format_candump_line(frame) for frame in frames if not frame.flags & FD]
    for place, line in odd:
        lines.insert(min(place, len(lines)), line)
    return "".join(f"{line.rstrip()}\n" for line in lines).encode("utf-8", "surrogateescape")


@pytest.fixture
def small_pieces(monkeypatch: pytest.MonkeyPatch) -> None:
    """Recordings are divided however small they are."""
    monkeypatch.setattr(sharing, "PIECE", 300)
    monkeypatch.setattr(sharing, "_WORTH_STARTING", 0)


recordings = st.builds(
    log, traffic(max_size=20), st.lists(st.tuples(st.integers(0, 60), st.sampled_from(ODD_LINES)), max_size=4)
)


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(recordings, min_size=1, max_size=3))
def test_several_processes_equal_one(
    small_pieces: None, tmp_path_factory: pytest.TempPathFactory, texts: list[bytes]
) -> None:
    """Any recordings, cut anywhere: the same document and the same warnings."""
    folder = tmp_path_factory.mktemp("pieces")
    paths = []
    for number, text in enumerate(texts):
        paths.append(folder / f"{number}.log")
        paths[-1].write_bytes(text)
    assert told(paths, 2) == told(paths, 1)


def test_a_transfer_across_a_seam(small_pieces: None, tmp_path: Path) -> None:
    """A broadcast of 60 packets lies in several pieces and arrives whole, once."""
    packets = [f"(1700000000.{number:06d}) can0 18EBFF00#{number:02X}04FF6E00030204" for number in range(1, 61)]
    path = tmp_path / "long.log"
    path.write_text("\n".join(["(1700000000.000000) can0 18ECFF00#20A4013CFFCAFE00", *packets]))
    assert len(list(sharing._pieces(sharing.Source(str(path), path, ".log", "", path.stat().st_size)))) > 5
    document = json.loads(told([path], 2)[0])
    assert document["transport"]["completed"] == 1
    assert document["capture"]["frames"] == 61


def test_a_file_without_frames_is_told_once(small_pieces: None, tmp_path: Path) -> None:
    """The warning speaks of the recording, not of each piece."""
    path = tmp_path / "none.log"
    path.write_text("(nothing here)\n" * 100)
    assert told([path], 2)[1] == told([path], 1)[1]
    assert len(told([path], 2)[1]) == 1
