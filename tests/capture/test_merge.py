"""Merging by columns gives, row by row, what merging the frames one at a time gives."""

from collections.abc import Iterator
from heapq import merge
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from faultlamp.capture.merge import merge_blocks
from faultlamp.frames import Frame, FrameBlock
from support.recordings import Row, Whole, log_line, rows_of

# A recording: blocks of (time in ms, starts a stretch) lists; small times, so that ties and steps back are many.
recordings = st.lists(
    st.lists(st.tuples(st.booleans(), st.lists(st.integers(0, 30), max_size=6)), max_size=6), max_size=4
)


def blocks_of(recording: list[tuple[bool, list[int]]], number: int) -> Iterator[FrameBlock]:
    """The blocks of one recording; each frame says in its data where it comes from. Channels partly shared."""
    position = 0
    for starts_stretch, times in recording:
        frames = []
        for time in times:
            payload = number.to_bytes(1, "little") + position.to_bytes(2, "little")
            frames.append(Frame(time * 1_000_000, f"can{(number + position) % 3}", 0x18FECA00, payload))
            position += 1
        yield FrameBlock.from_frames(frames, ["unused"], starts_stretch=starts_stretch)


@settings(max_examples=500, deadline=None)
@given(recordings)
def test_same_as_merging_frame_by_frame(given: list[list[tuple[bool, list[int]]]]) -> None:
    """heapq.merge over the recordings' frames: earliest head first, ties to the recording named first."""
    heads = []
    stretch_starts = set()
    for number, recording in enumerate(given):
        rows: list[Row] = []
        for block in blocks_of(recording, number):
            if block.starts_stretch and len(block):
                stretch_starts.add((number, len(rows)))
            rows += rows_of(block)
        # heapq.merge wants sorted input to sort; with any input it still takes the smallest head each time.
        heads.append([(row[0], number, place, row) for place, row in enumerate(rows)])
    expected = list(merge(*heads, key=lambda entry: entry[:2]))

    merged = list(merge_blocks([blocks_of(recording, number) for number, recording in enumerate(given)]))
    assert all(len(block) for block in merged)
    assert [row for block in merged for row in rows_of(block)] == [entry[3] for entry in expected]

    # A block starts a stretch exactly where a recording's frame does that started one there.
    starts = []
    position = 0
    for block in merged:
        if block.starts_stretch:
            starts.append(position)
        position += len(block)
    assert starts == [place for place, entry in enumerate(expected) if (entry[1], entry[2]) in stretch_starts]


def test_one_block_of_each_is_held() -> None:
    """A recording that is behind is not read ahead, and one that is done is not asked again."""
    asked: list[str] = []

    def blocks(name: str, start: int, step: int) -> Iterator[FrameBlock]:
        for number in range(4):
            asked.append(f"{name}{number}")
            yield FrameBlock.from_frames([Frame((start + number * step) * 1_000_000_000, name, 1, b"")])
        asked.append(f"{name} ends")

    merged = merge_blocks([blocks("a", 0, 1), blocks("b", 100, 1)])
    next(merged)
    assert asked == ["a0", "b0"]
    for _ in range(3):
        next(merged)
    assert asked == ["a0", "b0", "a1", "a2", "a3"]
    assert len(list(merged)) == 4
    assert asked == ["a0", "b0", "a1", "a2", "a3", "a ends", "b1", "b2", "b3", "b ends"]


def test_ties_go_to_the_file_named_first(tmp_path: Path) -> None:
    """Also when the same file is named twice: it is two recordings."""
    first, second = tmp_path / "a.log", tmp_path / "b.log"
    first.write_text(log_line(1, "a") + log_line(2, "a"))
    second.write_text(log_line(1, "b") + log_line(2, "b"))
    assert [row[1] for row in Whole(first, second).rows] == ["a", "b", "a", "b"]
    assert [row[1] for row in Whole(second, first).rows] == ["b", "a", "b", "a"]
    assert [row[1] for row in Whole(first, first).rows] == ["a"] * 4


def test_a_step_back_in_one_of_two_files(tmp_path: Path) -> None:
    """The frames behind it come at once; the other file's frames keep their place, and the stretch is marked."""
    first, second = tmp_path / "a.log", tmp_path / "b.log"
    first.write_text("".join(log_line(time, "a") for time in (10, 20, 5, 6, 21)))
    second.write_text("".join(log_line(time, "b") for time in (12, 20, 22)))
    whole = Whole(first, second)
    assert [(row[1], row[0] // 10**9) for row in whole.rows] == [
        ("a", 10), ("b", 12), ("a", 20), ("a", 5), ("a", 6), ("b", 20), ("a", 21), ("b", 22),
    ]
    assert whole.stretches == [3]
    assert whole.stats.clock_steps == 1
    assert (whole.stats.start_ns, whole.stats.end_ns) == (10 * 10**9, 22 * 10**9)
    assert whole.stats.channels == ["a", "b"]


def test_blocks_of_real_files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Files of many small blocks, one of them empty, one without a frame."""
    monkeypatch.setattr("faultlamp.capture.candump_text.FIRST_BLOCK", 200)
    monkeypatch.setattr("faultlamp.capture.candump_text.BLOCK", 300)
    times = [[n * 3 % 50 + n for n in range(80)], [], [n * 2 for n in range(60)]]
    paths = []
    for number, column in enumerate(times):
        paths.append(tmp_path / f"{number}.log")
        paths[-1].write_text("".join(log_line(time, f"can{number}") for time in column))
    paths.append(tmp_path / "notes.log")
    paths[-1].write_text("no frame\n")
    whole = Whole(*paths)
    heads = [[(time, number) for time in column] for number, column in enumerate(times)]
    assert [(row[0] // 10**9, int(row[1][-1])) for row in whole.rows] == list(merge(*heads))
    assert whole.stats.bad_lines == 1
