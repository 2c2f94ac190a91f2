"""Faults against their expectations.

Rule: SAE J1939-73, section 5.7.1. A controller says with its DM1 which faults are active, each second. So a fault is
known to be inactive only while its controller sends DM1; where none came for 5 s or more within the window, 'never
active' is not shown.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Iterator

from faultlamp.history.controllers import Controller, Fault, FaultState
from faultlamp.history.spans import SILENCE_NS, EndReason, Span
from faultlamp.j1939.diagnostics import DM1, DM2, Lamp
from faultlamp.prove.expectations import AtEnd, FaultExpected, FaultMust, FaultPattern, NoOtherFaults
from faultlamp.prove.heard import Heard
from faultlamp.prove.intervals import Interval, common, joined, without
from faultlamp.prove.verdict import Finding, failed, held, not_shown, together, worst
from faultlamp.prove.windows import Window, after_words, has_not_come, if_complete, judge
from faultlamp.prove.wording import counted, fault_of, plain, sender

_Found = tuple[Controller, Fault, Span]


def judge_fault(heard: Heard, expected: FaultExpected) -> Finding:
    """All that is expected of one fault."""
    if not heard.frames:
        return not_shown("nothing was heard")
    subjects = heard.controllers(expected.channel, expected.fault.address)
    if not any(heard.coverage(controller) for controller in subjects):
        return not_shown(f"no DM1 was heard{_of(expected.fault.address)}")
    faults = _Faults(heard, subjects, expected.fault)
    findings = []
    if expected.must is not None:
        look = faults.looks[expected.must]
        findings.append(judge(heard, expected, look))
    if expected.spans is not None:
        low, high = expected.spans.low, expected.spans.high
        findings.append(judge(heard, expected, lambda window: faults.number(window, low, high)))
    if expected.lamp is not None:
        lamp = expected.lamp
        findings.append(judge(heard, expected, lambda window: faults.comes_with(window, lamp)))
    if expected.occurrence_count is not None:
        findings.append(faults.count(expected.occurrence_count.low, expected.occurrence_count.high))
    if expected.at_end is not None:
        findings.append(faults.at_end(expected.at_end))
    return together(findings)


def judge_no_other_faults(heard: Heard, expected: NoOtherFaults) -> Finding:
    """Whether any fault was active that is not allowed."""
    if not heard.frames:
        return not_shown("nothing was heard")
    subjects = heard.controllers(expected.channel, expected.address)
    if not any(heard.coverage(controller) for controller in subjects):
        return not_shown(f"no DM1 was heard{_of(expected.address)}")
    faults = _Faults(heard, subjects, FaultPattern(expected.address), expected.allowed)
    return judge(heard, expected, faults.never)


class _Faults:
    """The faults of some controllers that fit a pattern, and how each kind of demand looks at a window."""

    def __init__(
        self, heard: Heard, subjects: list[Controller], pattern: FaultPattern, allowed: tuple[FaultPattern, ...] = ()
    ) -> None:
        self._heard = heard
        self._subjects = subjects
        self._chosen = [
            (controller, controller.faults[pair]) for controller in subjects for pair in sorted(controller.faults)
            if pattern.fits(controller.source_address, *pair)
            and not any(one.fits(controller.source_address, *pair) for one in allowed)
        ]
        self.looks: dict[FaultMust, Callable[[Window], Finding]] = {
            FaultMust.BE_ACTIVE: self._be, FaultMust.STAY_ACTIVE: self._stay, FaultMust.BECOME_ACTIVE: self._become,
            FaultMust.GO: self._go, FaultMust.NEVER_BE_ACTIVE: self.never,
        }

    def never(self, window: Window) -> Finding:
        """No span within it."""
        found = self._first(window)
        if found is not None:
            time_ns, controller, fault = found
            return failed(f"{fault_of(controller, fault)} was active at {self._heard.at(time_ns)}", time_ns)
        hole = self._hole(window)
        return hole or if_complete(self._heard, window, held(f"not active in {self._messages(window)}"))

    def number(self, window: Window, low: float, high: float) -> Finding:
        """How many spans touch it."""
        count = sum(window.overlap(span.start_ns, self._end(span)) is not None for _, _, span in self._spans())
        words = f"active {counted(count, 'time')}"
        if count > high:
            return failed(words)
        hole = self._hole(window)
        if count < low:
            return hole or has_not_come(self._heard, window, words)
        return hole or if_complete(self._heard, window, held(words))

    def comes_with(self, window: Window, lamp: Lamp) -> Finding:
        """The lamp in the DM1 that begins each span."""
        found = [one for one in self._spans() if window.overlap(one[2].start_ns, self._end(one[2])) is not None]
        if not found:
            return not_shown("it was not active, so no lamp came with it")
        findings = []
        for controller, _, span in found:
            lamps = controller.lamp_spans[lamp]
            place = bisect_right(lamps, span.start_ns, key=lambda one: one.start_ns) - 1
            if place < 0:
                # The DM1 that begins a span speaks of every lamp; but too many spans find no room.
                findings.append(not_shown(f"lamp {plain(lamp)} not known at {self._heard.at(span.start_ns)}"))
                continue
            state = lamps[place].state
            words = f"lamp {plain(lamp)} {plain(state)} at {self._heard.at(span.start_ns)}"
            findings.append((held if state.lit else failed)(words, span.start_ns))
        return worst(findings)

    def count(self, low: float, high: float) -> Finding:
        """The last occurrence count of each fault."""
        findings = []
        for controller, fault in self._chosen:
            number = fault.occurrence_count
            if number is None:
                findings.append(not_shown(f"{fault_of(controller, fault)} gives no occurrence count"))
            else:
                words = f"{fault_of(controller, fault)} occurrence count {number}"
                findings.append((held if low <= number <= high else failed)(words, fault.last_seen_ns))
        return worst(findings) if findings else not_shown("it was never reported, so there is no occurrence count")

    def at_end(self, wanted: AtEnd) -> Finding:
        """The state when the listening ended."""
        findings = [self._state(wanted, controller, fault) for controller, fault in self._chosen]
        if wanted is not AtEnd.NOT_ACTIVE:
            # One of those that fit is enough.
            good = [finding for finding in findings if finding.result == "held"]
            if good:
                return good[0]
        if findings:
            return worst(findings)
        if wanted is AtEnd.NOT_ACTIVE:
            return worst(self._last_word(controller, "never reported") for controller in self._subjects)
        if wanted is AtEnd.PREVIOUSLY_ACTIVE and not self._has_dm2():
            return not_shown("no DM2 was heard: nobody asked for previously active faults")
        return failed("never reported")

    def _state(self, wanted: AtEnd, controller: Controller, fault: Fault) -> Finding:
        name = fault_of(controller, fault)
        if controller.lamps is None:
            return self._last_word(controller, name)
        state = controller.state_of(fault)
        words = f"{name} {plain(state)} at the end"
        if wanted is AtEnd.PREVIOUSLY_ACTIVE and state is FaultState.INACTIVE:
            if not self._heard.dms.of(DM2, controller.channel, controller.source_address).time_ns:
                return not_shown(f"{words}; its controller sent no DM2")
            return failed(words)
        good = (state is not FaultState.ACTIVE) if wanted is AtEnd.NOT_ACTIVE else str(state) == str(wanted)
        return (held if good else failed)(words, self._heard.end_ns)

    def _last_word(self, controller: Controller, words: str) -> Finding:
        """Nothing speaks of the fault at the end but the controller's last DM1."""
        who = sender(controller.source_address)
        last = controller.last_dm1_ns
        if last is None:
            return not_shown(f"{words}; no DM1 was heard of {who}")
        if controller.lamps is None:
            return not_shown(f"{words}; {who} sent no DM1 after {self._heard.at(last)}", last)
        return held(f"{words}; last DM1 of {who} at {self._heard.at(last)}", last)

    def _be(self, window: Window) -> Finding:
        found = self._first(window)
        if found is not None:
            time_ns, controller, fault = found
            return held(f"{fault_of(controller, fault)} active at {self._heard.at(time_ns)}", time_ns)
        return self._hole(window) or has_not_come(
            self._heard, window, f"never active{after_words(self._heard, window)}"
        )

    def _stay(self, window: Window) -> Finding:
        spans = joined(Interval(span.start_ns, self._end(span)) for _, _, span in self._spans())
        missing = without(window.pieces, spans)
        known = [common(missing, self._heard.coverage(controller)) for controller in self._subjects]
        for part in sorted(part for parts in known for part in parts if part.length_ns):
            # What is missing begins at the last moment of a span; the message that ended the span came after it.
            time_ns = part.start_ns + any(part.start_ns == span.end_ns for span in spans)
            return failed(f"not active from {self._heard.at(time_ns)}", time_ns)
        if not common(window.pieces, spans):
            return not_shown(f"no DM1 was heard in the window, which begins at {self._heard.at(window.start_ns)}")
        for part in missing:
            if part.length_ns >= SILENCE_NS:
                return self._silence(part)
        return if_complete(self._heard, window, held(f"active from {self._heard.at(window.start_ns)} on"))

    def _become(self, window: Window) -> Finding:
        for time_ns, controller, fault in sorted(
            ((span.start_ns, controller, fault) for controller, fault, span in self._spans()), key=lambda one: one[0]
        ):
            if window.holds(time_ns):
                after = self._heard.at(self._heard.start_ns + time_ns - window.since_ns)
                return held(
                    f"{fault_of(controller, fault)} active at {self._heard.at(time_ns)}, after {after}", time_ns
                )
        found = self._first(window)
        if found is not None:
            return failed(f"was active before {self._heard.at(window.start_ns)} already", found[0])
        return self._hole(window) or has_not_come(
            self._heard, window, f"did not become active{after_words(self._heard, window)}"
        )

    def _go(self, window: Window) -> Finding:
        touching = [
            (controller, fault, span) for controller, fault, span in self._spans()
            if window.overlap(span.start_ns, self._end(span)) is not None
        ]
        if not touching:
            return not_shown("it was not active in the window, so it could not go")
        controller, fault, span = max(touching, key=lambda one: self._end(one[2]))
        name = fault_of(controller, fault)
        if span.end_ns is not None and window.holds(span.end_ns):
            at = self._heard.at(span.end_ns)
            if span.reason is EndReason.CLEARED:
                after = self._heard.at(self._heard.start_ns + span.end_ns - window.since_ns)
                return held(f"{name} gone at {at}, after {after}", span.end_ns)
            return not_shown(f"{name} was active in the last DM1 at {at}; then its controller fell silent", span.end_ns)
        came_again = sum(one is fault for _, one, _ in touching) > 1
        again = f"active again at {self._heard.at(span.start_ns)}, and " if came_again else ""
        return has_not_come(self._heard, window, f"{name} {again}still active at {self._heard.at(window.end_ns)}")

    def _spans(self) -> Iterator[_Found]:
        for controller, fault in self._chosen:
            for span in fault.spans:
                yield controller, fault, span

    def _end(self, span: Span) -> int:
        """The last moment at which it was active; the message that ends it says that it is not."""
        if span.end_ns is None:
            return self._heard.end_ns
        return max(span.start_ns, span.end_ns - (span.reason is EndReason.CLEARED))

    def _first(self, window: Window) -> tuple[int, Controller, Fault] | None:
        """The first moment in the window at which one was active."""
        found = [
            (time_ns, controller, fault) for controller, fault, span in self._spans()
            if (time_ns := window.overlap(span.start_ns, self._end(span))) is not None
        ]
        return min(found, key=lambda one: one[0], default=None)

    def _hole(self, window: Window) -> Finding | None:
        """Where in the window no DM1 was heard for too long."""
        for controller in self._subjects:
            coverage = self._heard.coverage(controller)
            if coverage and not common(window.pieces, coverage):
                return not_shown(
                    f"{sender(controller.source_address)} sent no DM1 in the window, which begins at "
                    f"{self._heard.at(window.start_ns)}"
                )
            for part in without(window.pieces, coverage) if coverage else ():
                if part.length_ns >= SILENCE_NS:
                    return self._silence(part, controller)
        return None

    def _silence(self, part: Interval, controller: Controller | None = None) -> Finding:
        who = "" if controller is None else f" of {sender(controller.source_address)}"
        return not_shown(
            f"no DM1{who} from {self._heard.at(part.start_ns)} to {self._heard.at(part.end_ns)}", part.start_ns
        )

    def _messages(self, window: Window) -> str:
        count = sum(
            window.holds(time_ns) for controller in self._subjects
            for time_ns in self._heard.dms.of(DM1, controller.channel, controller.source_address).time_ns
        )
        return counted(count, "DM1 message")

    def _has_dm2(self) -> bool:
        return any(
            self._heard.dms.of(DM2, controller.channel, controller.source_address).time_ns
            for controller in self._subjects
        )


def _of(address: int | None) -> str:
    return "" if address is None else f" of {sender(address)}"
