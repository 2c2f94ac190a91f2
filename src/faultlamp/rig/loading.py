"""A scenario file (TOML) into a checked scenario.

Rule: everything is checked before the first frame; the first thing that is wrong raises ScenarioError with the file,
the table, the key and what is allowed. docs/rig.md describes the keys.
"""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from pathlib import Path

from faultlamp.errors import ScenarioError
from faultlamp.knowledge.checked_table import TOP
from faultlamp.rig.ecus import NAME, NAME_ALLOWED, read_ecu
from faultlamp.rig.happenings import read_fault, read_override, read_request, read_spoiled
from faultlamp.rig.layout import Layout, shipped_layout
from faultlamp.rig.scenario import Ecu, Fault, Phase, PhaseKind, Scenario
from faultlamp.rig.tables import Table, nanoseconds
from faultlamp.rig.tracks import build_tracks, carried_slots
from faultlamp.text import printable

_LARGEST_FILE = 1 << 20
_LONGEST_S = 86_400.0
_MOST_PHASES = 2000
_MOST_ECUS = 60
_MOST_FAULTS = 400
_MOST_ENTRIES = 2000
_BIT_RATES = ("250000", "500000", "1000000")
# Bits of an 8-byte frame with the most stuffing, and how much of the bus the periodic groups may take.
_FRAME_BITS = 160
_MOST_LOAD = 0.8


def load_scenario(path: Path, layout: Layout | None = None) -> Scenario:
    """Read and check a scenario; `layout` are the parameter groups it may use, the shipped ones by default.

    Raises ScenarioError for everything wrong in or with the file, DataFileError for an unusable DBC.
    """
    top = _top_level(path)
    name, description, invented, bit_rate = _about(top)
    groups = shipped_layout() if layout is None else layout
    phase_tables = top.tables("phase", _MOST_PHASES)
    phases = _phases(top, phase_tables)
    ecus = tuple(read_ecu(table, groups) for table in top.tables("ecu", _MOST_ECUS))
    _check_ecus(top, ecus, bit_rate, groups)
    tracks = build_tracks(top, phase_tables, phases, ecus, groups)
    faults: list[Fault] = []
    carried = {ecu.name: sorted(carried_slots([ecu], groups)) for ecu in ecus}
    overrides = [read_override(table, phases, carried) for table in top.tables("override", _MOST_ENTRIES)]
    for table in top.tables("fault", _MOST_FAULTS):
        fault = read_fault(table, phases, ecus)
        if any((fault.ecu, fault.spn, fault.fmi) == (old.ecu, old.spn, old.fmi) for old in faults):
            table.fail(f"SPN {fault.spn} FMI {fault.fmi} of {fault.ecu} is there already; allowed: once")
        faults.append(fault)
        overrides += read_spoiled(table, fault, carried[fault.ecu])
        table.close()
    requests = [read_request(table, phases, ecus) for table in top.tables("request", _MOST_ENTRIES)]
    top.close()
    return Scenario(
        name, description, invented, bit_rate, phases, ecus, tracks, tuple(faults), tuple(overrides),
        tuple(sorted(requests, key=lambda request: request.time_ns)),
    )


def describe(path: Path) -> tuple[str, str]:
    """Name and description of a scenario, without checking the rest of the file."""
    name, description, _, _ = _about(_top_level(path))
    return name, description


def _top_level(path: Path) -> Table:
    try:
        with path.open("rb") as file:
            raw = file.read(_LARGEST_FILE + 1)
    except OSError as error:
        raise ScenarioError(f"{path}: cannot be read: {error.strerror or error}") from error
    if len(raw) > _LARGEST_FILE:
        raise ScenarioError(f"{path}: too long for a scenario; allowed: {_LARGEST_FILE} bytes")
    try:
        return Table(str(path), TOP, tomllib.loads(raw.decode()))
    except UnicodeDecodeError as error:
        raise ScenarioError(f"{path}: not a scenario: not UTF-8 text at byte {error.start}") from error
    except (ValueError, RecursionError) as error:
        raise ScenarioError(f"{path}: not a scenario: not TOML: {printable(str(error))}") from error


def _about(top: Table) -> tuple[str, str, str, int]:
    table = top.table("scenario")
    name = table.text("name", longest=60)
    description = table.text("description", longest=1000)
    invented = table.text("invented", longest=1000)
    bit_rate = table.whole("bit_rate", 1, 1_000_000, 500_000)
    if str(bit_rate) not in _BIT_RATES:
        table.refuse("bit_rate", table.listed(_BIT_RATES))
    table.close()
    return name, description, invented, bit_rate


def _phases(top: Table, tables: Sequence[Table]) -> tuple[Phase, ...]:
    """The phases one after the other. Their `values` are read later, by `build_tracks`."""
    if not tables:
        top.refuse("phase", "at least one table [[phase]]")
    phases: list[Phase] = []
    begin_ns = 0
    for table in tables:
        name = table.named("name", NAME, NAME_ALLOWED)
        if name == "end" or any(phase.name == name for phase in phases):
            table.refuse("name", "a name that no other phase has, and not 'end'")
        table.place += f" ({name})"
        kind = PhaseKind(table.choice("kind", [kind.value for kind in PhaseKind]))
        end_ns = begin_ns + nanoseconds(table.number("duration_s", 0.1, _LONGEST_S))
        if end_ns > nanoseconds(_LONGEST_S):
            table.refuse("duration_s", f"{_LONGEST_S:g} s for all phases together")
        phases.append(Phase(name, kind, begin_ns, end_ns))
        begin_ns = end_ns
    return tuple(phases)


def _check_ecus(top: Table, ecus: Sequence[Ecu], bit_rate: int, layout: Layout) -> None:
    if not ecus:
        top.refuse("ecu", "at least one table [[ecu]]")
    for what, values in (("name", [ecu.name for ecu in ecus]), ("address", [ecu.address for ecu in ecus])):
        for number, value in enumerate(values):
            if value in values[:number]:
                top.fail(f"[[ecu]] {number + 1}: {what} = {value!r}; allowed: one that no other ecu has")
    frames_per_s = sum(1e9 / every_ns for ecu in ecus for every_ns in ecu.groups.values())
    load = frames_per_s * _FRAME_BITS / bit_rate
    if load > _MOST_LOAD:
        top.fail(
            f"the groups of all ecus take {load:.0%} of a bus at {bit_rate} bit/s; allowed: {_MOST_LOAD:.0%},"
            " so send some less often"
        )
