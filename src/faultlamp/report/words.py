"""How the paper says moments, lengths of time, counts and senders.

Rule: times are UTC, as everywhere on the command line; those of a recording without a date are counted from its start
(`faultlamp.stamps`).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

from faultlamp.knowledge.addresses import address_name
from faultlamp.stamps import elapsed, has_clock
from faultlamp.text import printable

NS_PER_S = 1_000_000_000
NONE = "—"
"""In a cell that has nothing to say."""

_TENTHS_BELOW_NS = 600 * NS_PER_S
_DAY_NS = 86_400 * NS_PER_S


@dataclass(frozen=True, slots=True)
class Clock:
    """Says moments of a job that began and ended then, both included."""

    start_ns: int
    end_ns: int

    @property
    def dated(self) -> bool:
        """Whether the stamps tell the time of day."""
        return has_clock(self.start_ns)

    def moment(self, time_ns: int) -> str:
        """`16:04:11.0`, with the day where there are several; `04:11.0` since the start where there is no date."""
        tenths = f".{time_ns // (NS_PER_S // 10) % 10}" if self._brief else ""
        if not self.dated:
            since_ns = time_ns - self.start_ns
            tenths = f".{abs(since_ns) // (NS_PER_S // 10) % 10}" if self._brief else ""
            return elapsed(since_ns) + tenths
        at = datetime.fromtimestamp(time_ns // NS_PER_S, UTC)
        several_days = self.start_ns // _DAY_NS != self.end_ns // _DAY_NS
        return at.strftime("%Y-%m-%d %H:%M:%S" if several_days else "%H:%M:%S") + tenths

    def day(self, time_ns: int) -> str:
        """The date and time of day, or that there is none."""
        if not self.dated:
            return "no date in the recording"
        return datetime.fromtimestamp(time_ns // NS_PER_S, UTC).strftime("%Y-%m-%d %H:%M:%S UTC")

    @property
    def _brief(self) -> bool:
        return abs(self.end_ns - self.start_ns) < _TENTHS_BELOW_NS


def length(length_ns: int) -> str:
    """A length of time: `0.4 s`, `7.5 s`, `2 min 05 s`, `3 h 12 min`."""
    if length_ns < 60 * NS_PER_S:
        return f"{max(length_ns, 0) / NS_PER_S:.1f} s"
    minutes, seconds = divmod(length_ns // NS_PER_S, 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes:02} min" if hours else f"{minutes} min {seconds:02} s"


def count_of(number: int, noun: str, plural: str = "") -> str:
    """`no faults`, `1 fault`, `3,000 faults`."""
    return f"{number:,} {noun}" if number == 1 else f"{number or 'no':{',' if number else ''}} {plural or noun + 's'}"


def title(text: str) -> str:
    """With a capital first letter."""
    return text[:1].upper() + text[1:]


@dataclass(frozen=True, slots=True)
class Senders:
    """Says who sent something; the channel is named where there are several."""

    several: bool

    def name(self, channel: str, address: int) -> str:
        """In running text: `engine 1`, `address 61 on can1`."""
        return (address_name(address) or f"address {address}") + self._where(channel)

    def cell(self, channel: str, address: int) -> str:
        """In a table, with the address: `engine 1 (0)`."""
        name = address_name(address)
        return (f"{name} ({address})" if name else f"address {address}") + self._where(channel)

    def of_channel(self, name: str, channel: str) -> str:
        """What belongs to a channel, not to a sender: `coolant temperature on can1`."""
        return name + self._where(channel)

    def _where(self, channel: str) -> str:
        return f" on {printable(channel, longest=40)}" if self.several else ""


def together(names: list[str], most: int = 4) -> str:
    """`a`, `a and b`, `a, b and c`, or `a, b, c, d and 3 others`."""
    if len(names) > most:
        return f"{', '.join(names[:most])} and {count_of(len(names) - most, 'other')}"
    return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)
