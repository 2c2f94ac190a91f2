"""The column parser takes and refuses exactly what the line parser does, whatever the text."""

import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from faultlamp.capture import candump_blocks
from faultlamp.capture.candump_blocks import ParsedText, parse_text
from faultlamp.capture.candump_layout import layout_of
from faultlamp.capture.candump_lines import CandumpLine, parse_line

# One entry a row: time, channel, identifier, flags, length, data bytes padded with 0xFF.
Row = tuple[int, str, int, int, int, int]


def by_columns(parsed: ParsedText) -> list[Row]:
    """The rows of a parsed text as plain numbers."""
    frames = parsed.frames
    names = [frames.channels[index] for index in frames.channel.tolist()]
    return list(zip(
        frames.time_ns.tolist(), names, frames.can_id.tolist(), frames.flags.tolist(), frames.length.tolist(),
        frames.data.tolist(), strict=True,
    ))


def by_lines(text: bytes, after_error_frame: bool = False) -> tuple[list[Row], list[int], list[int], list[bool]]:
    """Rows, bad lines, skipped lines and which rows are untimed, by the line parser alone."""
    frames: list[Row] = []
    bad: list[int] = []
    skipped: list[int] = []
    untimed: list[bool] = []
    explains = after_error_frame
    lines = text.split(b"\n")
    for number, line in enumerate(lines[:-1] if lines[-1] == b"" else lines):
        found = parse_line(line)
        if found is not None:
            data = int.from_bytes(found.data[:8].ljust(8, b"\xff"), "little")
            frames.append((found.time_ns or 0, found.channel, found.can_id, found.flags, len(found.data), data))
            untimed.append(found.time_ns is None)
            explains = found.detail_follows
        elif not line.strip():
            skipped.append(number)
            explains = False
        elif explains and line.startswith(b"\t"):
            skipped.append(number)
        else:
            bad.append(number)
            explains = False
    return frames, bad, skipped, untimed


def check(text: bytes, after_error_frame: bool = False) -> ParsedText:
    """Both parsers on the same text."""
    parsed = parse_text(text, after_error_frame=after_error_frame)
    frames, bad, skipped, untimed = by_lines(text, after_error_frame)
    assert by_columns(parsed) == frames
    assert parsed.bad.tolist() == bad
    assert parsed.skipped.tolist() == skipped
    assert (parsed.untimed.tolist() if parsed.untimed is not None else [False] * len(frames)) == untimed
    assert parsed.lines == len(frames) + len(bad) + len(skipped)
    return parsed


def lines_alone(text: bytes, monkeypatch: pytest.MonkeyPatch) -> int:
    """How many lines of the text were left to the line parser."""
    alone: list[bytes] = []

    def noting(line: bytes) -> CandumpLine | None:
        alone.append(line)
        return parse_line(line)

    monkeypatch.setattr(candump_blocks, "parse_line", noting)
    parse_text(text)
    return len(alone)


stamps = st.one_of(
    st.tuples(st.integers(1_436_509_000, 1_436_509_100), st.integers(0, 999_999)).map(lambda t: f"{t[0]}.{t[1]:06d}"),
    st.from_regex(r"[0-9]{1,10}\.[0-9]{1,9}", fullmatch=True),
    st.sampled_from(["9999999999.999999", "8999999999.999999", "9000000000.000000", "0.0"]),
)
identifiers = st.one_of(
    st.sampled_from(["18FECA00", "0CF00400", "1CEBFF00", "20000004", "1FFFFFFF", "3FFFFFFF", "40000000", "7FF", "800"]),
    st.integers(0, 0xFFFFFFFF).map(lambda n: f"{n:08X}"), st.integers(0, 0xFFF).map(lambda n: f"{n:03x}"),
)
payloads = st.one_of(
    st.binary(max_size=8).map(lambda data: data.hex().upper()), st.binary(min_size=8, max_size=8).map(bytes.hex),
    st.sampled_from(["R", "R8", "##0", "#111", "R8_9", "0011223344556677_A", "112", "00" * 9]),
)
log_lines = st.builds(
    lambda stamp, channel, identifier, payload, ending: f"({stamp}) {channel} {identifier}#{payload}{ending}".encode(),
    stamps, st.sampled_from(["can0", "can1", "vcan0", "c", "enginebus-left", "c" * 64, "é"]), identifiers, payloads,
    st.sampled_from(["", "", "", " R", " T", "\r", " R\r", "  R", " X", " "]),
)
screen_lines = st.builds(
    lambda stamp, channel, direction, identifier, data, ending: (
        f" {stamp} {channel}  {direction}{identifier}   [{len(data)}]  {data.hex(' ').upper()}{ending}".encode()
    ),
    st.one_of(st.just(""), stamps.map(lambda stamp: f"({stamp}) ")), st.sampled_from(["can0", "can1", "c" * 64, "é"]),
    st.sampled_from(["", "", "RX - -  ", "TX B E  "]), identifiers, st.binary(max_size=8),
    st.sampled_from(["", "", "", "\r", "  ", "   '........'", "   ERRORFRAME", "\t"]),
)
all_lines = st.one_of(log_lines, screen_lines)
other_lines = st.sampled_from([
    b"", b"  ", b"\r", b"\t", b"\tcontroller-problem{rx-overflow}", b"\t\tmore", b"interface up", b"\x00\xff\xfe",
    b"  can0  20000004   [8]  00 0C 00 00 00 00 00 00   ERRORFRAME", b"  can0  123   [2]  01 02",
    b" (1436509052.249713)  can0  18FECA00   [2]  01 02",
])


