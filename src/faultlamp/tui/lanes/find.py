"""Finding a lane among hundreds, by its SPN or a word of its name."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from faultlamp.knowledge.names import describe_spn
from faultlamp.tui.lanes.lane import Lane


def found_after(
    lanes: Sequence[Lane], index: int, asked: str, describe: Callable[[int], str] = describe_spn
) -> int | None:
    """The next lane after `index`, round and back to it, that fits; None when none does.

    A number is an SPN, with `/` and a second one an SPN and FMI; everything else is part of the name.
    describe: a parameter in words.
    """
    order = (*range(index + 1, len(lanes)), *range(min(index + 1, len(lanes))))
    return next((place for place in order if asked and _fits(lanes[place], asked, describe)), None)


def _fits(lane: Lane, asked: str, describe: Callable[[int], str]) -> bool:
    fault = lane.fault
    if asked.replace("/", "").isdecimal():
        return asked in (str(fault.spn), f"{fault.spn}/{fault.fmi}")
    return asked.casefold() in describe(fault.spn).casefold()
