"""What one channel's readings were at a moment, out of the latest values, and what the engine did meanwhile.

Rule: a value is never invented: a number, 'not available' and 'error' as the controller said, 'stale' when the last
frame is older than five of its usual intervals (at least 1 s), 'never seen' when nobody sends it. Of several senders
the engine's address counts, else the lowest. `LatestValues` keeps one sample a second, so times are true to a second.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import groupby, islice

import numpy as np

from faultlamp.history.history import History
from faultlamp.history.latest import LatestValues, Source, Track
from faultlamp.j1939.readings import OK, GroupLayout, Layouts, ReadingState, SignalLayout, decode_columns, value_column
from faultlamp.knowledge.plausibility import EngineRules

_NS_PER_S = 1_000_000_000
# Only the last sample of each second is kept.
_SLACK_NS = _NS_PER_S
_KEY_GAP_NS = 5 * _NS_PER_S
# Short stands may hold no sample of a slow group; so many are tried.
_MOST_STANDS = 10


class Seen(StrEnum):
    """What a reading is at a moment."""

    NUMBER = "number"
    NOT_AVAILABLE = "not available"
    ERROR = "error"
    STALE = "stale"
    NEVER = "never seen"


@dataclass(frozen=True, slots=True)
class Sampled:
    """One reading at one moment. value: in `unit`, None unless `seen` is a number. time_ns: of its frame."""

    spn: int
    seen: Seen
    value: float | None = None
    unit: str = ""
    time_ns: int | None = None

    @property
    def words(self) -> str:
        """`14.5 degC`, or what it is instead."""
        return str(self.seen) if self.value is None else f"{self.value:.4g} {self.unit}".strip()


class Engine(StrEnum):
    """What engine speed says that the engine does."""

    STOPPED = "stopped"
    TURNING = "turning"
    RUNNING = "running"


@dataclass(frozen=True, slots=True)
class Stretch:
    """The engine did one thing from the first to the last sample of its speed. follows: no key cycle lies between."""

    engine: Engine
    start_ns: int
    end_ns: int
    last_rpm: float
    follows: bool


class Samples:
    """The readings of one channel, as far as they are known at `at_ns`."""

    def __init__(self, latest: LatestValues, layouts: Layouts, channel: str, engine_address: int, at_ns: int) -> None:
        self.at_ns = at_ns
        self.channel = channel
        self._latest = latest
        self._layouts = layouts
        self._engine_address = engine_address

    def at(self, spn: int, time_ns: int, since_ns: int | None = None) -> Sampled:
        """The reading at a moment; of what came before `since_ns` nothing is used."""
        time_ns = min(time_ns, self.at_ns)
        found = self._find(spn)
        sample = found[0].at(time_ns) if found else None
        if found is None or sample is None or (since_ns is not None and sample.time_ns < since_ns):
            return Sampled(spn, Seen.NEVER)
        _, group, signal = found
        pattern = signal.take(sample.payload)
        raw = signal.raw(signal.mask if pattern is None else pattern)
        state = signal.state(raw)
        if time_ns - sample.time_ns > group.stale_after_ns + _SLACK_NS:
            return Sampled(spn, Seen.STALE, None, signal.unit, sample.time_ns)
        if state is not ReadingState.OK:
            seen = Seen.ERROR if state is ReadingState.ERROR else Seen.NOT_AVAILABLE
            return Sampled(spn, seen, None, signal.unit, sample.time_ns)
        return Sampled(spn, Seen.NUMBER, signal.value(raw), signal.unit, sample.time_ns)

    def numbers(self, spn: int, from_ns: int, to_ns: int) -> list[tuple[int, float]]:
        """(time, value) of the samples between the two moments, both included, that are numbers."""
        found = self._find(spn)
        if found is None:
            return []
        track, _, signal = found
        samples = [sample for sample in track.since(from_ns) if sample.time_ns <= min(to_ns, self.at_ns)]
        raw, state = decode_columns(signal, np.array([sample.word for sample in samples], np.uint64))
        values = value_column(signal, raw).tolist()
        return [
            (sample.time_ns, value)
            for sample, value, code in zip(samples, values, state.tolist(), strict=True) if code == OK
        ]

    def _find(self, spn: int) -> tuple[Track, GroupLayout, SignalLayout] | None:
        """The track that carries the reading; a signal behind a multiplexer is none of the readings judged here."""
        places = {group.pgn: (group, signal) for group, signal in self._layouts.places(spn) if not signal.selectors}
        senders = [
            source for source in self._latest.tracks if source.channel == self.channel and source.pgn in places
        ]
        if not senders:
            return None
        source = min(senders, key=self._preference)
        return self._latest.tracks[source], *places[source.pgn]

    def _preference(self, source: Source) -> tuple[bool, Source]:
        return source.source_address != self._engine_address, source


def engine_stretches(samples: Samples, history: History, rules: EngineRules) -> list[Stretch]:
    """What the engine did, oldest first. A key cycle, or 5 s without engine speed, ends a stretch."""
    cycles = history.key_cycles.get(samples.channel)
    starts = np.array(sorted(cycle.start_ns for cycle in cycles.cycles) if cycles else [], np.int64)
    speeds = samples.numbers(rules.speed_spn, 0, samples.at_ns)
    if not speeds:
        return []
    times = np.array([time_ns for time_ns, _ in speeds], np.int64)
    cycle = np.searchsorted(starts, times, "right")
    part = np.cumsum(np.append(True, (np.diff(times) > _KEY_GAP_NS) | (np.diff(cycle) != 0))).tolist()
    stretches: list[Stretch] = []
    before = None
    rows = zip(part, speeds, strict=True)
    for (number, engine), members in groupby(rows, key=lambda row: (row[0], _engine(row[1][1], rules))):
        moments = [speed for _, speed in members]
        stretches.append(Stretch(engine, moments[0][0], moments[-1][0], moments[-1][1], number == before))
        before = number
    return stretches


def standing(stretches: Sequence[Stretch], settle_ns: int) -> Iterator[tuple[Stretch, int]]:
    """Each stand with the key on that is settled, and from when on it is; the latest first."""
    for stretch in reversed(stretches):
        if stretch.engine is Engine.STOPPED:
            # A stand after key on has nothing to settle; one after a run has.
            settled_ns = stretch.start_ns + (settle_ns if stretch.follows else 0)
            if stretch.end_ns >= settled_ns:
                yield stretch, settled_ns


def at_standstill(samples: Samples, stretches: Sequence[Stretch], spn: int, settle_ns: int) -> Sampled | None:
    """The reading at the end of the latest stand that has heard it; None without any stand."""
    latest = None
    for stretch, settled_ns in islice(standing(stretches, settle_ns), _MOST_STANDS):
        sampled = samples.at(spn, stretch.end_ns, settled_ns)
        if sampled.seen not in (Seen.NEVER, Seen.STALE):
            return sampled
        latest = latest or sampled
    return latest


def _engine(speed_rpm: float, rules: EngineRules) -> Engine:
    if speed_rpm >= rules.running_rpm:
        return Engine.RUNNING
    return Engine.TURNING if speed_rpm >= rules.stopped_rpm else Engine.STOPPED