@st.composite
def mutations(draw: st.DrawFn, lines: st.SearchStrategy[bytes]) -> bytes:
    """A line with one character changed, doubled, lost or swapped."""
    line = bytearray(draw(lines))
    if line and draw(st.booleans()):
        at = draw(st.integers(0, len(line) - 1))
        how = draw(st.sampled_from(["change", "insert", "delete", "cut"]))
        char = draw(st.sampled_from(b"0123456789abcdefABCDEFG@`/:(). #_RT\r\t\x00\x10\x19\x7f\x80\xff"))
        if how == "change":
            line[at] = char
        elif how == "insert":
            line.insert(at, char)
        elif how == "delete":
            del line[at]
        else:
            del line[at:]
    return bytes(line.replace(b"\n", b""))


@pytest.fixture(params=[1, 5, 32_768], ids=lambda piece: f"{piece} at a time")
def piece(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every pass is worth its while, so that few lines reach the column road; in pieces of several sizes."""
    monkeypatch.setattr(candump_blocks, "_WORTH_A_PASS", 1)
    monkeypatch.setattr(candump_blocks, "_PIECE", request.param)


@pytest.mark.usefixtures("piece")
@settings(max_examples=250, deadline=None)
@given(
    st.lists(st.one_of(mutations(all_lines), all_lines, other_lines), max_size=30), st.booleans(), st.booleans(),
    st.booleans(),
)
def test_any_lines(lines: list[bytes], padded: bool, last_newline: bool, after_error_frame: bool) -> None:
    """Rows, bad lines, skipped lines and untimed rows are those of the line parser, in order."""
    text = b"\n".join(lines) + (b"\n" if last_newline else b"")
    if padded:  # so that no line is too near the end for the column road
        text += b"\n" if text and not last_newline else b""
        text += b"(1436509052.249713) can0 18FECA00#0011223344556677\n" * 5
    check(text, after_error_frame)


@pytest.mark.usefixtures("piece")
@settings(max_examples=150, deadline=None)
@given(all_lines, st.data())
def test_one_layout_with_flaws(line: bytes, data: st.DataObject) -> None:
    """Many copies of one line, some with a flaw: the flawed ones alone leave the column road."""
    flawed = data.draw(st.lists(mutations(st.just(line)), min_size=1, max_size=20))
    check(b"\n".join([line] * 3 + flawed + [line] * 7) + b"\n")


@pytest.mark.parametrize("line", [
    b"(1436509052.249713) can0 18FECA00#0123456789abCDEF R",
    b"(12.5) c 7fF#01",
    b" (1436509052.249713)  can0  RX - -  18FECA00   [8]  01 23 45 67 89 ab CD EF",
    b"  can0  123   [2]  01 9f\r",
], ids=["log", "short log", "screen", "short screen"])
def test_every_character_at_every_place(line: bytes, monkeypatch: pytest.MonkeyPatch) -> None:
    """All 255 characters but the newline, at each place of a line: accepted and refused alike."""
    monkeypatch.setattr(candump_blocks, "_WORTH_A_PASS", 1)
    for at in range(len(line)):
        lines = [line[:at] + bytes([char]) + line[at + 1 :] for char in range(256) if char != ord("\n")]
        check(b"\n".join([line] * 8 + lines + [line] * 16) + b"\n")


@pytest.mark.parametrize("ending", [b"", b" R", b" T", b"\r", b" R\r"], ids=repr)
@pytest.mark.parametrize("identifier", [b"18FECA00", b"123"], ids=bytes.decode)
@pytest.mark.parametrize("stamp", [b"1436509052.249713", b"1.5", b"0.000001", b"12345.123456789"], ids=bytes.decode)
@pytest.mark.parametrize("channel", [b"can0", b"c", b"vcan12", b"a-long-channel-name", b"c" * 64], ids=len)
def test_ordinary_lines_go_together(channel: bytes, stamp: bytes, identifier: bytes, ending: bytes,
                                    monkeypatch: pytest.MonkeyPatch) -> None:
    """No line of the usual forms, of any data length, is left to the line parser, but at the ends of the text."""
    lines = [
        b"(" + stamp + b") " + channel + b" " + identifier + b"#" + b"5A" * (number % 9) + ending
        for number in range(200)
    ]
    text = b"\n".join(lines) + b"\n"
    check(text)
    assert lines_alone(text, monkeypatch) <= 12


@pytest.mark.parametrize("stamp", [b"", b"(1436509052.249713)  ", b"(000.000010)  "], ids=len)
@pytest.mark.parametrize("identifier", [b"18FECA00", b"     123", b"123"], ids=repr)
@pytest.mark.parametrize("direction", [b"", b"RX - -  "], ids=repr)
def test_screen_lines_go_together(stamp: bytes, identifier: bytes, direction: bytes,
                                  monkeypatch: pytest.MonkeyPatch) -> None:
    """The same for what candump prints."""
    lines = [
        b" " + stamp + b"can0  " + direction + identifier + b"   [%d] " % (number % 9) + b" 5a" * (number % 9)
        for number in range(600)
    ]
    text = b"\n".join(lines) + b"\n"
    check(text)
    assert lines_alone(text, monkeypatch) <= 16


def test_channels_and_identifiers_mixed_go_together(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two channels, both widths of identifier, all lengths, in random order: still by columns."""
    chance = random.Random(1)
    lines = [
        b"(%d.%06d) can%d %s#%s" % (
            1_436_509_052 + number // 100, number, chance.randrange(2), chance.choice([b"18FECA00", b"7DF"]),
            chance.randbytes(chance.randrange(9)).hex().encode(),
        )
        for number in range(2000)
    ]
    text = b"\n".join(lines) + b"\n"
    check(text)
    assert lines_alone(text, monkeypatch) <= 12


@given(st.lists(st.one_of(all_lines, other_lines), max_size=20), st.data())
@settings(max_examples=100, deadline=None)
def test_pieces_equal_the_whole(lines: list[bytes], data: st.DataObject) -> None:
    """Cut at any line end, the two parts together say what the whole says."""
    cut = data.draw(st.integers(0, len(lines)))
    texts = [b"".join(line + b"\n" for line in part) for part in (lines[:cut], lines[cut:])]
    whole = parse_text(b"".join(texts))
    first = parse_text(texts[0])
    second = parse_text(texts[1], after_error_frame=first.ends_in_error_frame)
    assert by_columns(first) + by_columns(second) == by_columns(whole)
    assert first.lines + second.lines == whole.lines
    assert np.concatenate((first.bad, second.bad + first.lines)).tolist() == whole.bad.tolist()
    assert np.concatenate((first.skipped, second.skipped + first.lines)).tolist() == whole.skipped.tolist()
    assert whole.ends_in_error_frame == second.ends_in_error_frame or cut == len(lines)


@given(st.binary(max_size=2000))
@settings(max_examples=200, deadline=None)
def test_rubbish(text: bytes) -> None:
    """Any bytes at all: no exception, and the same verdicts."""
    check(text)


def test_no_layout_for_what_is_no_log_line() -> None:
    """A layout is learnt only from the plain forms, and never from a channel that is no text."""
    for line in (
        b"", b"(1.0)  can0 123#11", b"(1.0) can\x1b0 123#11", b"(1.0) \xff 123#11", b"  can0  123   [2]  11",
        b"  \xff  123   [1]  11", b"  can0  123   [1]  remote request", b"  can0  123  [12]" + b"  00" * 12,
    ):
        assert layout_of(line) is None


def test_the_text_after_an_error_frame() -> None:
    """Tab-indented lines are skipped right after ERRORFRAME, and bad lines anywhere else."""
    error = b"  can0  20000004   [8]  00 0C 00 00 00 00 00 00   ERRORFRAME\n"
    detail = b"\tcontroller-problem{rx-error-warning,tx-error-warning}\n"
    other = b"  can0  123   [1]  11\n"
    parsed = check(error + detail + detail + other + detail + b"note\n" + error + b"\n" + detail)
    assert parsed.skipped.tolist() == [1, 2, 7]
    assert parsed.bad.tolist() == [4, 5, 8]
    assert check(error).ends_in_error_frame
    assert check(error + detail).ends_in_error_frame
    assert not check(error + detail + other).ends_in_error_frame
    assert check(detail, after_error_frame=True).skipped.tolist() == [0]
    assert check(detail).bad.tolist() == [0]
