"""When an expectation is judged: its window turned into stretches of the time that was listened.

Rule: a window that begins or ends after the listening did is not complete. What must never happen has not been shown
for it, and what must happen may yet have come.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable
from dataclasses import dataclass, replace

from faultlamp.history.spans import EndReason
from faultlamp.prove.expectations import During, Expectation, Happening, Moment
from faultlamp.prove.heard import Heard
from faultlamp.prove.intervals import Interval, common
from faultlamp.prove.verdict import Finding, Result, failed, not_shown, worst
from faultlamp.prove.wording import counted, plain

MOST_MOMENTS = 1000
"""Windows of one expectation. More of them come from traffic that is damaged or hostile."""

_DURING_WORDS = {During.KEY_ON: "the key was not on", During.ENGINE_RUNNING: "the engine did not run"}


@dataclass(frozen=True, slots=True)
class Window:
    """The pieces of one window, at least one. cut: the listening ended before the window did.

    since_ns: the moment from which a limit like 'within 5 s' is counted.
    """

    pieces: tuple[Interval, ...]
    cut: bool
    since_ns: int

    @property
    def start_ns(self) -> int:
        """Where the first piece begins."""
        return self.pieces[0].start_ns

    @property
    def end_ns(self) -> int:
        """Where the last piece ends."""
        return self.pieces[-1].end_ns

    def overlap(self, start_ns: int, end_ns: int) -> int | None:
        """The first moment within the window that belongs to a span, None when none does."""
        place = bisect_left(self.pieces, start_ns, key=lambda piece: piece.end_ns)
        if place == len(self.pieces):
            return None
        first_ns = max(start_ns, self.pieces[place].start_ns)
        return first_ns if first_ns <= end_ns else None

    def holds(self, time_ns: int) -> bool:
        """Whether the moment lies in it."""
        return self.overlap(time_ns, time_ns) is not None


def judge(heard: Heard, expected: Expectation, look: Callable[[Window], Finding]) -> Finding:
    """The finding of every window of the expectation, as one."""
    found = _windows(heard, expected)
    if isinstance(found, Finding):
        return found
    return worst(one if isinstance(one, Finding) else look(one) for one in found)


def if_complete(heard: Heard, window: Window, finding: Finding) -> Finding:
    """What holds all through the window has been shown only when all of it was listened to."""
    if window.cut and finding.result is Result.HELD:
        return not_shown(f"{finding.words}; {_ended(heard)}", finding.time_ns)
    return finding


def has_not_come(heard: Heard, window: Window, words: str, time_ns: int | None = None) -> Finding:
    """What should come and did not has failed only when all of the window was listened to."""
    return not_shown(f"{words}; {_ended(heard)}", time_ns) if window.cut else failed(words, time_ns)


def moments(heard: Heard, moment: Moment, channel: str | None) -> list[int]:
    """When it happened, in order."""
    where = moment.channel or channel
    match moment.what:
        case Happening.KEY_ON:
            times = [cycle.start_ns for cycle in heard.cycles(where)]
        case Happening.KEY_OFF:
            times = [cycle.last_ns for cycle in heard.cycles(where) if cycle.over]
        case Happening.ENGINE_RUNNING:
            times = [part.start_ns for part in heard.engine_running(where)]
        case Happening.ENGINE_STOPPED:
            times = [part.end_ns for part in heard.engine_running(where) if part.end_ns < heard.end_ns]
        case _:
            times = _of_fault(heard, moment, where)
    times = sorted(set(times))
    return times if moment.number is None else times[moment.number - 1 : moment.number]


def _of_fault(heard: Heard, moment: Moment, channel: str | None) -> list[int]:
    pattern = moment.fault
    assert pattern is not None  # `loading` gives one to every moment of a fault
    spans = [
        span for controller in heard.controllers(channel, pattern.address)
        for fault in controller.faults.values()
        if pattern.fits(controller.source_address, fault.spn, fault.fmi) for span in fault.spans
    ]
    if moment.what is Happening.FAULT_ACTIVE:
        return [span.start_ns for span in spans]
    return [span.end_ns for span in spans if span.end_ns is not None and span.reason is EndReason.CLEARED]


def _windows(heard: Heard, expected: Expectation) -> list[Window | Finding] | Finding:
    if not heard.frames:
        return not_shown("nothing was heard")
    when = expected.when
    if when.after is None:
        references = [heard.start_ns]
    else:
        references = moments(heard, when.after, expected.channel)
        if not references:
            return not_shown(_did_not_happen(heard, when.after, expected.channel))
        if len(references) > MOST_MOMENTS:
            return not_shown(f"{plain(when.after.name)} happened {len(references)} times, more than {MOST_MOMENTS}")
    limit = None if when.during is None else (
        heard.key_on(expected.channel) if when.during is During.KEY_ON else heard.engine_running(expected.channel)
    )
    found: list[Window | Finding] = []
    for place, reference in enumerate(references):
        start_ns = reference + when.from_ns
        if when.to_ns is not None:
            end_ns = reference + when.to_ns
        else:
            # The next such moment begins the next window, so it does not belong to this one.
            end_ns = references[place + 1] - 1 if place + 1 < len(references) else max(heard.end_ns, start_ns)
            if start_ns > end_ns:
                found.append(not_shown(f"the next {plain(when.after.name) if when.after else ''} came first"))
                continue
        cut = end_ns > heard.end_ns
        if start_ns > heard.end_ns:
            found.append(not_shown(f"{_ended(heard)}, before {heard.at(start_ns)}"))
            continue
        pieces = [Interval(max(start_ns, heard.start_ns), min(end_ns, heard.end_ns))]
        if limit is not None:
            pieces = common(pieces, limit)
        if not pieces:
            words = "" if when.during is None else _DURING_WORDS[when.during]
            found.append(not_shown(f"{words} from {heard.at(start_ns)} to {heard.at(end_ns)}"))
            continue
        found.append(Window(tuple(pieces), cut, reference))
    return found


def after_words(heard: Heard, window: Window) -> str:
    """Which of several windows it is: ` after 4.110 s`; nothing where it is counted from the first frame."""
    return "" if window.since_ns == heard.start_ns else f" after {heard.at(window.since_ns)}"


def _did_not_happen(heard: Heard, moment: Moment, channel: str | None) -> str:
    words = f"{plain(moment.name)} did not happen"
    if (moment.number or 1) == 1:
        return words
    times = len(moments(heard, replace(moment, number=None), channel))
    return f"{words}: {plain(moment.what)} {counted(times, 'time')}, not {moment.number}"


def _ended(heard: Heard) -> str:
    return f"what was heard ends at {heard.at(heard.end_ns)}"
