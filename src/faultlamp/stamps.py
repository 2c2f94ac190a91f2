"""What the time stamps of a job tell, and how a time since its start is written.

Rule: a recording whose stamps start within the first year of the epoch has no date, so its moments are counted from
its start (common practice, no source).
"""

from __future__ import annotations

_NS_PER_S = 1_000_000_000
_FIRST_CLOCK_NS = 365 * 86_400 * _NS_PER_S


def has_clock(start_ns: int) -> bool:
    """Do the stamps of a job that started at `start_ns` tell the time of day?"""
    return start_ns >= _FIRST_CLOCK_NS


def elapsed(length_ns: int) -> str:
    """mm:ss, or h:mm:ss from one hour on; the part of a second is cut off.

    >>> elapsed(83_900_000_000), elapsed(3_723_000_000_000)
    ('01:23', '1:02:03')
    """
    sign = "-" if length_ns < 0 else ""
    minutes, seconds = divmod(abs(length_ns) // _NS_PER_S, 60)
    hours, minutes = divmod(minutes, 60)
    return f"{sign}{hours}:{minutes:02}:{seconds:02}" if hours else f"{sign}{minutes:02}:{seconds:02}"
