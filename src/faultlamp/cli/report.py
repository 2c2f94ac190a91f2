"""`faultlamp report`: the job's paper, one HTML page that needs nothing else."""

from __future__ import annotations

import argparse
import errno
import os
import sys
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from faultlamp.cli.beside import new_beside
from faultlamp.cli.captures import add_capture_arguments, open_captures
from faultlamp.cli.options import (
    add_crosswalk_option,
    add_history_options,
    add_layout_option,
    add_spn_table_option,
    crosswalk_of,
    history_options,
    layouts_of,
    spn_names_of,
)
from faultlamp.cli.output import say
from faultlamp.errors import CaptureError, DataFileError, FaultlampError
from faultlamp.text import printable

if TYPE_CHECKING:
    from faultlamp.report.paper import About, Heard

_STDOUT = "-"
_SYSTEMS = ("metric", "US")
_LONGEST_TEXT = 1000


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """The command's words."""
    parser = subparsers.add_parser(
        "report",
        help="the job's paper: one self-contained HTML page",
        description="Writes what happened in the recordings as one HTML page, to be handed over and filed: the "
        "verdict, lamps, faults over time, where to look first, readings. It needs no other file, no network and no "
        "script, and prints on A4 and Letter. Several recordings are one history, merged by time.",
    )
    add_capture_arguments(parser)
    parser.add_argument(
        "-o", "--output", required=True, metavar="FILE.html",
        help="a new file; an existing one is never overwritten; - is standard output",
    )
    paper = parser.add_argument_group("what stands on the paper")
    paper.add_argument("--title", default="", type=_text, metavar="TEXT", help="heading (default: the file's name)")
    paper.add_argument("--technician", default="", type=_text, metavar="NAME", help="who did the job")
    paper.add_argument("--customer", default="", type=_text, metavar="NAME", help="for whom")
    paper.add_argument(
        "--note", action="append", default=[], type=_text, metavar="TEXT", help="a paragraph; may be repeated"
    )
    paper.add_argument(
        "--notes", action="append", default=[], metavar="FILE",
        help="a text file with notes, for instance the one that the dashboard keeps marks in; may be repeated",
    )
    paper.add_argument(
        "--units", type=_system, default="metric", metavar="|".join(_SYSTEMS),
        help="units of the readings (default: metric, as the standard sends them)",
    )
    add_history_options(parser)
    add_layout_option(parser)
    add_spn_table_option(parser)
    add_crosswalk_option(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Write the page. Raises CaptureError and DataFileError."""
    # What can be refused is refused before a large recording is read.
    if args.output != _STDOUT:
        _check_place(args.output)
    about = _about(args)
    heard = _heard(args)

    from faultlamp.report.gather import gather
    from faultlamp.report.page import page

    content = page(gather(heard, about)).encode()
    if args.output == _STDOUT:
        sys.stdout.buffer.write(content)
        sys.stdout.buffer.flush()
    else:
        _write_whole(args.output, content)
        say(f"{printable(args.output)} written, {len(content):,} bytes")
    return 0


def _heard(args: argparse.Namespace) -> Heard:
    """The recordings, read once."""
    from faultlamp.capture.fingerprint import fingerprint
    from faultlamp.history.history import History
    from faultlamp.history.since_step import SinceStep
    from faultlamp.report.paper import Heard, SourceFile

    layouts, names, crosswalk = layouts_of(args), spn_names_of(args), crosswalk_of(args)
    history, present = History(**history_options(args)), SinceStep(layouts.groups)
    with open_captures(args) as capture:
        for block in capture.blocks():
            history.feed_block(block)
            present.feed_block(block)
    if history.end_ns is not None:
        history.advance(history.end_ns)
    prints = [fingerprint(path) for path in args.captures]
    return Heard(
        history, present.nodes, present.latest, layouts, history.end_ns, names, crosswalk,
        [SourceFile(one.name, one.size_bytes, one.sha256, one.why) for one in prints],
        bad_lines=capture.stats.bad_lines, warnings=capture.stats.warnings,
    )


def _about(args: argparse.Namespace) -> About:
    """What people say of the job. Raises DataFileError."""
    from faultlamp.knowledge.units import System
    from faultlamp.report.notes import all_notes
    from faultlamp.report.paper import About

    paragraphs, moments = all_notes([_notes_text(path) for path in args.notes])
    return About(
        args.title, args.technician, args.customer, [*args.note, *paragraphs], moments, System(args.units)
    )


def _notes_text(path: str) -> str:
    from faultlamp.report.notes import LONGEST_FILE

    name = printable(path)
    try:
        with open(path, "rb") as file:
            content = file.read(LONGEST_FILE + 1)
    except (OSError, ValueError) as error:
        reason = (error.strerror if isinstance(error, OSError) else None) or printable(str(error))
        raise DataFileError(f"--notes {name}: cannot be read: {reason}; check the path and its permissions") from error
    if len(content) > LONGEST_FILE:
        raise DataFileError(f"--notes {name}: larger than {LONGEST_FILE:,} bytes; notes are a short text file")
    if b"\0" in content:
        raise DataFileError(f"--notes {name}: is no text; notes are a text file (UTF-8)")
    return content.decode(errors="replace")


def _check_place(path: str) -> None:
    """Raises CaptureError where nothing can be written."""
    name = printable(path)
    if not os.path.basename(path) or os.path.isdir(path):
        raise CaptureError(f"-o '{name}' is not a file's name: choose one that ends in .html")
    if os.path.lexists(path):
        raise _taken(name)
    folder = Path(path).parent
    if not folder.is_dir():
        raise CaptureError(f"cannot write {name}: there is no folder {printable(str(folder))}; make it first")


def _write_whole(path: str, content: bytes) -> None:
    """The file, whole or not at all; one that is there is left as it is. Raises CaptureError."""
    name = printable(path)
    try:
        descriptor, other = new_beside(path)
        try:
            with os.fdopen(descriptor, "wb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
            _put(other, path)
        except BaseException:
            with suppress(OSError):
                os.unlink(other)
            raise
    except FileExistsError as error:
        raise _taken(name) from error
    except (OSError, ValueError) as error:
        reason = (error.strerror if isinstance(error, OSError) else None) or printable(str(error))
        raise CaptureError(f"cannot write {name}: {reason}; nothing of it is left: choose another place") from error


def _put(other: str, path: str) -> None:
    """Give the whole file its name. Raises FileExistsError where somebody has taken it meanwhile."""
    try:
        # Unlike a renaming, this cannot replace a file that has just come there.
        os.link(other, path)
    except FileExistsError:
        raise
    except (OSError, NotImplementedError, AttributeError):
        # Some file systems know one name a file only.
        if os.path.lexists(path):
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), path) from None
        os.replace(other, path)
    else:
        os.unlink(other)


def _taken(name: str) -> FaultlampError:
    return CaptureError(f"{name} exists and is not overwritten: choose another name or remove it")


def _text(text: str) -> str:
    """An argparse type: a short text."""
    if len(text) > _LONGEST_TEXT:
        raise argparse.ArgumentTypeError(f"longer than {_LONGEST_TEXT} characters; put it into a file (--notes)")
    return text


def _system(text: str) -> str:
    """An argparse type: metric or US."""
    found = {name.casefold(): name for name in _SYSTEMS}.get(text.casefold())
    if found is None:
        raise argparse.ArgumentTypeError(f"{printable(text, longest=40)!r} is neither metric nor US")
    return found
