"""Compressed recordings: the same frames as plain ones, and every kind of damage told."""

import gzip
import io
import lzma
import random
import subprocess
import sys
from collections.abc import Callable
from functools import partial
from pathlib import Path

import pytest
import zstandard

from faultlamp.capture.compression import ByteStream, Damage
from faultlamp.errors import CaptureError
from support.recordings import Whole, log_line, row

COMPRESS: dict[str, Callable[[bytes], bytes]] = {
    ".gz": gzip.compress,
    ".xz": lzma.compress,
    ".zst": zstandard.ZstdCompressor(write_checksum=True).compress,
}
compressions = pytest.mark.parametrize("suffix", COMPRESS)

TEXT = "".join(log_line(n, data=random.Random(n).randbytes(8).hex()) for n in range(3000))
FRAMES = [row(n, data=random.Random(n).randbytes(8).hex()) for n in range(3000)]


def read_all(data: bytes, suffix: str, size: int) -> bytes:
    """Everything, in reads of one size."""
    stream = ByteStream(io.BytesIO(data), suffix, lambda count: None)
    parts = []
    while part := stream.some(size):
        assert len(part) <= size
        parts.append(part)
    return b"".join(parts)


@compressions
@pytest.mark.parametrize("size", [1, 7, 1000, 1 << 20])
def test_any_read_size(suffix: str, size: int) -> None:
    """Reads deliver the plain bytes, whatever their size; also of two compressed files one behind the other."""
    plain = TEXT.encode()[: 300 * size]
    assert read_all(COMPRESS[suffix](plain), suffix, size) == plain
    assert read_all(COMPRESS[suffix](plain) + COMPRESS[suffix](plain[:10]), suffix, size) == plain + plain[:10]
    assert read_all(COMPRESS[suffix](b""), suffix, size) == b""


@compressions
@pytest.mark.parametrize("name", ["a.log", "a", "a.LOG", "a.txt"])
def test_frames(suffix: str, name: str, tmp_path: Path) -> None:
    """A compressed log holds the frames of the plain one; the suffix's case does not matter."""
    path = tmp_path / (name + (suffix.upper() if name.isupper() else suffix))
    path.write_bytes(COMPRESS[suffix](TEXT.encode()))
    assert Whole(path).rows == FRAMES


@compressions
def test_cut_off_anywhere(suffix: str) -> None:
    """Every shorter part is told from the whole, and never takes a wrong byte for a right one."""
    plain = TEXT.encode()[:2000]
    whole = COMPRESS[suffix](plain)
    for length in range(1, len(whole)):
        stream = ByteStream(io.BytesIO(whole[:length]), suffix, lambda count: None)
        got: list[bytes] = []
        with pytest.raises(Damage):
            got.extend(iter(partial(stream.some, 500), b""))
        assert plain.startswith(b"".join(got))


@compressions
def test_cut_off_recording(suffix: str, tmp_path: Path) -> None:
    """The message names the file and how many frames could be read before."""
    whole = COMPRESS[suffix](TEXT.encode())
    path = tmp_path / f"a.log{suffix}"
    path.write_bytes(whole[: len(whole) * 3 // 4])
    with pytest.raises(CaptureError) as caught:
        Whole(path)
    message = str(caught.value)
    assert message.startswith(f"{path}: cut off after ")
    frames = int(message.removeprefix(f"{path}: cut off after ").split()[0])
    # .zst and .xz deliver block by block, so a small file's only block may be lost whole.
    assert (1000 if suffix == ".gz" else 0) <= frames < 3000


@compressions
def test_not_compressed_at_all(suffix: str, tmp_path: Path) -> None:
    """A plain log with the wrong suffix."""
    path = tmp_path / f"a.log{suffix}"
    path.write_text(TEXT)
    with pytest.raises(CaptureError, match=r"damaged \(.*\) after 0 readable frames; check that its suffix"):
        Whole(path)


@compressions
def test_flipped_bits(suffix: str) -> None:
    """One wrong bit anywhere: damage, or the right bytes where the bit did not matter."""
    plain = TEXT.encode()[:600]
    whole = COMPRESS[suffix](plain)
    for place in range(len(whole)):
        bad = bytearray(whole)
        bad[place] ^= 1 << place % 8
        try:
            got = read_all(bytes(bad), suffix, 500)
        except Damage:
            continue
        assert got in (plain, b"")


@compressions
def test_rubbish_behind(suffix: str) -> None:
    """What follows the compressed data is no part of the recording, and told."""
    plain = TEXT.encode()[:600]
    stream = ByteStream(io.BytesIO(COMPRESS[suffix](plain) + b"rubbish behind it" * 10), suffix, lambda count: None)
    got = b""
    try:
        while part := stream.some(1 << 16):
            got += part
    except Damage:
        pass
    else:
        # xz passes over what is no second stream (lzma of the standard library does).
        assert suffix == ".xz"
    assert got == plain


@compressions
def test_progress_counts_compressed_bytes(suffix: str) -> None:
    """What a progress bar compares with the size of the file."""
    data = COMPRESS[suffix](TEXT.encode())
    heard: list[int] = []
    stream = ByteStream(io.BytesIO(data), suffix, heard.append)
    while stream.some(1 << 20):
        pass
    assert sum(heard) == len(data)


@compressions
@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="this system does not tell a process's peak memory")
def test_a_bomb_takes_no_memory(suffix: str, tmp_path: Path) -> None:
    """A quarter of a gigabyte of zeros in a small file is read in flat memory."""
    path = tmp_path / f"a.log{suffix}"
    if suffix == ".zst":
        path.write_bytes(zstandard.ZstdCompressor().compress(bytes(1 << 28)))
    else:
        path.write_bytes(COMPRESS[suffix](bytes(1 << 26)) * 4)
    code = (
        "import sys; from faultlamp.capture import Capture; capture = Capture([sys.argv[1]]); "
        "assert sum(map(len, capture.blocks())) == 0; assert capture.stats.bad_lines == 1; "
        "print(next(line.split()[1] for line in open('/proc/self/status') if line.startswith('VmHWM')))"
    )
    kilobytes = subprocess.run([sys.executable, "-c", code, path], capture_output=True, check=True, timeout=100).stdout
    assert int(kilobytes) < 150_000
