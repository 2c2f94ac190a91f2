"""Moments and lengths of time as people read them.

Rule: the moments of a recording without a date are counted from its start (`faultlamp.stamps`); all others are shown by
the local wall clock.
"""

from __future__ import annotations

import time

from faultlamp.stamps import elapsed, has_clock

NS_PER_S = 1_000_000_000


def moment(time_ns: int, start_ns: int) -> str:
    """A moment: hh:mm:ss of the local day, or mm:ss since the start where the stamps have no date."""
    if has_clock(start_ns):
        return time.strftime("%H:%M:%S", time.localtime(time_ns // NS_PER_S))
    return elapsed(time_ns - start_ns)


def exact_moment(time_ns: int, start_ns: int) -> str:
    """A moment to the millisecond: hh:mm:ss.mmm."""
    since_ns = time_ns if has_clock(start_ns) else abs(time_ns - start_ns)
    return f"{moment(time_ns, start_ns)}.{since_ns // 1_000_000 % 1000:03}"


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
