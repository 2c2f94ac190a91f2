"""The curves of a scenario file into one track for each reading.

Rule: what a phase says about a reading, itself or by being like an earlier phase, holds during that phase. Otherwise
the reading follows [values], where it stands there, and else it stays as the phase before left it.

    800                                                     constant
    "error", "not_available"                                a special
    { constant = 800, ripple = 6, ripple_period_s = 1.5 }   constant with a ripple
    { from = 20, to = 85, over_s = 60 }                     straight line, then constant
    { points = [[0, 20], [10, 35], [60, 85]] }              through points, seconds from the phase's start
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from faultlamp.knowledge.checked_table import as_number, shown
from faultlamp.rig.curves import Curve, Special, Track
from faultlamp.rig.layout import Layout, Slot
from faultlamp.rig.scenario import Ecu, Phase
from faultlamp.rig.tables import Table, nanoseconds

_ANY = 1e12
_MOST_POINTS = 10_000


def build_tracks(
    top: Table, phase_tables: Sequence[Table], phases: Sequence[Phase], ecus: Sequence[Ecu], layout: Layout
) -> dict[int, Track]:
    """Read [values] and every phase's `values`; raises ScenarioError for what is wrong in them."""
    slots = carried_slots(ecus, layout)
    base_table = top.table("values")
    whole = Phase("", phases[0].kind, 0, phases[-1].end_ns)
    base = {_spn(base_table, key, slots): _piece(base_table, key, whole, slots, None) for key in base_table.own_keys()}
    pieces: dict[int, list[tuple[int, Curve | Special]]] = {spn: [(0, piece)] for spn, piece in base.items()}
    said: dict[str, dict[int, tuple[Table, str]]] = {}
    for table, phase in zip(phase_tables, phases, strict=True):
        values = table.table("values")
        like = said[table.choice("like", list(said))] if table.has("like") else {}
        table.close()
        named = like | {_spn(values, key, slots): (values, key) for key in values.own_keys()}
        said[phase.name] = named
        for spn, (where, key) in named.items():
            track = pieces.setdefault(spn, [])
            before = track[-1][1] if track else None
            level = before.level(phase.start_ns) if isinstance(before, Curve) else None
            track.append((phase.start_ns, _piece(where, key, phase, slots, level)))
        for spn, piece in base.items():
            if spn not in named and pieces[spn][-1][1] is not piece:
                pieces[spn].append((phase.start_ns, piece))
    return {
        spn: Track(tuple(start for start, _ in track), tuple(piece for _, piece in track))
        for spn, track in pieces.items()
    }


def carried_slots(ecus: Sequence[Ecu], layout: Layout) -> dict[int, Slot]:
    """The SPNs that the groups of these controllers carry, each with its place."""
    groups = [layout.group(name) for ecu in ecus for name in ecu.groups]
    return {spn: slot for group in groups if group is not None for spn, slot in group.slots.items()}


def _spn(table: Table, key: str, slots: Mapping[int, Slot]) -> int:
    spn = int(key) if key.isascii() and key.isdigit() and len(key) < 8 else None
    if spn not in slots or spn is None:
        carried = table.listed(sorted(slots))
        table.fail(f"unknown reading {shown(key)}; allowed: SPNs that the groups of the ecus carry: {carried}")
    return spn


def _piece(
    table: Table, key: str, phase: Phase, slots: Mapping[int, Slot], level: float | None
) -> Curve | Special:
    """What stands at `key`; `level` is the reading's level at the phase's start, where it has one."""
    content = table.raw(key)
    number = as_number(content)
    if number is not None:
        curve = Curve(((phase.start_ns, number),))
    elif isinstance(content, str) and content in list(Special):
        return Special(content)
    elif isinstance(content, dict):
        curve = _curve(Table(table.file, f"{table.place}, {key}", content), phase, level)
    else:
        table.refuse(key, f"a number, {table.listed(Special)}, or a table (constant, from/to/over_s, or points)")
    slot = slots[int(key)]
    least, greatest = curve.extremes()
    if least < slot.lowest or greatest > slot.highest:
        allowed = f"{slot.lowest:.10g} to {slot.highest:.10g} {slot.unit}".rstrip()
        table.fail(f"{key} goes from {least:.10g} to {greatest:.10g}; allowed: {allowed}")
    return curve


def _curve(table: Table, phase: Phase, level: float | None) -> Curve:
    length_s = (phase.end_ns - phase.start_ns) / 1e9
    ripple = table.number("ripple", 0, _ANY, 0)
    period_ns = nanoseconds(table.number("ripple_period_s", 0.1, 86_400, 1))
    if table.has("constant"):
        points = [(0.0, table.number("constant", -_ANY, _ANY))]
    elif table.has("points"):
        points = _points(table, length_s)
    elif table.has("to"):
        if not table.has("from") and level is None:
            table.refuse("from", "a number, because the reading has no level before")
        begin = table.number("from", -_ANY, _ANY, level)
        over_s = table.number("over_s", 0.001, length_s, length_s)
        points = [(0.0, begin), (over_s, table.number("to", -_ANY, _ANY))]
    else:
        table.fail("no level; allowed: constant, from/to/over_s, or points")
    table.close()
    rounded = tuple((phase.start_ns + nanoseconds(at_s), value) for at_s, value in points)
    return Curve(rounded, ripple, period_ns)


def _points(table: Table, length_s: float) -> list[tuple[float, float]]:
    allowed = f"a list of [seconds, level], seconds rising from 0 up to {length_s:g}"
    content = table.raw("points")
    if not isinstance(content, list) or not 1 <= len(content) <= _MOST_POINTS:
        table.refuse("points", allowed)
    points: list[tuple[float, float]] = []
    for pair in content:
        numbers = [as_number(part) for part in pair] if isinstance(pair, list) and len(pair) == 2 else []
        earliest = points[-1][0] + 0.001 if points else 0.0
        match numbers:
            case [float(at_s), float(value)] if earliest <= at_s <= length_s and abs(value) <= _ANY:
                points.append((at_s, value))
            case _:
                table.fail(f"points has {shown(pair)}; allowed: {allowed}")
    return points
