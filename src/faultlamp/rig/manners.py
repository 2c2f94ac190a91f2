"""How a controller answers what it is asked: as the standard has it, or badly on purpose.

Rule: bad manners concern answers to requests and commands alone. What a controller sends by itself stays right, so
that it is the asking that gets tested.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from faultlamp.j1939.address import Name


class Manner(StrEnum):
    """What a controller does about a question. Those from ANNOUNCES_MORE on concern answers of more than 8 bytes."""

    ANSWER = "answer"
    SILENT = "silent"
    REFUSE = "refuse"
    DENY = "deny"
    BUSY = "busy"
    SHORT_FRAME = "short_frame"
    ANNOUNCES_MORE = "announces_more"
    ANNOUNCES_LESS = "announces_less"
    ABORTS = "aborts"
    STALLS = "stalls"


class Receiving(StrEnum):
    """What a controller does about a connection that somebody opens to it."""

    PROPER = "proper"
    NO_CTS = "no_cts"
    NO_ACK = "no_ack"


@dataclass(frozen=True, slots=True)
class Conduct:
    """What to do about one group: `times` times (0: always), and later than usual by `delay_ns`."""

    manner: Manner = Manner.ANSWER
    times: int = 0
    delay_ns: int = 0


@dataclass(frozen=True, slots=True)
class Manners:
    """A controller's conduct: by group, and for all other groups."""

    default: Conduct = field(default_factory=Conduct)
    by_pgn: Mapping[int, Conduct] = field(default_factory=dict)
    receiving: Receiving = Receiving.PROPER


@dataclass(frozen=True, slots=True)
class Rival:
    """Another node that claims the same address at every key on; `stubborn`: neither of the two gives way."""

    name: Name
    stubborn: bool


class Temper:
    """The manners as they show, question by question: counts how often it has misbehaved."""

    def __init__(self, manners: Manners) -> None:
        self._manners = manners
        self._asked: dict[int, int] = {}

    def about(self, pgn: int) -> Conduct:
        """What to do about the next question for that group."""
        conduct = self._manners.by_pgn.get(pgn, self._manners.default)
        if not conduct.times:
            return conduct
        # Groups that have no line of their own share a count: what is asked for comes from outside, without limit.
        key = pgn if pgn in self._manners.by_pgn else -1
        self._asked[key] = self._asked.get(key, 0) + 1
        return conduct if self._asked[key] <= conduct.times else Conduct(Manner.ANSWER, 0, conduct.delay_ns)
