"""The faults on one axis of time, as numbers for a picture that needs no colour and no script.

Rule: a bar while a fault is active; behind the last one `▸` when it is active at the end, `?` when its controller fell
silent (nothing is known from there on). The most important faults are drawn, and how many are not is said. Whatever the
number of spans, a lane has no more bars than the plot has pixels: where a fault came and went too often to draw each
time, one bar of half the height stands for them.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

from faultlamp.history.history import History
from faultlamp.history.key_cycles import KeyCycle
from faultlamp.history.spans import Span
from faultlamp.report.paper import KeyLane, Lane, Timeline
from faultlamp.report.standing import ACTIVE, SHAPES, WORDS, Standing
from faultlamp.report.words import NS_PER_S, Clock, Senders, count_of
from faultlamp.text import printable

MOST_LANES = 40
_MOST_KEYS = 8
_WIDTH, _LEFT, _RIGHT = 760.0, 196.0, 738.0
_ROW, _BAR, _THICK, _THIN = 20.0, 11.0, 7.0, 2.0
_TOP = 24.0
_LABEL = 31
_LEAST_BAR = 1.5
_SOLID = 0.9
_MOST_TICKS = 7
_STEPS_S = (
    1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10_800, 21_600, 43_200, 86_400, 172_800, 604_800,
    2_592_000, 31_536_000, 157_680_000, 630_720_000,
)


def timeline(
    history: History, found: Sequence[Standing], at_ns: int, clock: Clock, senders: Senders
) -> Timeline | None:
    """The picture; None where no fault was active. found: all faults, the most important first."""
    drawn = [one for one in found if one.fault.spans]
    if not drawn:
        return None
    lanes, rest = drawn[:MOST_LANES], len(drawn) - MOST_LANES
    scale = _Scale(history, lanes, at_ns)
    keys = []
    y = _TOP
    for channel, cycles in sorted(history.key_cycles.items())[:_MOST_KEYS]:
        label = printable(f"Key, {channel}", longest=_LABEL) if senders.several else "Key"
        keys.append(_key_lane(y, label, cycles.cycles, at_ns, scale))
        y += _ROW
    rows = []
    for one in lanes:
        rows.append(_lane(y, one, at_ns, scale, senders))
        y += _ROW
    notes = []
    if rest > 0:
        notes.append(f"{count_of(rest, 'further fault')} that had been active not drawn; the table below has them.")
    if len(history.key_cycles) > _MOST_KEYS:
        notes.append(f"The key of {len(history.key_cycles) - _MOST_KEYS} more channels is not drawn.")
    if history.clock_steps:
        notes.append("The clock stepped back: what was recorded before and after may lie over each other here.")
    return Timeline(
        _WIDTH, y + 8, _LEFT, _RIGHT, _TOP, y, tuple(scale.ticks(clock)), tuple(rows), tuple(keys), " ".join(notes)
    )


class _Scale:
    """From time to place."""

    def __init__(self, history: History, lanes: Sequence[Standing], at_ns: int) -> None:
        starts = [span.start_ns for one in lanes for span in one.fault.spans]
        starts += [cycle.start_ns for cycles in history.key_cycles.values() for cycle in cycles.cycles]
        ends = [span.end_ns for one in lanes for span in one.fault.spans if span.end_ns is not None]
        start_ns = at_ns if history.start_ns is None else history.start_ns
        self.first_ns = min([start_ns, at_ns, *starts])
        self.last_ns = max([start_ns, at_ns, *ends, self.first_ns + NS_PER_S])

    def x(self, time_ns: int) -> float:
        """Pixels from the left."""
        share = (time_ns - self.first_ns) / (self.last_ns - self.first_ns)
        return _LEFT + min(max(share, 0.0), 1.0) * (_RIGHT - _LEFT)

    def ticks(self, clock: Clock) -> Iterable[tuple[float, str]]:
        """Whole seconds, minutes, hours: about six of them."""
        span_s = (self.last_ns - self.first_ns) / NS_PER_S
        step_ns = next((step for step in _STEPS_S if span_s / step <= _MOST_TICKS), _STEPS_S[-1]) * NS_PER_S
        zero_ns = 0 if clock.dated else clock.start_ns
        first = -(-(self.first_ns - zero_ns) // step_ns)
        last = (self.last_ns - zero_ns) // step_ns
        for number in range(first, min(last, first + 4 * _MOST_TICKS) + 1):
            time_ns = zero_ns + number * step_ns
            yield self.x(time_ns), clock.moment(time_ns).removesuffix(".0")


def _lane(y: float, one: Standing, at_ns: int, scale: _Scale, senders: Senders) -> Lane:
    controller, fault, state, _ = one
    last = fault.spans[-1]
    sign = "▸" if state == ACTIVE else "?" if controller.left_by_silence(fault) else ""
    until_ns = at_ns if last.end_ns is None else last.end_ns
    who = senders.cell(controller.channel, controller.source_address)
    return Lane(
        y, printable(f"{SHAPES[state]} {fault.spn}/{fault.fmi} {who}", longest=_LABEL),
        f"SPN {fault.spn} FMI {fault.fmi}, {who}: {WORDS[state]}",
        _bars(fault.spans, at_ns, scale, y + _ROW / 2), sign, scale.x(until_ns) + 3,
    )


def _key_lane(y: float, label: str, cycles: Sequence[KeyCycle], at_ns: int, scale: _Scale) -> KeyLane:
    def bars(some: Iterable[KeyCycle]) -> list[_Bar]:
        return _merged((scale.x(one.start_ns), scale.x(one.last_ns if one.over else at_ns)) for one in some)

    on = bars(cycles)
    ran = bars(one for one in cycles if one.engine_ran)
    return KeyLane(
        y, label, _path(on, y + _ROW / 2, _THIN), _path(ran, y + _ROW / 2, _THICK)
    )


class _Bar(NamedTuple):
    """From pixel to pixel. filled: how much of it the times that it stands for take."""

    left: float
    right: float
    filled: float

    @property
    def dense(self) -> bool:
        """It stands for many times with gaps between them."""
        return self.filled < _SOLID * (self.right - self.left)


def _bars(spans: Sequence[Span], at_ns: int, scale: _Scale, middle: float) -> str:
    bars = _merged((scale.x(span.start_ns), scale.x(at_ns if span.end_ns is None else span.end_ns)) for span in spans)
    return "".join(_path([bar], middle, _BAR / 2 if bar.dense else _BAR) for bar in bars)


def _merged(pairs: Iterable[tuple[float, float]]) -> list[_Bar]:
    """Bars by their beginning; those less than a pixel apart are one."""
    merged: list[_Bar] = []
    for left, right in sorted(pairs):
        last = merged[-1] if merged else None
        if last is not None and left < last.right + 1:
            merged[-1] = _Bar(last.left, max(last.right, right), last.filled + max(right - max(left, last.right), 0))
        else:
            merged.append(_Bar(left, right, right - left))
    return merged


def _path(bars: Iterable[_Bar], middle: float, height: float) -> str:
    """Rectangles around a line, each wide enough to be seen."""
    parts = []
    for bar in bars:
        width = max(bar.right - bar.left, _LEAST_BAR)
        parts.append(f"M{bar.left:.1f} {middle - height / 2:.2f}h{width:.1f}v{height:.1f}h-{width:.1f}z")
    return "".join(parts)
