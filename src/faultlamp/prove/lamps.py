"""Lamps against their expectations.

Rule: SAE J1939-73, section 5.7.1, as for faults: a lamp's state is known from a DM1 until its controller falls silent.
A lamp that its controller calls not available, or leaves reserved, is not shown to be anything. Common practice, no
source: after key on a controller lights its lamps for a while, so that one sees that they work.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable

from faultlamp.history.controllers import Controller, LampSpan
from faultlamp.history.spans import SILENCE_NS
from faultlamp.j1939.diagnostics import DM1, LampState
from faultlamp.prove.expectations import LampExpected, LampMust, Within
from faultlamp.prove.heard import Heard
from faultlamp.prove.intervals import Interval, common, joined, without
from faultlamp.prove.verdict import Finding, failed, held, not_shown, together, worst
from faultlamp.prove.windows import Window, after_words, has_not_come, if_complete, judge
from faultlamp.prove.wording import seconds, sender

_MEANINGLESS = (LampState.NOT_AVAILABLE, LampState.RESERVED)


def judge_lamp(heard: Heard, expected: LampExpected) -> Finding:
    """All that is expected of one lamp."""
    if not heard.frames:
        return not_shown("nothing was heard")
    subjects = [one for one in heard.controllers(expected.channel, expected.address) if heard.coverage(one)]
    who = "" if expected.address is None else f" of {sender(expected.address)}"
    if not subjects:
        return not_shown(f"no DM1 was heard{who}")
    lamps = [lamp for one in subjects if (lamp := _Lamp(heard, one, one.lamp_spans[expected.lamp])).meant]
    if not lamps:
        return not_shown(f"not available in any DM1{who}")
    findings = []
    if expected.must is not None:
        look = _LOOKS[expected.must]
        findings.append(judge(heard, expected, lambda window: look(heard, lamps, window)))
    if expected.check_ns is not None:
        limits = expected.check_ns
        findings.append(judge(heard, expected, lambda window: _checked(heard, expected, lamps, window, limits)))
    if expected.at_end:
        findings.append(_at_end(heard, lamps, expected.at_end))
    return together(findings)


class _Lamp:
    """One lamp of one controller. lit, meant: when it was lit, and when its controller said anything about it."""

    def __init__(self, heard: Heard, controller: Controller, spans: list[LampSpan]) -> None:
        self.controller = controller
        self.who = sender(controller.source_address)
        self.spans = spans
        self._end_ns = heard.end_ns
        following = [*spans[1:], None]
        self.lit = joined(
            self._until_next(span, after) for span, after in zip(spans, following, strict=True) if span.state.lit
        )
        self.meant = joined(self._whole(span) for span in spans if span.state not in _MEANINGLESS)

    def _whole(self, span: LampSpan) -> Interval:
        return Interval(span.start_ns, self._end_ns if span.end_ns is None else span.end_ns)

    def _until_next(self, span: LampSpan, following: LampSpan | None) -> Interval:
        """The DM1 that ends it says something else already; one that is followed by silence belongs to it."""
        whole = self._whole(span)
        followed = following is not None and following.start_ns == whole.end_ns
        return Interval(whole.start_ns, max(whole.start_ns, whole.end_ns - followed))


def _be(heard: Heard, lamps: list[_Lamp], window: Window) -> Finding:
    found = [(part.start_ns, lamp) for lamp in lamps for part in common(window.pieces, lamp.lit)]
    if found:
        time_ns, lamp = min(found, key=lambda one: one[0])
        return held(f"{lamp.who}: lit at {heard.at(time_ns)}", time_ns)
    return _hole(heard, lamps, window) or has_not_come(
        heard, window, f"never lit{after_words(heard, window)}"
    )


def _never(heard: Heard, lamps: list[_Lamp], window: Window) -> Finding:
    found = [(part.start_ns, lamp) for lamp in lamps for part in common(window.pieces, lamp.lit)]
    if found:
        time_ns, lamp = min(found, key=lambda one: one[0])
        return failed(f"{lamp.who}: lit at {heard.at(time_ns)}", time_ns)
    words = f"not lit from {heard.at(window.start_ns)} to {heard.at(window.end_ns)}"
    return _hole(heard, lamps, window) or if_complete(heard, window, held(words))


def _stay(heard: Heard, lamps: list[_Lamp], window: Window) -> Finding:
    for lamp in lamps:
        for part in common(without(window.pieces, lamp.lit), lamp.meant):
            if part.length_ns > 1:
                # It begins at the last moment that was lit; the DM1 that ended that came after it.
                time_ns = part.start_ns + any(part.start_ns == lit.end_ns for lit in lamp.lit)
                return failed(f"{lamp.who}: not lit from {heard.at(time_ns)}", time_ns)
    words = f"lit from {heard.at(window.start_ns)} to {heard.at(window.end_ns)}"
    return _hole(heard, lamps, window) or if_complete(heard, window, held(words))


_LOOKS: dict[LampMust, Callable[[Heard, list[_Lamp], Window], Finding]] = {
    LampMust.BE_LIT: _be, LampMust.NEVER_BE_LIT: _never, LampMust.STAY_LIT: _stay,
}


def _hole(heard: Heard, lamps: list[_Lamp], window: Window) -> Finding | None:
    for lamp in lamps:
        if not common(window.pieces, lamp.meant):
            return not_shown(f"{lamp.who} said nothing about it in the window, from {heard.at(window.start_ns)}")
        for part in without(window.pieces, lamp.meant):
            if part.length_ns >= SILENCE_NS:
                return not_shown(
                    f"{lamp.who} said nothing about it from {heard.at(part.start_ns)} to {heard.at(part.end_ns)}",
                    part.start_ns,
                )
    return None


def _checked(heard: Heard, expected: LampExpected, lamps: list[_Lamp], window: Window, limits: Within) -> Finding:
    """Lit in the first DM1 after each key on, and out within the limits."""
    cycles = [cycle for cycle in heard.cycles(expected.channel) if window.holds(cycle.start_ns)]
    if not cycles:
        return not_shown("no key on in the window")
    findings = []
    for cycle in cycles:
        on_ns, off_ns = cycle.start_ns, cycle.last_ns if cycle.over else heard.end_ns
        findings += [_one_check(heard, lamp, on_ns, off_ns, limits) for lamp in lamps]
    return worst(findings)


def _one_check(heard: Heard, lamp: _Lamp, on_ns: int, off_ns: int, limits: Within) -> Finding:
    key = f"key on at {heard.at(on_ns)}"
    times = heard.dms.of(DM1, lamp.controller.channel, lamp.controller.source_address).time_ns
    place = bisect_left(times, on_ns)
    if place == len(times) or times[place] > off_ns:
        return not_shown(f"{key}: no DM1 of {lamp.who} before key off", on_ns)
    first_ns = times[place]
    # What the first DM1 asks for may be what was asked for before the key was off, and so no new span.
    place = bisect_right(lamp.spans, first_ns, key=lambda span: span.start_ns) - 1
    state = lamp.spans[place].state
    if not state.lit:
        since = seconds(first_ns - on_ns)
        return failed(f"{key}: {state.replace('_', ' ')} in the first DM1, after {since}", first_ns)
    last, following = lamp.spans[place], lamp.spans[place + 1 :]
    for span in following:
        # Flashing instead of shining is no end of it.
        if not span.state.lit or span.start_ns != last.end_ns:
            break
        last = span
    out_ns = heard.end_ns if last.end_ns is None else last.end_ns
    goes_out = any(span.start_ns == out_ns and not span.state.lit for span in following)
    out_ns = min(out_ns, off_ns)
    lasted = out_ns - on_ns
    words = f"{key}: lit until {seconds(lasted)} after it"
    if lasted > limits.high:
        return failed(words, out_ns)
    if not goes_out or out_ns == off_ns:
        return not_shown(f"{words}, when the key was off or the listening over", out_ns)
    return (held if lasted in limits else failed)(words, out_ns)


def _at_end(heard: Heard, lamps: list[_Lamp], states: tuple[str, ...]) -> Finding:
    findings = []
    for lamp in lamps:
        last = lamp.spans[-1]
        state = last.state.replace("_", " ")
        if last.end_ns is not None:
            at = heard.at(last.end_ns)
            findings.append(not_shown(f"{lamp.who}: {state} in the last DM1, at {at}; then silent", last.end_ns))
        else:
            good = str(last.state) in states
            findings.append((held if good else failed)(f"{lamp.who}: {state} at the end", heard.end_ns))
    return worst(findings)
