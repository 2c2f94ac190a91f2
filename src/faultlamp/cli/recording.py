"""Options of the commands that record, and how sizes and ages of files are written.

A size counts as disks are sold: 1 MB is 1,000,000 bytes (ISO/IEC 80000-13 keeps MiB for the other one).
"""

from __future__ import annotations

import argparse
import re
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from faultlamp.bus.recorder import Recorder

_SIZE = re.compile(r"([0-9]+(?:\.[0-9]+)?) ?(k|m|g)b?", re.IGNORECASE)
_SIZES = {"k": 10**3, "m": 10**6, "g": 10**9}
_AGE = re.compile(r"([0-9]+(?:\.[0-9]+)?) ?(s|min|h|d)")
_AGES_S = {"s": 1, "min": 60, "h": 3600, "d": 86_400}
_SMALLEST, _LARGEST = 200_000, 10**15
_LONGEST_S = 366 * 86_400
# What these names would promise is not the candump text that gets written.
_NOT_CANDUMP = (".asc", ".blf", ".csv", ".db", ".mf4", ".trc", ".xz")


def add_recording_options(parser: argparse.ArgumentParser) -> None:
    """How the recording is divided and packed; `recorder_of` reads it back."""
    group = parser.add_argument_group("the recording")
    group.add_argument(
        "--rotate-size", type=_file_size, metavar="SIZE",
        help="go on in another file before one becomes larger, for example 100MB; the files are numbered",
    )
    group.add_argument(
        "--rotate-every", type=_file_age, metavar="TIME",
        help="go on in another file after that time, for example 30min, 1h, 1d; the files are numbered",
    )
    group.add_argument(
        "--compress", choices=("gz", "zst"), help="compress; also chosen by a name that ends in .gz or .zst"
    )


def check_recording(args: argparse.Namespace, path: str | None, option: str) -> None:
    """End with exit code 2 when the options contradict the name or each other."""
    if path is None:
        for given, name in (
            (args.rotate_size, "--rotate-size"), (args.rotate_every, "--rotate-every"), (args.compress, "--compress")
        ):
            if given is not None:
                args.usage_error(f"{name} is about a recording: give {option} FILE too")
        return
    lower = path.lower()
    if path in ("", "-") or lower.endswith(_NOT_CANDUMP):
        args.usage_error(f"{option} writes candump text: choose a name that ends in .log, .log.gz or .log.zst")
    other = {"gz": ".zst", "zst": ".gz"}.get(args.compress or "")
    if other is not None and lower.endswith(other):
        args.usage_error(f"--compress {args.compress} and a name that ends in {other}: choose one of the two")


def recorder_of(args: argparse.Namespace, path: str) -> Recorder:
    """Open the recording. Raises CaptureError."""
    from faultlamp.bus.recorder import Recorder

    suffix = "" if args.compress is None or path.lower().endswith(f".{args.compress}") else f".{args.compress}"
    return Recorder(path + suffix, most_bytes=args.rotate_size, longest_s=args.rotate_every)


def size_words(size_bytes: int) -> str:
    """A size for people.

    >>> size_words(512), size_words(45_300), size_words(12_345_678)
    ('512 bytes', '45 kB', '12.3 MB')
    """
    if size_bytes < 1000:
        return f"{size_bytes} bytes"
    if size_bytes < 10**6:
        return f"{size_bytes / 10**3:.0f} kB"
    return f"{size_bytes / 10**6:.1f} MB" if size_bytes < 10**9 else f"{size_bytes / 10**9:.2f} GB"


def _file_size(text: str) -> int:
    found = _SIZE.fullmatch(text.strip())
    size = float(found[1]) * _SIZES[found[2].lower()] if found and len(text) < 30 else 0.0
    if not _SMALLEST <= size <= _LARGEST:
        raise argparse.ArgumentTypeError(f"{text!r} is no file size of 200 kB or more: give for example 100MB or 1GB")
    return round(size)


def _file_age(text: str) -> float:
    found = _AGE.fullmatch(text.strip())
    age_s = float(found[1]) * _AGES_S[found[2]] if found and len(text) < 30 else 0.0
    if not 1 <= age_s <= _LONGEST_S:
        raise argparse.ArgumentTypeError(f"{text!r} is no time of 1 s or more: give for example 30min, 1h or 1d")
    return age_s
