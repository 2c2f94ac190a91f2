"""Moments and lengths of time as people read them.

Rule: a recording whose stamps start within the first year of the epoch has no date, so its moments are counted from
its start; all others are shown by the local wall clock.
"""

from __future__ import annotations

import time

NS_PER_S = 1_000_000_000
_FIRST_CLOCK_NS = 365 * 86_400 * NS_PER_S


def has_clock(start_ns: int) -> bool:
    """Do the stamps of a job that started at `start_ns` tell the time of day?"""
    return start_ns >= _FIRST_CLOCK_NS


def moment(time_ns: int, start_ns: int) -> str:
    """A moment: hh:mm:ss of the local day, or mm:ss since the start where the stamps have no date."""
    if has_clock(start_ns):
        return time.strftime("%H:%M:%S", time.localtime(time_ns // NS_PER_S))
    return elapsed(time_ns - start_ns)


def exact_moment(time_ns: int, start_ns: int) -> str:
    """A moment to the millisecond: hh:mm:ss.mmm."""
    since_ns = time_ns if has_clock(start_ns) else abs(time_ns - start_ns)
    return f"{moment(time_ns, start_ns)}.{since_ns // 1_000_000 % 1000:03}"


def elapsed(length_ns: int) -> str:
    """mm:ss, or h:mm:ss from one hour on; the part of a second is cut off.

    >>> elapsed(83_900_000_000), elapsed(3_723_000_000_000)
    ('01:23', '1:02:03')
    """
    sign = "-" if length_ns < 0 else ""
    minutes, seconds = divmod(abs(length_ns) // NS_PER_S, 60)
    hours, minutes = divmod(minutes, 60)
    return f"{sign}{hours}:{minutes:02}:{seconds:02}" if hours else f"{sign}{minutes:02}:{seconds:02}"


def age(length_ns: int) -> str:
    """How long ago, calm: below a second it is just that."""
    return "<1 s" if length_ns < NS_PER_S else length(length_ns)


def length(length_ns: int) -> str:
    """A length of time in words: `0.4 s`, `7 s`, `2 min 05 s`, `3 h 12 min`."""
    if length_ns < NS_PER_S:
        return f"{max(length_ns, 0) / NS_PER_S:.1f} s"
    minutes, seconds = divmod(length_ns // NS_PER_S, 60)
    hours, minutes = divmod(minutes, 60)
    if hours:
        return f"{hours} h {minutes:02} min"
    return f"{minutes} min {seconds:02} s" if minutes else f"{seconds} s"
