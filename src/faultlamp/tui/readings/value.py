"""What is known of one reading at one moment. A value is never invented.

It is one of five things, each with a word and a shape of its own:

    1500 rpm           a number with its unit and its age
    -- not available   the controller says so
    ✕ sensor error     the controller says so
    ~ stale            older than five of its usual intervals, at least 1 s
    · never seen       no frame that carries it was heard

Rule: docs/dashboard.md; the codes for 'not available' and 'error' are those of SAE J1939-71, section 5.1.4 (from
memory). A group without a usual interval counts as one a second.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import NamedTuple

from faultlamp.history.latest import Sample, Source, Track
from faultlamp.j1939.readings import GroupLayout, Layouts, ReadingState, SignalLayout
from faultlamp.knowledge.amounts import digits_of, shown
from faultlamp.knowledge.names import spn_name
from faultlamp.knowledge.units import can_convert, convert, convert_step
from faultlamp.tui.job import Job
from faultlamp.tui.times import NS_PER_S, length

# Of the past one sample a second is kept, the last one of each second.
_PAST_SLACK_NS = NS_PER_S
# A trend is drawn from so many samples, however long it is.
_TREND_SAMPLES = 60


class Seen(StrEnum):
    """The five things that a reading can be."""

    NUMBER = "number"
    NOT_AVAILABLE = "not available"
    ERROR = "sensor error"
    STALE = "stale"
    NEVER = "never seen"


SHAPES = {Seen.NUMBER: "", Seen.NOT_AVAILABLE: "--", Seen.ERROR: "✕", Seen.STALE: "~", Seen.NEVER: "·"}


class Pick(NamedTuple):
    """A reading that is wanted: of one sender, or of whoever sends it (None)."""

    spn: int
    channel: str | None = None
    source_address: int | None = None


@dataclass(frozen=True, slots=True)
class Value:
    """A reading at one moment.

    number: the value in `unit`; of a stale reading the last one, None when that was none. text: the number as it is
    shown, or the word of a state parameter. age_ns: since its frame. source: who sent it, None when never seen.
    step: the resolution in `unit`; 0 for a word, or when there is no number.
    """

    spn: int
    name: str
    unit: str
    seen: Seen
    number: float | None = None
    text: str = ""
    age_ns: int | None = None
    source: Source | None = None
    step: float = 0.0

    @property
    def amount(self) -> str:
        """Number and unit, empty when there is no number."""
        return f"{self.text} {self.unit}".strip() if self.text else ""

    @property
    def words(self) -> str:
        """All of it in running text: `1500 rpm`, `not available`, `stale for 7 s, last 1500 rpm`."""
        if self.seen is Seen.NUMBER:
            return self.amount
        if self.seen is Seen.STALE:
            return f"stale for {length(self.age_ns or 0)}, last {self.amount or 'no number'}"
        return str(self.seen)


class Readings:
    """Looks readings up in a job's latest values. layouts: where they lie."""

    def __init__(self, layouts: Layouts) -> None:
        self.layouts = layouts
        self._places: dict[int, tuple[tuple[GroupLayout, SignalLayout], ...]] = {}

    def value(self, job: Job, pick: Pick, now_ns: int, *, past: bool = False) -> Value:
        """The reading at `now_ns`; of several senders the one that says most, the engine before others.

        past: `now_ns` is a moment gone by.
        """
        found = [
            _value(signal, group, source, sample, now_ns, past)
            for source, track, group, signal in self._tracks(job, pick)
            if (sample := track.at(now_ns) if past else track.latest) is not None and _carries(signal, sample)
        ]
        if not found:
            places = self._places_of(pick.spn)
            signal = places[0][1] if places else None
            return Value(pick.spn, _name(pick.spn, signal), signal.unit if signal else "", Seen.NEVER)
        engine = job.history.engine_address
        return min(found, key=lambda value: _preference(value, engine))

    def trend(self, job: Job, value: Value, from_ns: int, to_ns: int) -> list[tuple[int, float | None]]:
        """(time, number) of the same sender's samples between the two moments: the last in each sixtieth of the time.

        The sixtieths begin at whole multiples of their length, so a picture of them does not flicker.
        """
        source = value.source
        track = None if source is None else job.latest.tracks.get(source)
        if track is None or source is None:
            return []
        signal = next(signal for group, signal in self._places_of(value.spn) if group.pgn == source.pgn)
        part_ns = max((to_ns - from_ns) // _TREND_SAMPLES, 1)
        samples: list[Sample] = []
        for end_ns in range((from_ns // part_ns + 1) * part_ns - 1, to_ns + part_ns, part_ns):
            sample = track.at(min(end_ns, to_ns))
            if sample is not None and sample.time_ns >= from_ns and (not samples or sample != samples[-1]):
                samples.append(sample)
        return [(sample.time_ns, _number(signal, sample)) for sample in samples if _carries(signal, sample)]

    def carried(self, job: Job, now_ns: int) -> list[Value]:
        """All readings that the bus carries, one a sender, by SPN and sender."""
        groups = self.layouts.groups
        found = [
            _value(signal, group, source, track.latest, now_ns, False)
            for source, track in job.latest.tracks.items()
            if (group := groups.get(source.pgn)) is not None
            for signal in group.signals
            if signal.spn is not None and _carries(signal, track.latest)
        ]
        return sorted(found, key=lambda value: (value.spn, value.source or ()))

    def _places_of(self, spn: int) -> tuple[tuple[GroupLayout, SignalLayout], ...]:
        places = self._places.get(spn)
        if places is None:
            places = self._places[spn] = self.layouts.places(spn)
        return places

    def _tracks(self, job: Job, pick: Pick) -> list[tuple[Source, Track, GroupLayout, SignalLayout]]:
        return [
            (source, track, group, signal)
            for group, signal in self._places_of(pick.spn)
            for source, track in job.latest.tracks.items()
            if source.pgn == group.pgn
            and pick.channel in (None, source.channel)
            and pick.source_address in (None, source.source_address)
        ]


def _value(
    signal: SignalLayout, group: GroupLayout, source: Source, sample: Sample, now_ns: int, past: bool
) -> Value:
    raw = _raw(signal, sample)
    state = signal.state(raw)
    age_ns = max(now_ns - sample.time_ns, 0)
    number, text, step = None, "", 0.0
    if state is ReadingState.OK:
        number = signal.value(raw)
        text = signal.states.get(raw, "")
        if not text:
            text, step = shown(number, signal), float(signal.scale)
    if age_ns > group.stale_after_ns + (_PAST_SLACK_NS if past else 0):
        seen = Seen.STALE
    elif state is ReadingState.OK:
        seen = Seen.NUMBER
    else:
        seen = Seen.ERROR if state is ReadingState.ERROR else Seen.NOT_AVAILABLE
    spn = signal.spn or 0
    return Value(spn, _name(spn, signal), signal.unit, seen, number, text, age_ns, source, step)


def in_unit(value: Value, unit: str) -> Value:
    """The same reading in another unit; as it is where that measures something else, or where it is a word."""
    if unit == value.unit or not can_convert(value.unit, unit):
        return value
    if value.number is None or not value.step:
        return value if value.text else replace(value, unit=unit)
    number = convert(value.number, value.unit, unit)
    step = abs(convert_step(value.step, value.unit, unit))
    return replace(value, unit=unit, number=number, text=digits_of(number, step), step=step)


def _number(signal: SignalLayout, sample: Sample) -> float | None:
    raw = _raw(signal, sample)
    return signal.value(raw) if signal.state(raw) is ReadingState.OK else None


def _raw(signal: SignalLayout, sample: Sample) -> int:
    pattern = signal.take(sample.payload)
    return signal.raw(signal.mask if pattern is None else pattern)


def _carries(signal: SignalLayout, sample: Sample) -> bool:
    """False where the payload's multiplexer says that the signal is not in it."""
    return all(selector.bits.take(sample.payload) in selector.chosen for selector in signal.selectors)


_RANK = {Seen.NUMBER: 0, Seen.ERROR: 1, Seen.NOT_AVAILABLE: 2, Seen.STALE: 3, Seen.NEVER: 4}


def _preference(value: Value, engine_address: int) -> tuple[int, bool, Source | tuple[()]]:
    return _RANK[value.seen], value.source is None or value.source.source_address != engine_address, value.source or ()


def _name(spn: int, signal: SignalLayout | None) -> str:
    return spn_name(spn) or (signal.name if signal else f"SPN {spn}")
