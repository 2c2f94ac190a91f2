"""Controllers, their DM1 and key cycles against their expectations.

Rule: SAE J1939-73, section 5.7.1: DM1 comes once a second, and at once when it changes. So the wait before and the
wait after a DM1 that says something new may be shorter than the period, never longer. A wait is from the first frame
of one to the first frame of the next, because a long list takes its time on the bus.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import dataclass
from itertools import pairwise

from faultlamp.j1939.diagnostics import DM1
from faultlamp.prove.expectations import ControllerExpected, KeyCyclesExpected, Within
from faultlamp.prove.heard import Heard
from faultlamp.prove.intervals import Interval
from faultlamp.prove.verdict import Finding, failed, held, not_shown, together, worst
from faultlamp.prove.windows import Window, has_not_come, if_complete, judge
from faultlamp.prove.wording import counted, seconds, sender, span

_SHOWN_FIELDS = 3


def judge_controller(heard: Heard, expected: ControllerExpected) -> Finding:
    """All that is expected of one controller."""
    if not heard.frames:
        return not_shown("nothing was heard")
    findings = [judge(heard, expected, lambda window: _heard(heard, expected, window))]
    if expected.claim:
        findings.append(_claimed(heard, expected))
    if expected.first_dm1_within_ns is not None:
        limit_ns = expected.first_dm1_within_ns
        findings.append(judge(heard, expected, lambda window: _first_dm1(heard, expected, window, limit_ns)))
    if expected.dm1_period_ns is not None:
        limits = expected.dm1_period_ns
        findings.append(judge(heard, expected, lambda window: _period(heard, expected, window, limits)))
    return together(findings)


def _heard(heard: Heard, expected: ControllerExpected, window: Window) -> Finding:
    found = [
        time_ns for part in heard.presence.of(expected.channel, expected.address)
        if (time_ns := window.overlap(part.start_ns, part.end_ns)) is not None
    ]
    if expected.heard:
        if found:
            return held(f"heard at {heard.at(min(found))}", min(found))
        return has_not_come(heard, window, "not heard")
    if found:
        return failed(f"heard at {heard.at(min(found))}", min(found))
    return if_complete(heard, window, held(f"not heard from {heard.at(window.start_ns)} to {heard.at(window.end_ns)}"))


def _claimed(heard: Heard, expected: ControllerExpected) -> Finding:
    """Whether one of the NAMEs claimed for the address has all the fields."""
    claims = [
        claim for (channel, address), node in sorted(heard.nodes.nodes.items())
        if expected.channel in (None, channel) and address == expected.address for claim in node.claims
    ]
    if not claims:
        return not_shown("it claimed no address: no NAME was heard")
    for claim in claims:
        if all(getattr(claim.name, field) == value for field, value in expected.claim):
            return held(f"its NAME as expected at {heard.at(claim.first_ns)}", claim.first_ns)
    last = claims[-1]
    differing = [
        f"{field} {getattr(last.name, field)}" for field, value in expected.claim
        if getattr(last.name, field) != value
    ]
    return failed(f"its NAME has {', '.join(differing[:_SHOWN_FIELDS])}", last.first_ns)


def _first_dm1(heard: Heard, expected: ControllerExpected, window: Window, limit_ns: int) -> Finding:
    cycles = [cycle for cycle in heard.cycles(expected.channel) if window.holds(cycle.start_ns)]
    if not cycles:
        return not_shown("no key on in the window")
    times = sorted(
        time_ns for channel in heard.dms.channels(DM1, expected.address) if expected.channel in (None, channel)
        for time_ns in heard.dms.of(DM1, channel, expected.address).time_ns
    )
    findings = []
    for cycle in cycles:
        on_ns, end_ns = cycle.start_ns, cycle.last_ns if cycle.over else heard.end_ns
        key = f"key on at {heard.at(on_ns)}"
        place = bisect_left(times, on_ns)
        first = times[place] if place < len(times) else None
        if first is not None and first - on_ns <= limit_ns:
            findings.append(held(f"{key}: first DM1 {seconds(first - on_ns)} after it", first))
        elif end_ns - on_ns < limit_ns:
            findings.append(not_shown(f"{key}: no DM1 until {heard.at(end_ns)}, when it was over"))
        elif first is None:
            findings.append(failed(f"{key}: no DM1 after it", on_ns))
        else:
            findings.append(failed(f"{key}: first DM1 {seconds(first - on_ns)} after it", first))
    return worst(findings)


def _period(heard: Heard, expected: ControllerExpected, window: Window, limits: Within) -> Finding:
    channels = [
        channel for channel in heard.dms.channels(DM1, expected.address) if expected.channel in (None, channel)
    ]
    if heard.dms.refused:
        return not_shown(f"{heard.dms.refused} messages found no room: cut the recording into shorter ones")
    if not channels:
        return not_shown(f"no DM1 of {sender(expected.address)} was heard")
    return worst(_Waits.of(heard, channel, expected.address, window).finding(heard, window, limits)
                 for channel in channels)


@dataclass(frozen=True, slots=True)
class _Waits:
    """From DM1 to DM1 within the pieces of a window. may_be_short: one of its ends says something new.

    tails: from the last one to the end of each piece, and from the beginning to the first.
    """

    waits: tuple[tuple[Interval, bool], ...]
    tails: tuple[Interval, ...]

    @classmethod
    def of(cls, heard: Heard, channel: str, address: int, window: Window) -> _Waits:
        """Those of one controller."""
        times = heard.dms.of(DM1, channel, address)
        began_ns = times.began_ns
        waits: list[tuple[Interval, bool]] = []
        tails: list[Interval] = []
        for piece in window.pieces:
            rows = range(bisect_left(began_ns, piece.start_ns), bisect_right(began_ns, piece.end_ns))
            if not rows:
                tails.append(piece)
                continue
            tails.append(Interval(piece.start_ns, began_ns[rows[0]]))
            for before, after in pairwise(rows):
                wait = Interval(began_ns[before], began_ns[after])
                waits.append((wait, bool(times.news[before] or times.news[after])))
            # One that is under way at the end has begun in time.
            latest = max(began_ns[rows[-1]], min(heard.dms.under_way(DM1, channel, address), piece.end_ns))
            tails.append(Interval(latest, piece.end_ns))
        return cls(tuple(waits), tuple(tails))

    def finding(self, heard: Heard, window: Window, limits: Within) -> Finding:
        """Whether they keep to the limits."""
        long = [wait for wait, _ in self.waits if wait.length_ns > limits.high]
        long += [tail for tail in self.tails if tail.length_ns > limits.high]
        if long:
            first = min(long)
            words = f"none for {seconds(first.length_ns)} from {heard.at(first.start_ns)}"
            return failed(words, first.start_ns)
        for wait, may_be_short in self.waits:
            if wait.length_ns < limits.low and not may_be_short:
                return failed(f"again after {seconds(wait.length_ns)} at {heard.at(wait.end_ns)}", wait.end_ns)
        lengths = [wait.length_ns for wait, may_be_short in self.waits if not may_be_short]
        if not lengths:
            return not_shown("no two DM1 in a row, unchanged, in the window")
        words = f"{span(seconds(min(lengths)), seconds(max(lengths)))} in {counted(len(lengths), 'wait')}"
        return if_complete(heard, window, held(words))


def judge_key_cycles(heard: Heard, expected: KeyCyclesExpected) -> Finding:
    """How many key cycles there were, and what the engine did in them."""
    if not heard.cycles(expected.channel):
        # None of nothing is not shown either: the engine controller may be on another bus.
        return not_shown(
            f"{sender(heard.engine_address)} was never heard, so no key cycle" if heard.frames else "nothing was heard"
        )
    return judge(heard, expected, lambda window: _cycles(heard, expected, window))


def _cycles(heard: Heard, expected: KeyCyclesExpected, window: Window) -> Finding:
    cycles = [
        cycle for cycle in heard.cycles(expected.channel)
        if window.overlap(cycle.start_ns, cycle.last_ns) is not None
    ]
    findings, rans, speeds = [], [], []
    if expected.count is not None:
        words = counted(len(cycles), "key cycle")
        if len(cycles) > expected.count.high:
            findings.append(failed(words))
        elif len(cycles) < expected.count.low:
            findings.append(has_not_come(heard, window, words))
        else:
            findings.append(if_complete(heard, window, held(words)))
    if not cycles and (expected.engine_ran is not None or expected.max_engine_speed_rpm is not None):
        findings.append(not_shown("no key cycle in the window"))
    for cycle in cycles:
        key = f"key cycle from {heard.at(cycle.start_ns)}"
        fastest = cycle.max_engine_speed_rpm
        if expected.engine_ran is not None:
            words = f"{key}: the engine {'ran' if cycle.engine_ran else 'did not run'}"
            if fastest is None:
                rans.append(not_shown(f"{key}: no engine speed was heard"))
            else:
                rans.append((held if cycle.engine_ran == expected.engine_ran else failed)(words, cycle.start_ns))
        if expected.max_engine_speed_rpm is not None:
            if fastest is None:
                speeds.append(not_shown(f"{key}: no engine speed was heard"))
            else:
                good = fastest in expected.max_engine_speed_rpm
                speeds.append((held if good else failed)(f"{key}: at most {fastest:g} rpm", cycle.start_ns))
    findings += [worst(each) for each in (rans, speeds) if each]
    return together(findings)
