"""`faultlamp values`: decoded values of recordings."""

from __future__ import annotations

import argparse
import re
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO

from faultlamp.cli.captures import add_capture_arguments, open_captures
from faultlamp.cli.options import add_layout_option, add_spn_table_option, layouts_of, spn_names_of
from faultlamp.cli.output import add_format_option, chosen_format, clock
from faultlamp.errors import FaultlampError

if TYPE_CHECKING:
    from faultlamp.capture import Capture
    from faultlamp.values.columns import Decoder, ValueColumns
    from faultlamp.values.rows import RowFormat

_UNITS_NS = {"ms": 10**6, "s": 10**9, "min": 60 * 10**9, "h": 3600 * 10**9}
_INTERVAL = re.compile(r"(\d{1,9}(?:\.\d{1,6})?)\s*(ms|s|min|h)")


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """The command's words."""
    parser = subparsers.add_parser(
        "values",
        help="decoded values of recordings",
        description="One row a value: when, from whom, what, how much, and whether it is a value at all.",
    )
    add_capture_arguments(parser)
    add_format_option(parser, ("table", "json", "csv", "parquet"), piped="csv")
    parser.add_argument(
        "--spn", type=_spns, metavar="SPN,...", help="only these suspect parameters, for instance 190,110"
    )
    parser.add_argument(
        "--every", type=_interval_ns, metavar="INTERVAL",
        help="only the last value of each parameter in each interval (500ms, 1s, 5min, 1h) from the first frame on",
    )
    add_layout_option(parser)
    add_spn_table_option(parser)
    parser.add_argument(
        "-o", "--output", metavar="FILE", help="write to a new file instead of standard output; never overwrites one"
    )
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Decode and write."""
    from faultlamp.values.behind import Behind
    from faultlamp.values.columns import Decoder

    form = "csv" if args.output and args.format is None else chosen_format(args)
    layouts, names = layouts_of(args), spn_names_of(args)
    for spn in args.spn or ():
        if not layouts.places(spn):
            raise FaultlampError(f"SPN {spn} is in no known parameter group: leave it out or add a DBC (--dbc)")
    rows = None if form == "parquet" else _rows(form)
    decoder = Decoder(layouts, spns=args.spn, name_of=names.name, write=None if rows is None else rows.values)
    with open_captures(args) as capture, _output(args.output, form) as out:
        make, keep, close = _sink(rows, out, decoder)
        with Behind() as behind:
            for values in _values(capture, decoder, args.every):
                behind.call(keep, make(values))
        close()
        out.flush()
    return 0


def _values(capture: Capture, decoder: Decoder, every_ns: int | None) -> Iterator[ValueColumns]:
    from faultlamp.values.thinning import Thinner

    thinner: Thinner | None = None
    for block in capture.blocks():
        if every_ns is None:
            yield decoder.decode(block)
            continue
        if thinner is None and len(block):
            thinner = Thinner(every_ns, int(block.time_ns[0]))
        if thinner is not None:
            if block.starts_stretch and (held := thinner.finish()) is not None:
                yield held
            if (final := thinner.feed(decoder.decode(block))) is not None:
                yield final
    if thinner is not None and (held := thinner.finish()) is not None:
        yield held


def _rows(form: str) -> RowFormat:
    """How rows of text are written."""
    from faultlamp.values.rows import CsvRows, JsonRows, TableRows

    if form == "csv":
        return CsvRows()
    if form == "json":
        return JsonRows()
    from faultlamp.knowledge.addresses import address_name

    def sender_name(address: int) -> str:
        name = address_name(address)
        return f"{name} ({address})" if name else f"address {address}"

    return TableRows(clock, sender_name)


def _sink(
    rows: RowFormat | None, out: BinaryIO, decoder: Decoder
) -> tuple[Callable[[ValueColumns], object], Callable[..., object], Callable[[], object]]:
    """What makes values ready, what keeps them, and what ends the output; without a row format it is Parquet."""
    if rows is None:
        from faultlamp.values.parquet import ParquetSink

        sink = ParquetSink(out, decoder.parameters)
        return lambda values: values, sink.write, sink.close
    from faultlamp.values.rows import RowWriter

    writer = RowWriter(rows, decoder.parameters)
    out.write(rows.head())
    return writer.rows, out.write, lambda: out.write(rows.foot())


@contextmanager
def _output(path: str | None, form: str) -> Iterator[BinaryIO]:
    if path is None:
        if form == "parquet" and sys.stdout.isatty():
            raise FaultlampError("Parquet is no text for a terminal: give a file with -o FILE, or redirect the output")
        yield sys.stdout.buffer
        return
    try:
        file = Path(path).open("xb")  # noqa: SIM115 - closed by the `with` below; here only opening may fail
    except FileExistsError:
        raise FaultlampError(f"{path} exists and is not overwritten: choose another name or remove it") from None
    except OSError as error:
        raise FaultlampError(f"{path} cannot be written: {error.strerror}; choose another place") from error
    with file:
        yield file


def _spns(text: str) -> frozenset[int]:
    words = [word.strip() for word in text.split(",") if word.strip()]
    if not words or not all(word.isascii() and word.isdigit() and int(word) < 1 << 19 for word in words):
        raise argparse.ArgumentTypeError(f"{text!r}: give SPNs from 0 to 524287 with commas between, like 190,110")
    return frozenset(map(int, words))


def _interval_ns(text: str) -> int:
    found = _INTERVAL.fullmatch(text.strip())
    length_ns = round(float(found[1]) * _UNITS_NS[found[2]]) if found else 0
    if length_ns <= 0:
        raise argparse.ArgumentTypeError(f"{text!r} is no interval above zero: give for instance 500ms, 1s, 5min or 1h")
    return length_ns
