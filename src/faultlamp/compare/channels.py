"""Which channel of one recording is which of the other.

Rule, our own: pairs that the user gives; else channels of one name; else, where each recording has one channel only,
those two, because the name says where the adapter was plugged in and not which bus it heard.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from enum import StrEnum

from faultlamp.errors import CaptureError
from faultlamp.text import printable


class MatchedBy(StrEnum):
    """Why two channels are taken for one bus."""

    GIVEN = "given"
    NAME = "name"
    ONLY_ONE = "only_one"


@dataclass(frozen=True, slots=True)
class ChannelPair:
    """A channel by its names in the two recordings; None where one of them has none that fits."""

    before: str | None
    after: str | None
    matched_by: MatchedBy | None


def match_channels(
    before: Collection[str], after: Collection[str], given: Sequence[tuple[str, str]] = ()
) -> list[ChannelPair]:
    """Every channel of both recordings once, sorted. Raises CaptureError for a given name that is not there or free."""
    left, right = set(before), set(after)
    pairs: list[ChannelPair] = []
    for names in given:
        for name, there, free, which in zip(names, (before, after), (left, right), ("BEFORE", "AFTER"), strict=True):
            if name not in there:
                known = ", ".join(printable(each) for each in sorted(there)) or "none"
                raise CaptureError(f"--channels: {which} has no channel {printable(name)}; its channels: {known}")
            if name not in free:
                raise CaptureError(f"--channels: {printable(name)} of {which} is given twice; pair it once")
            free.remove(name)
        pairs.append(ChannelPair(*names, MatchedBy.GIVEN))
    pairs += [ChannelPair(name, name, MatchedBy.NAME) for name in left & right]
    left, right = left - right, right - left
    if len(before) == len(after) == len(left) == len(right) == 1:
        pairs.append(ChannelPair(left.pop(), right.pop(), MatchedBy.ONLY_ONE))
    pairs += [ChannelPair(name, None, None) for name in left]
    pairs += [ChannelPair(None, name, None) for name in right]
    return sorted(pairs, key=pair_order)


def pair_order(pair: ChannelPair) -> tuple[str, bool, str]:
    """Sorts by the name in BEFORE, or in AFTER where there is no other."""
    return pair.before if pair.before is not None else pair.after or "", pair.before is None, pair.after or ""
