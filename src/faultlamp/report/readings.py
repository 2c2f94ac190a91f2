"""The readings of the job: the last one, the least and the greatest, as the latest values hold them.

Rule: a value is never invented. At the end a reading is a number, 'not available', 'sensor error' (both as the
controller said: SAE J1939-71, section 5.1.4, from memory), stale when its last frame is older than five of its usual
intervals, at least 1 s, or never seen. `LatestValues` keeps one sample a second: the least and greatest are of those.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from faultlamp.history.latest import Source, Track
from faultlamp.j1939.readings import (
    ABSENT,
    ERROR,
    OK,
    GroupLayout,
    SignalLayout,
    decode_columns,
    value_column,
)
from faultlamp.knowledge.amounts import digits_of, shown
from faultlamp.knowledge.units import System, can_convert, convert, convert_step, quantity_of
from faultlamp.report.paper import Heard, ReadingRow
from faultlamp.report.words import NONE, Senders, count_of, length

FIRST_SPNS = (190, 110, 100, 168, 247, 92, 175, 183, 174, 102, 108)
"""Engine speed, coolant, oil pressure, battery, hours, load, oil temperature, fuel rate and temperature, boost, air."""
_ALWAYS = 6
"""So many of them are named even where they were never seen."""
MOST_READINGS = 150


class _Found(NamedTuple):
    """A reading with what orders it."""

    row: ReadingRow
    order: tuple[int, bool, int, Source]
    spoke: bool


def reading_rows(heard: Heard, at_ns: int, senders: Senders, system: System) -> tuple[tuple[ReadingRow, ...], str]:
    """The rows, the usual ones first, and what to know about them."""
    found = [
        one
        for source, track in heard.latest.tracks.items() if (group := heard.layouts.groups.get(source.pgn)) is not None
        for one in _of_track(heard, source, track, group, at_ns, senders, system)
    ]
    found.sort(key=lambda one: one.order)
    known = {one.row.spn for one in found}
    never = [_never_seen(heard, spn) for spn in FIRST_SPNS[:_ALWAYS] if spn not in known]
    usual = [one.row for one in found if one.row.spn in FIRST_SPNS[:_ALWAYS]]
    others = [one for one in found if one.row.spn not in FIRST_SPNS[:_ALWAYS]]
    speaking = [one.row for one in others if one.spoke]
    rows = (usual + never + speaking)[:MOST_READINGS]
    left_out = len(usual) + len(never) + len(speaking) - len(rows)
    notes = ["The least and greatest are of one sample a second."]
    if mute := len(others) - len(speaking):
        notes.append(f"{count_of(mute, 'further reading')} of which the bus never said more than 'not available'.")
    if left_out:
        notes.append(f"{count_of(left_out, 'further reading')} found no room here: faultlamp values lists all.")
    if lost := heard.latest.dropped + heard.latest.refused:
        notes.append(f"{count_of(lost, 'sample')} found no room in memory and do not count.")
    return tuple(rows), " ".join(notes)


def _of_track(
    heard: Heard, source: Source, track: Track, group: GroupLayout, at_ns: int, senders: Senders, system: System
) -> list[_Found]:
    times, words = track.columns()
    rows = []
    for signal in group.signals:
        if signal.spn is None:
            continue
        raw, state = decode_columns(signal, words)
        there = np.flatnonzero(state != ABSENT)
        if not len(there):
            continue
        last = int(there[-1])
        age_ns = max(at_ns - int(times[last]), 0)
        amount = _Amounts(signal, system)
        codes = set(np.unique(state[there]).tolist())
        least, greatest = NONE, NONE
        if OK in codes and not signal.states:
            values: npt.NDArray[np.float64] = value_column(signal, raw)[state == OK]
            least, greatest = amount.text(float(values.min())), amount.text(float(values.max()))
        text = NONE
        if state[last] == OK:
            text = signal.states.get(int(raw[last]), "") or amount.text(signal.value(int(raw[last])))
        row = ReadingRow(
            signal.spn, heard.names.name(signal.spn) or signal.name,
            senders.cell(source.channel, source.source_address), amount.unit, text,
            _state(int(state[last]), age_ns, group), least, greatest,
        )
        place = FIRST_SPNS.index(signal.spn) if signal.spn in FIRST_SPNS else len(FIRST_SPNS)
        order = place, source.source_address != heard.history.engine_address, signal.spn, source
        rows.append(_Found(row, order, OK in codes or ERROR in codes))
    return rows


def _state(code: int, age_ns: int, group: GroupLayout) -> str:
    if age_ns > group.stale_after_ns:
        return f"stale: {length(age_ns)} before the end"
    return {OK: "read at the end", ERROR: "sensor error"}.get(code, "not available")


class _Amounts:
    """Writes the amounts of one signal in the unit that people read."""

    def __init__(self, signal: SignalLayout, system: System) -> None:
        self._signal = signal
        quantity = quantity_of(signal.unit)
        wanted = signal.unit if quantity is None else quantity.usual(system, signal.unit)
        self.unit = wanted if can_convert(signal.unit, wanted) else signal.unit

    def text(self, number: float) -> str:
        """The number with the digits that help a reader."""
        signal = self._signal
        if self.unit == signal.unit:
            return shown(number, signal)
        step = abs(convert_step(float(signal.scale), signal.unit, self.unit))
        return digits_of(convert(number, signal.unit, self.unit), step)


def _never_seen(heard: Heard, spn: int) -> ReadingRow:
    return ReadingRow(
        spn, heard.names.describe(spn), NONE, "", NONE, "never seen", NONE, NONE
    )
