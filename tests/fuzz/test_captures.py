"""Damaged recordings through every reader: CaptureError in one line, or frames; never another exception.

`FAULTLAMP_FUZZ_EXAMPLES=5000 pytest tests/fuzz` searches longer.
"""

import contextlib
import gzip
import importlib.util
import lzma
import sqlite3
from collections.abc import Callable
from functools import cache
from pathlib import Path

import can
import pytest
import zstandard
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from faultlamp.capture import Capture
from faultlamp.errors import CaptureError
from faultlamp.history.history import History
from support.hostile import EXAMPLES, NASTY, START_NS, Road, unsafe
from support.recordings import log_line

BY_PYTHON_CAN = (".asc", ".blf", ".csv", ".db", ".trc", *((".mf4",) if importlib.util.find_spec("asammdf") else ()))
COMPRESS: dict[str, Callable[[bytes], bytes]] = {
    ".gz": gzip.compress, ".xz": lzma.compress, ".zst": lambda plain: zstandard.ZstdCompressor().compress(plain),
}
SUFFIXES = (".log", *BY_PYTHON_CAN, *(f".log{end}" for end in COMPRESS), ".asc.gz", ".blf.xz", ".db.zst")
# asammdf and SQLite take some ten milliseconds a file.
SLOW = {".mf4": 4, ".db": 2, ".db.zst": 2}


@cache
def whole(suffix: str, folder: Path) -> bytes:
    """A sound recording of that kind, made by python-can's writers."""
    stem, _, end = suffix.rpartition(".")
    if f".{end}" in COMPRESS and stem:
        return COMPRESS[f".{end}"](whole(stem, folder))
    path = folder / f"whole{suffix}"
    with can.Logger(str(path)) as writer:
        for number in range(40):
            writer.on_message_received(can.Message(
                timestamp=1_700_000_000 + number / 10, arbitration_id=0x18FECA00 + number % 3,
                data=bytes.fromhex("04FF6E000301FFFF"), channel=0,
            ))
    return path.read_bytes()


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where the files go."""
    return tmp_path_factory.mktemp("captures")


def read(path: Path, *, strict: bool = False) -> None:
    """Read it to the end and take its history; a CaptureError is one harmless line."""
    history, said = History(), ""
    try:
        for block in Capture([str(path)], strict=strict).blocks():
            assert len(block) > 0
            history.feed_block(block)
    except CaptureError as error:
        said = str(error)
    assert not unsafe(said), said
    assert len(said) < 600


edits = st.lists(st.tuples(st.floats(0, 1, exclude_max=True), st.binary(max_size=6), st.integers(0, 8)), max_size=8)


@pytest.mark.parametrize("suffix", SUFFIXES)
def test_a_damaged_recording_is_an_error_or_frames(folder: Path, suffix: str) -> None:
    """A sound file in which bytes were replaced, put in or lost, and whose end may be missing."""
    sound = whole(suffix, folder)
    path = folder / f"damaged{suffix}"

    @given(changes=edits, length=st.floats(0, 1) | st.just(1.0))
    @settings(max_examples=max(EXAMPLES // SLOW.get(suffix, 1) // 2, 10), deadline=None, database=None,
              suppress_health_check=list(HealthCheck))
    def damage(changes: list[tuple[float, bytes, int]], length: float) -> None:
        raw = bytearray(sound)
        for place, put, lost in changes:
            at = int(place * len(raw))
            raw[at : at + lost] = put
        path.write_bytes(raw[: round(length * len(raw))])
        read(path)

    path.write_bytes(sound)
    read(path, strict=True)
    damage()


@pytest.mark.parametrize("suffix", SUFFIXES)
def test_random_bytes_are_an_error_or_frames(folder: Path, suffix: str) -> None:
    """A file that is nothing, with and without the first bytes of a sound one."""
    path = folder / f"random{suffix}"
    start = whole(suffix, folder)

    @given(raw=st.binary(max_size=400), head=st.sampled_from([0, 4, 16, 64, 144, 200]), strict=st.booleans())
    @settings(max_examples=max(EXAMPLES // SLOW.get(suffix, 1) // 2, 10), deadline=None, database=None,
              suppress_health_check=list(HealthCheck))
    def nothing(raw: bytes, head: int, strict: bool) -> None:
        path.write_bytes(start[:head] + raw)
        read(path, strict=strict)

    nothing()


@given(lines=st.lists(
    st.sampled_from([log_line(START_NS / 1e9), "(1700000000.000000) can0 ", "(", ") can0 123#", "can0 18FECA00 [8] 00"])
    | st.sampled_from(NASTY) | st.text(max_size=30), max_size=30,
))
@settings(max_examples=EXAMPLES, deadline=None)
def test_lines_of_anything_go_the_whole_road(tmp_path_factory: pytest.TempPathFactory, lines: list[str]) -> None:
    """Candump text with names and rubbish as they come: read, and shown, without harm."""
    path = tmp_path_factory.getbasetemp() / "lines.log"
    path.write_bytes("\n".join(lines).encode("utf-8", "surrogatepass"))
    road = Road()
    for block in Capture([str(path)]).blocks():
        road.drive(list(block.rows()))
    for width, height in ((80, 24), (160, 48)):
        road.check_lines(road.screen(width, height), width)
    assert not any(unsafe(line) for line in road.event_lines)


@pytest.mark.parametrize("column", ["ts", "arbitration_id", "extended", "remote", "error", "dlc", "data"])
@pytest.mark.parametrize("value", [None, "text", 1.5, -1, 1 << 40, b"\xff"], ids=str)
def test_a_database_cell_of_another_type_is_no_frame_or_damage(folder: Path, column: str, value: object) -> None:
    """SQLite keeps any value in any column (its documentation, "Datatypes In SQLite"): the rest is still read."""
    path = folder / "typed.db"
    path.write_bytes(whole(".db", folder))
    with contextlib.closing(sqlite3.connect(path)) as database, database:
        database.execute(f"UPDATE messages SET {column} = ? WHERE rowid = 20", (value,))
    read(path)
