"""Readings against their expectations.

Rule: a value is never invented. 'Error' and 'not available' (SAE J1939-71, section 5.1.4, from memory) are no numbers,
so they are neither inside nor outside of limits; and a value counts for as long as it is fresh, five of its usual
intervals and at least 1 s. What holds all through a window is shown only where a fresh value was there all through.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from faultlamp.j1939.readings import ERROR, NOT_AVAILABLE, OK
from faultlamp.prove.expectations import ReadingExpected, ReadingMust, Within
from faultlamp.prove.heard import Heard
from faultlamp.prove.intervals import Interval
from faultlamp.prove.series import Values
from faultlamp.prove.verdict import Finding, failed, held, not_shown, together
from faultlamp.prove.windows import Window, has_not_come, if_complete, judge
from faultlamp.prove.wording import counted, seconds, sender, span

_STATE_WORDS = {ERROR: "'error'", NOT_AVAILABLE: "'not available'"}


def judge_reading(heard: Heard, expected: ReadingExpected) -> Finding:
    """All that is expected of one reading."""
    if heard.series.refused:
        return not_shown(f"{heard.series.refused} values found no room: cut the recording into shorter ones")
    values = heard.series.of(expected.spn, expected.channel, expected.address)
    if not len(values):
        who = "" if expected.address is None else f" from {sender(expected.address)}"
        return not_shown(f"no such reading was heard{who}" if heard.frames else "nothing was heard")
    return judge(heard, expected, lambda window: _Look(heard, values, window).at(expected))


class _Look:
    """One window over the values of one reading."""

    def __init__(self, heard: Heard, values: Values, window: Window) -> None:
        self._heard = heard
        self._every = values
        self._values = values.within(window.pieces)
        self._window = window

    def at(self, expected: ReadingExpected) -> Finding:
        """All that is expected of the reading in this window."""
        findings = []
        if expected.limits is not None:
            look = {
                ReadingMust.THROUGHOUT: self._throughout, ReadingMust.SOME_TIME: self._some_time,
                ReadingMust.AT_END: self._at_end,
            }[expected.must]
            findings.append(look(expected.limits))
        if expected.never_error:
            findings.append(self._never(ERROR))
        if expected.never_not_available:
            findings.append(self._never(NOT_AVAILABLE))
        if expected.every_ns is not None:
            findings.append(self._every_so_often(expected.every_ns))
        return together(findings)

    def _throughout(self, limits: Within) -> Finding:
        values = self._values
        number = values.state == OK
        outside = number & ((values.value < limits.low) | (values.value > limits.high))
        if outside.any():
            first = int(np.argmax(outside))
            return failed(self._words(first), int(values.time_ns[first]))
        if not number.any():
            return self._nothing()
        if not number.all():
            first = int(np.argmin(number))
            return not_shown(self._words(first), int(values.time_ns[first]))
        low, high = float(values.value.min()), float(values.value.max())
        words = f"{span(f'{low:.6g}', f'{high:.6g}')} {values.unit}".rstrip() + f" in {counted(len(values), 'value')}"
        return self._stale() or if_complete(self._heard, self._window, held(words))

    def _some_time(self, limits: Within) -> Finding:
        values = self._values
        inside = (values.state == OK) & (values.value >= limits.low) & (values.value <= limits.high)
        if inside.any():
            first = int(np.argmax(inside))
            return held(self._words(first), int(values.time_ns[first]))
        number = values.state == OK
        if not number.any():
            return self._nothing()
        low, high = float(values.value[number].min()), float(values.value[number].max())
        words = f"only {low:.6g} to {high:.6g} {values.unit}".rstrip()
        return has_not_come(self._heard, self._window, words)

    def _at_end(self, limits: Within) -> Finding:
        every = self._every
        earlier = np.flatnonzero(every.time_ns <= self._window.end_ns)
        if self._window.cut or not len(earlier):
            return self._nothing() if not len(earlier) else not_shown(
                f"what was heard ends at {self._heard.at(self._heard.end_ns)}, before the window does"
            )
        last = int(earlier[np.argmax(every.time_ns[earlier])])
        time_ns = int(every.time_ns[last])
        if self._window.end_ns - time_ns > int(every.stale_after_ns[last]):
            return not_shown(f"last heard at {self._heard.at(time_ns)}, too old at the end", time_ns)
        words = _value(every, last, self._heard)
        if every.state[last] != OK:
            return not_shown(words, time_ns)
        return (held if float(every.value[last]) in limits else failed)(words, time_ns)

    def _never(self, state: int) -> Finding:
        values = self._values
        found = values.state == state
        if found.any():
            first = int(np.argmax(found))
            return failed(self._words(first), int(values.time_ns[first]))
        if not len(values):
            return self._nothing()
        words = f"never {_STATE_WORDS[state]} in {counted(len(values), 'value')}"
        return self._stale() or if_complete(self._heard, self._window, held(words))

    def _every_so_often(self, every_ns: int) -> Finding:
        longest = max(
            (_longest_wait(self._every.time_ns, piece) for piece in self._window.pieces),
            key=lambda gap: gap.length_ns,
        )
        words = f"longest wait {seconds(longest.length_ns)}, from {self._heard.at(longest.start_ns)}"
        if longest.length_ns > every_ns:
            return failed(words, longest.start_ns)
        if not len(self._values):
            return self._nothing()
        return if_complete(self._heard, self._window, held(words, longest.start_ns))

    def _stale(self) -> Finding | None:
        """Where in the window no fresh value was there."""
        stale_ns = int(self._values.stale_after_ns.max())
        for piece in self._window.pieces:
            gap = _longest_wait(self._every.time_ns, piece)
            if gap.length_ns > stale_ns:
                return not_shown(
                    f"not heard from {self._heard.at(gap.start_ns)} to {self._heard.at(gap.end_ns)}", gap.start_ns
                )
        return None

    def _nothing(self) -> Finding:
        if len(self._values):
            return not_shown(f"never a number; {self._words(0)}", int(self._values.time_ns[0]))
        return not_shown(
            f"not heard from {self._heard.at(self._window.start_ns)} to {self._heard.at(self._window.end_ns)}"
        )

    def _words(self, row: int) -> str:
        return _value(self._values, row, self._heard)


def _value(values: Values, row: int, heard: Heard) -> str:
    state = int(values.state[row])
    value = f"{float(values.value[row]):.6g} {values.unit}".rstrip() if state == OK else _STATE_WORDS[state]
    return f"{value} at {heard.at(int(values.time_ns[row]))}"


def _longest_wait(time_ns: npt.NDArray[np.int64], piece: Interval) -> Interval:
    """The longest wait for the next message within a piece, its ends included."""
    first, last = np.searchsorted(time_ns, [piece.start_ns, piece.end_ns + 1]).tolist()
    edges = np.concatenate(([piece.start_ns], time_ns[first:last], [piece.end_ns]))
    longest = int(np.argmax(np.diff(edges)))
    return Interval(int(edges[longest]), int(edges[longest + 1]))
