"""A stream of candump text in blocks of whole lines, in bounded memory whatever the stream holds."""

from __future__ import annotations

from collections.abc import Iterator

from faultlamp.capture.candump_lines import LONGEST_LINE
from faultlamp.capture.compression import ByteStream, Damage

# A small first block brings the heads of many recordings to the merge at little cost.
FIRST_BLOCK = 1 << 16
BLOCK = 1 << 20

_BYTE_ORDER_MARK = b"\xef\xbb\xbf"


def text_blocks(stream: ByteStream) -> Iterator[bytes]:
    """Blocks of whole lines, about BLOCK bytes each; only the very last line may lack its newline.

    A line above LONGEST_LINE comes as a line that is one character too long, without the rest. Raises Damage after
    the last whole line before the damage.
    """
    carry = b""
    in_long_line = False
    size = FIRST_BLOCK
    while True:
        chunk, damage = _fill(stream, size)
        at_end = not chunk
        if size == FIRST_BLOCK:
            chunk = chunk.removeprefix(_BYTE_ORDER_MARK)
            size = BLOCK
        if in_long_line:
            newline = chunk.find(b"\n")
            in_long_line = newline < 0
            chunk = chunk[newline + 1 :] if newline >= 0 else b""
        whole = chunk.rfind(b"\n") + 1
        if whole:
            yield b"".join((carry, memoryview(chunk)[:whole]))
            carry = chunk[whole:]
        else:
            carry += chunk
        if len(carry) > LONGEST_LINE:
            yield carry[: LONGEST_LINE + 1] + b"\n"
            carry = b""
            in_long_line = True
        if damage is not None:
            raise damage
        if at_end:
            if carry:
                yield carry
            return


def _fill(stream: ByteStream, size: int) -> tuple[bytes, Damage | None]:
    """`size` bytes, fewer at the end and before damage."""
    pieces: list[bytes] = []
    missing = size
    try:
        while missing and (piece := stream.some(missing)):
            pieces.append(piece)
            missing -= len(piece)
    except Damage as damage:
        return b"".join(pieces), damage
    return b"".join(pieces), None
