"""Blocks of whole lines out of any stream, in bounded memory."""

import io
from typing import BinaryIO, cast

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from faultlamp.capture import candump_text
from faultlamp.capture.candump_lines import LONGEST_LINE
from faultlamp.capture.candump_text import text_blocks
from faultlamp.capture.compression import ByteStream, Damage


class Dripping(io.RawIOBase):
    """A file that gives as many bytes at a time as it likes, and may fail at its end."""

    def __init__(self, data: bytes, steps: list[int], *, breaks: bool = False) -> None:
        self.data = data
        self.steps = steps
        self.breaks = breaks
        self.reads = 0

    def stream(self) -> ByteStream:
        return ByteStream(cast(BinaryIO, self), "", lambda size: None)

    def read(self, size: int = -1) -> bytes:
        step = min(self.steps[self.reads % len(self.steps)], size)
        self.reads += 1
        piece, self.data = self.data[:step], self.data[step:]
        if not piece and self.breaks:
            raise OSError(5, "Input/output error")
        return piece


def blocks(data: bytes, *steps: int) -> list[bytes]:
    """All blocks of the data, read in steps of these sizes."""
    return list(text_blocks(Dripping(data, list(steps) or [1 << 30]).stream()))


@pytest.fixture
def small(monkeypatch: pytest.MonkeyPatch) -> None:
    """Blocks and lines so short that a test of a few bytes meets every edge."""
    monkeypatch.setattr(candump_text, "FIRST_BLOCK", 8)
    monkeypatch.setattr(candump_text, "BLOCK", 16)
    monkeypatch.setattr(candump_text, "LONGEST_LINE", 20)


@pytest.mark.usefixtures("small")
@settings(max_examples=500, deadline=None)
@given(
    st.lists(st.one_of(st.binary(max_size=10), st.binary(min_size=15, max_size=70)), max_size=12),
    st.booleans(), st.lists(st.integers(1, 20), min_size=1, max_size=4),
)
def test_lines_survive_whatever_the_reads(lines: list[bytes], last_newline: bool, steps: list[int]) -> None:
    """Together the blocks are the lines, in order; a line that is too long keeps its start and stays too long."""
    lines = [b"-" + line.replace(b"\n", b"") for line in lines]  # no line is a byte order mark
    data = b"\n".join(lines) + (b"\n" if last_newline and lines else b"")
    got = blocks(data, *steps)
    assert all(block.endswith(b"\n") for block in got[:-1])
    assert all(len(block) <= 20 + 16 + 8 + 21 for block in got)
    found = b"".join(got).removesuffix(b"\n").split(b"\n") if got else []
    wanted = lines
    assert len(found) == len(wanted)
    for one, other in zip(found, wanted, strict=True):
        # A long line whose newline comes early enough may come whole.
        assert one == other or (len(other) > 20 and len(one) == 21 and other.startswith(one))


def test_a_line_without_end_takes_no_memory() -> None:
    """100 MiB without a newline: one line that is too long, then the next line as it is."""

    class Endless(io.RawIOBase):
        left = 100 << 20
        most = 0

        def read(self, size: int = -1) -> bytes:
            self.most = max(self.most, size)
            if self.left == 0:
                self.left = -1
                return b"\nnext\n"
            if self.left < 0:
                return b""
            piece = min(size, self.left)
            self.left -= piece
            return bytes(piece)

    source = Endless()
    sizes = [len(block) for block in text_blocks(ByteStream(cast(BinaryIO, source), "", lambda size: None))]
    assert sizes[0] == LONGEST_LINE + 2
    assert sum(sizes[1:]) == len(b"next\n")
    assert source.most <= candump_text.BLOCK


def test_the_byte_order_mark_goes() -> None:
    """At the start alone."""
    assert blocks(b"\xef\xbb\xbfone\n\xef\xbb\xbftwo\n") == [b"one\n\xef\xbb\xbftwo\n"]


@pytest.mark.usefixtures("small")
def test_damage_comes_after_the_whole_lines() -> None:
    """A line that the damage may have cut short is not delivered."""
    source = Dripping(b"one\ntwo\nthree\nfour", [5], breaks=True)
    got: list[bytes] = []
    with pytest.raises(Damage, match="no longer readable"):
        got.extend(text_blocks(source.stream()))
    assert b"".join(got) == b"one\ntwo\nthree\n"
