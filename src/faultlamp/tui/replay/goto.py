"""What somebody types to go to a place in a recording.

    12:34        minutes and seconds from the start
    1:02:03      in a recording with a date: the time of day; else hours, minutes and seconds from the start
    40%          a share of the length
"""

from __future__ import annotations

import re
import time

from faultlamp.stamps import elapsed, has_clock
from faultlamp.tui.replay.recording import Recording
from faultlamp.tui.times import NS_PER_S

HINT = "mm:ss from the start, hh:mm:ss, or a share like 40%"

_SHARE = re.compile(r"(\d{1,3}(?:\.\d+)?)\s*%")
_TIME = re.compile(r"(?:(\d{1,3}):)?(\d{1,4}):(\d{1,2})(?:\.(\d{1,9}))?")
_DAY_S = 86_400


class WrongPlaceError(ValueError):
    """What was typed is no place in the recording; the text says what would be."""


def place_of(text: str, recording: Recording) -> int:
    """Elapsed nanoseconds of the place. Raises WrongPlaceError."""
    text = text.strip()
    share = _SHARE.fullmatch(text)
    if share:
        if float(share[1]) > 100:
            raise WrongPlaceError("a share goes from 0% to 100%")
        return round(float(share[1]) / 100 * recording.length_ns)
    parts = _TIME.fullmatch(text)
    if parts is None:
        raise WrongPlaceError(HINT)
    hours, minutes, seconds, rest = int(parts[1] or 0), int(parts[2]), int(parts[3]), parts[4] or ""
    if seconds > 59 or (parts[1] and minutes > 59):
        raise WrongPlaceError("minutes and seconds go up to 59")
    wanted_ns = (hours * 3600 + minutes * 60 + seconds) * NS_PER_S + int(rest.ljust(9, "0") or 0)
    if parts[1] and recording.start_ns is not None and has_clock(recording.start_ns):
        return _by_the_clock(hours, wanted_ns, recording, recording.start_ns)
    if wanted_ns > recording.length_ns:
        raise WrongPlaceError(f"the recording is {elapsed(recording.length_ns)} long")
    return wanted_ns


def _by_the_clock(hours: int, wanted_ns: int, recording: Recording, start_ns: int) -> int:
    """The first time that the recording's clock shows this local time of day."""
    if hours > 23:
        raise WrongPlaceError("a time of day goes up to 23:59:59")
    start = time.localtime(start_ns // NS_PER_S)
    start_of_day_ns = start_ns // NS_PER_S - (start.tm_hour * 3600 + start.tm_min * 60 + start.tm_sec)
    at_ns = start_of_day_ns * NS_PER_S + wanted_ns
    if at_ns < start_ns // NS_PER_S * NS_PER_S:
        at_ns += _DAY_S * NS_PER_S
    found = recording.elapsed_of(max(at_ns, start_ns))
    if found is None:
        raise WrongPlaceError("that time of day is not in the recording")
    return found
