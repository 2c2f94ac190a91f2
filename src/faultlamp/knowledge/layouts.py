"""Layouts from DBC files: the shipped one is the single source of truth, a user's files add groups or replace them.

In a DBC, the suspect parameter's number is the signal attribute "SPN", the usual repetition the message attribute
"GenMsgCycleTime", and [min|max] the valid range. [0|0] means that the file gives none, then the width of the signal
decides; so does a range that excludes nothing although the signal fills whole bytes, where SAE J1939-71, section
5.1.4 (from memory) keeps codes back in any case.

Reading them needs cantools, whose import is slow; the shipped one is therefore kept in a compiled form too
(`knowledge.compiled`), and cantools is loaded only for a user's file.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from decimal import Decimal
from fractions import Fraction
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from faultlamp.errors import DataFileError
from faultlamp.j1939.identifier import split_identifier
from faultlamp.j1939.readings import (
    LONGEST_TEXT,
    BitField,
    GroupLayout,
    Layouts,
    Selector,
    SignalLayout,
    standard_range,
)
from faultlamp.knowledge.compiled import compiled
from faultlamp.resources import shipped
from faultlamp.text import printable

if TYPE_CHECKING:
    from cantools.database.can import Message, Signal

SHIPPED_DBC = shipped("dbc") / "faultlamp-j1939.dbc"

_LARGEST_DBC = 32_000_000
_LAST_SPN = 524287
_LONGEST_SIGNAL = 64
_FLOAT_WIDTHS = (16, 32, 64)
# Finer or coarser than any measurement, and short enough to be written out.
_FINEST, _COARSEST = 1e-18, 1e18


def load_layouts(user_dbc: Sequence[Path] = ()) -> Layouts:
    """The shipped layouts, with each group that a user's DBC has in place of the shipped one; later files win.

    Raises DataFileError, one line with the file and the reason, when a file cannot be used.
    """
    groups = dict(_shipped_groups())
    skipped: list[str] = []
    for path in user_dbc:
        found, left_out = read_dbc(path)
        groups.update(found)
        skipped += left_out
    return Layouts(groups, tuple(skipped))


@cache
def _shipped_groups() -> dict[int, GroupLayout]:
    groups = compiled(_content(SHIPPED_DBC))
    return read_dbc(SHIPPED_DBC)[0] if groups is None else groups


def read_dbc(path: Path) -> tuple[dict[int, GroupLayout], list[str]]:
    """Groups by number, and a line for each message or signal that cannot be one."""
    groups: dict[int, GroupLayout] = {}
    skipped = []
    for message in _parse(path):
        where = f"{path}: message {printable(message.name)}"
        if not message.is_extended_frame:
            skipped.append(f"{where} has an 11-bit identifier, so it is not J1939")
            continue
        pgn = split_identifier(message.frame_id).pgn
        if pgn in groups:
            skipped.append(f"{where} describes parameter group {pgn} again; {groups[pgn].acronym} came first")
            continue
        signals = []
        for signal in message.signals:
            if signal.length > _LONGEST_SIGNAL:
                skipped.append(f"{where}: signal {printable(signal.name)} is longer than 64 bits")
            else:
                signals.append(_signal(signal, message, where))
        groups[pgn] = GroupLayout(
            pgn, printable(message.name), _cycle_time_ms(message), message.length, tuple(signals)
        )
    return groups, skipped


def _parse(path: Path) -> list[Message]:
    from cantools.database.can import Database  # slow, see above

    content = _content(path)
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = content.decode("cp1252", "replace")  # what DBC editors write
    database = Database()
    try:
        # cantools takes a file that is cut off inside a statement for a whole one, unless something follows.
        database.add_dbc_string(f'{text}\nCM_ "end of file";\n')
    except Exception as error:
        # cantools lets its own checks, assertions and plain Python errors out; all of them mean a file it can't use.
        reason = " ".join(str(error).split()) or type(error).__name__
        raise DataFileError(f"{path}: not a DBC that makes sense: {printable(reason, longest=120)}") from error
    if not database.messages:
        raise DataFileError(f"{path}: there is no message in this DBC")
    return database.messages


def _content(path: Path) -> bytes:
    try:
        with path.open("rb") as file:
            content = file.read(_LARGEST_DBC + 1)
    except OSError as error:
        raise DataFileError(f"{path}: cannot read the DBC: {error.strerror}") from error
    if len(content) > _LARGEST_DBC:
        raise DataFileError(f"{path}: too large for a DBC, more than {_LARGEST_DBC} bytes; is it a recording?")
    return content


def _cycle_time_ms(message: Message) -> int | None:
    cycle: object = message.cycle_time  # whatever type the file declares
    return int(cycle) if isinstance(cycle, int | float) and 1 <= cycle < math.inf else None


def _signal(signal: Signal, message: Message, where: str) -> SignalLayout:
    where = f"{where}: signal {printable(signal.name)}"
    scale, offset = _number(signal.scale, where), _number(signal.offset, where)
    if not scale:
        raise DataFileError(f"{where} has the resolution 0; give it one, 1 for plain numbers")
    if signal.is_float and signal.length not in _FLOAT_WIDTHS:
        raise DataFileError(f"{where} is a float of {signal.length} bits; there are 16, 32 and 64")
    lowest, highest = _valid_range(signal, scale, offset)
    layout = SignalLayout(
        start_bit=signal.start,
        bit_length=signal.length,
        big_endian=signal.byte_order == "big_endian",
        # An attribute's default may be any number, or text, for "none".
        spn=signal.spn if isinstance(signal.spn, int) and 0 < signal.spn <= _LAST_SPN else None,
        name=printable(signal.name),
        scale=scale,
        offset=offset,
        unit=printable(signal.unit or ""),
        lowest_raw=lowest,
        highest_raw=highest,
        signed=signal.is_signed,
        is_float=signal.is_float,
        selectors=_selectors(signal, message, where),
        states={int(number): printable(str(word)) for number, word in (signal.choices or {}).items()},
    )
    half = layout.mask >> 1
    texts = [layout.format_value(layout.raw(pattern)) for pattern in (0, half, half + 1, layout.mask)]
    if max(map(len, texts)) > LONGEST_TEXT:
        raise DataFileError(f"{where} has values of more than {LONGEST_TEXT} characters; round its resolution")
    return layout


def _number(number: float, where: str) -> Decimal:
    """The number as the file writes it: the shortest decimal of the float that cantools made of it."""
    if number and not _FINEST <= abs(number) <= _COARSEST:
        raise DataFileError(f"{where} has {number} as its resolution or offset, which nothing is measured in")
    return Decimal(repr(number))


def _valid_range(signal: Signal, scale: Decimal, offset: Decimal) -> tuple[float, float]:
    """Lowest and highest valid raw value; of a float signal the physical limits as they stand."""
    least, most = signal.minimum, signal.maximum
    given = (least, most) if least is not None and most is not None and -math.inf < least < most < math.inf else None
    if signal.is_float:
        return given or (-math.inf, math.inf)
    if signal.is_signed:
        # J1939 keeps no codes back in two's complement.
        by_width = everything = -(1 << signal.length - 1), (1 << signal.length - 1) - 1
    else:
        by_width, everything = standard_range(signal.length), (0, (1 << signal.length) - 1)
    if given is None or signal.length == 1:
        return by_width
    # A limit between two raw values is a rounded one: the nearest is meant.
    limits = [round((Fraction(repr(limit)) - Fraction(offset)) / Fraction(scale)) for limit in given]
    lowest, highest = max(min(limits), everything[0]), min(max(limits), everything[1])
    if lowest > highest or ((lowest, highest) == everything and signal.length % 8 == 0):
        return by_width
    return lowest, highest


def _selectors(signal: Signal, message: Message, where: str) -> tuple[Selector, ...]:
    """The multiplexer of the signal, the multiplexer of that one, and so on."""
    by_name = {other.name: other for other in message.signals}
    selectors: list[Selector] = []
    while signal.multiplexer_signal is not None and signal.multiplexer_ids is not None:
        multiplexer = by_name.pop(signal.multiplexer_signal, None)
        if multiplexer is None:
            name = printable(signal.multiplexer_signal)
            raise DataFileError(f"{where} is multiplexed by {name}, which is missing or multiplexed by it in turn")
        bits = BitField(
            start_bit=multiplexer.start,
            bit_length=multiplexer.length,
            big_endian=multiplexer.byte_order == "big_endian",
        )
        selectors.append(Selector(bits, frozenset(signal.multiplexer_ids)))
        signal = multiplexer
    return tuple(selectors)
