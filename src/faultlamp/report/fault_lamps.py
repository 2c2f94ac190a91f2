"""Which lamps were asked for while a fault was active, at any time of it.

Rule: SAE J1939-73, section 5.7.1. The lamps are those of the controller's whole DM1, so they stood with the fault and
need not be for it. What only a lamp check at key on asked for does not count.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable

from faultlamp.history.controllers import Controller, Fault, LampSpan
from faultlamp.history.key_cycles import KeyCycle
from faultlamp.history.spans import EndReason
from faultlamp.j1939.diagnostics import Lamp
from faultlamp.knowledge.crosswalk import LAMP_WORDS
from faultlamp.report.lamp_check import checks_of, part_of_check


class LampTimes:
    """When one controller asked for each lamp. cycles: the key cycles of its channel. at_ns: the end."""

    def __init__(self, controller: Controller, cycles: Iterable[KeyCycle], at_ns: int) -> None:
        checks = checks_of(controller, cycles)
        self._at_ns = at_ns
        self._times: dict[Lamp, tuple[list[int], list[int]]] = {}
        for lamp in LAMP_WORDS:
            spans = controller.lamp_spans[lamp]
            lit = [
                (span.start_ns, _after(span, following, at_ns))
                for span, following in zip(spans, [*spans[1:], None], strict=True)
                if span.state.lit and not part_of_check(span, checks)
            ]
            self._times[lamp] = sorted(start for start, _ in lit), sorted(end for _, end in lit)

    def while_active(self, fault: Fault) -> tuple[Lamp, ...]:
        """The lamps asked for in any DM1 that listed the fault, the gravest first."""
        spans = [
            # Only a DM1 that lists the fault no longer is not one of those that list it.
            (span.start_ns, self._at_ns + 1 if span.end_ns is None else span.end_ns + (span.reason is EndReason.SILENT))
            for span in fault.spans
        ]
        return tuple(lamp for lamp in LAMP_WORDS if any(self._asked(lamp, start, after) for start, after in spans))

    def _asked(self, lamp: Lamp, start_ns: int, after_ns: int) -> bool:
        """Whether more times of asking have begun before `after_ns` than were over at `start_ns`."""
        starts, ends = self._times[lamp]
        return bisect_left(starts, after_ns) > bisect_right(ends, start_ns)


def _after(span: LampSpan, following: LampSpan | None, at_ns: int) -> int:
    """The first moment that is not of the span."""
    if span.end_ns is None:
        return at_ns + 1
    # Another DM1 ended it where the next state begins; else it ended with the last DM1 before a silence.
    return span.end_ns + (following is None or following.start_ns != span.end_ns)
