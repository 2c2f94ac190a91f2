"""The faults, overrides and requests of a scenario file.

Rule: a time is a number of seconds since the scenario's start, or the name of a phase with seconds after its start
("load+75"); "end" is the scenario's end. Everything wrong raises ScenarioError.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence

from faultlamp.j1939.diagnostics import Lamp, LampState, is_no_fault
from faultlamp.j1939.identifier import GLOBAL_ADDRESS
from faultlamp.knowledge.checked_table import as_number, shown
from faultlamp.rig.curves import Special
from faultlamp.rig.ecus import HIGHEST_ADDRESS
from faultlamp.rig.scenario import Ecu, Fault, Override, Phase, Request, Windows, inside, power_spans
from faultlamp.rig.tables import Table, nanoseconds

_HIGHEST_SPN = (1 << 19) - 1
_MOST_WINDOWS = 2000
_FLASH = {"steady": LampState.ON, "slow": LampState.SLOW_FLASH, "fast": LampState.FAST_FLASH}
_TIME = re.compile(r"([a-z0-9-]{1,40})(?:\+(\d{1,6}(?:\.\d{1,6})?))?")
_TIME_ALLOWED = 'seconds, "PHASE" or "PHASE+SECONDS", within the scenario'
_WINDOWS_ALLOWED = f"a list of [from, to] in order of time, each {_TIME_ALLOWED}"


def read_fault(table: Table, phases: Sequence[Phase], ecus: Sequence[Ecu]) -> Fault:
    """One [[fault]]; `close` the table after `read_spoiled`."""
    ecu = _named_ecu(table, ecus)
    spn, fmi = table.whole("spn", 0, _HIGHEST_SPN), table.whole("fmi", 0, 31)
    if is_no_fault(spn, fmi):
        table.refuse("spn", "one that does not say 'no fault' together with the fmi")
    return Fault(
        ecu=ecu.name,
        spn=spn,
        fmi=fmi,
        present=_windows(table, "present", phases),
        lamps=tuple(Lamp(lamp) for lamp in table.choices("lamps", [lamp.value for lamp in ecu.lamps], ())),
        flash=_FLASH[table.choice("flash", tuple(_FLASH), "steady")],
        count_before=table.whole("count_before", 0, 126, 0),
        good_starts=table.whole("good_starts", 0, 20, 0),
        emissions=table.flag("emissions", False),
        pending=_windows(table, "pending", phases),
        permanent=table.flag("permanent", False),
    )


def read_spoiled(table: Table, fault: Fault, carried: Collection[int]) -> list[Override]:
    """The readings that the fault's cause turns into 'error' or 'not available'."""
    overrides = []
    for special in Special:
        content = table.raw(special.value)
        if content is None:
            continue
        allowed = f"a list of SPNs that the groups of {fault.ecu} carry: {table.listed(carried)}"
        if not isinstance(content, list):
            table.refuse(special.value, allowed)
        spns = [part for part in content if isinstance(part, int) and part in carried]
        if len(spns) != len(content):
            table.refuse(special.value, allowed)
        overrides += [Override(fault.ecu, spn, special, fault.present) for spn in spns]
    return overrides


def read_override(table: Table, phases: Sequence[Phase], carried: Mapping[str, Collection[int]]) -> Override:
    """One [[override]]; `carried` are the SPNs that each controller sends."""
    ecu = table.choice("ecu", list(carried)) if table.has("ecu") else None
    spn = table.whole("spn", 0, _HIGHEST_SPN)
    senders = carried.values() if ecu is None else [carried[ecu]]
    spns = sorted({spn for sent in senders for spn in sent})
    if spn not in spns:
        table.refuse("spn", f"one that the groups carry: {table.listed(spns)}")
    override = Override(
        ecu=ecu,
        spn=spn,
        state=Special(table.choice("state", [special.value for special in Special])),
        windows=_windows(table, "windows", phases),
    )
    table.close()
    return override


def read_request(table: Table, phases: Sequence[Phase], ecus: Sequence[Ecu]) -> Request:
    """One [[request]]."""
    time_ns = _time(table.raw("at"), phases)
    if time_ns is None or time_ns >= phases[-1].end_ns:
        table.refuse("at", _TIME_ALLOWED)
    source = table.whole("from", 0, HIGHEST_ADDRESS)
    if any(ecu.address == source for ecu in ecus):
        table.refuse("from", "an address that no ecu has")
    destination = table.whole("to", 0, GLOBAL_ADDRESS, GLOBAL_ADDRESS)
    request = Request(time_ns, source, destination, table.whole("pgn", 0, (1 << 18) - 1))
    if not any(inside(((span.on_ns, span.off_ns),), time_ns) for span in power_spans(tuple(phases))):
        table.refuse("at", "a time with the key on, so that somebody can answer")
    table.close()
    return request


def _named_ecu(table: Table, ecus: Sequence[Ecu]) -> Ecu:
    name = table.choice("ecu", [ecu.name for ecu in ecus])
    return next(ecu for ecu in ecus if ecu.name == name)


def _windows(table: Table, key: str, phases: Sequence[Phase]) -> Windows:
    content = table.raw(key)
    if content is None:
        return ()
    if not isinstance(content, list) or len(content) > _MOST_WINDOWS:
        table.refuse(key, _WINDOWS_ALLOWED)
    windows: list[tuple[int, int]] = []
    for pair in content:
        ends = [_time(part, phases) for part in pair] if isinstance(pair, list) and len(pair) == 2 else []
        before_ns = windows[-1][1] if windows else 0
        match ends:
            case [int(start_ns), int(end_ns)] if before_ns <= start_ns < end_ns:
                windows.append((start_ns, end_ns))
            case _:
                table.fail(f"{key} has {shown(pair)}; allowed: {_WINDOWS_ALLOWED}")
    return tuple(windows)


def _time(content: object, phases: Sequence[Phase]) -> int | None:
    """A time of the file as nanoseconds, None when it is not one or lies outside the scenario."""
    end_ns = phases[-1].end_ns
    seconds = as_number(content)
    if seconds is not None:
        return nanoseconds(seconds) if 0 <= seconds * 1e9 <= end_ns else None
    match = _TIME.fullmatch(content) if isinstance(content, str) else None
    if match is None:
        return None
    starts = {phase.name: phase.start_ns for phase in phases} | {"end": end_ns}
    if match[1] not in starts:
        return None
    time_ns = starts[match[1]] + nanoseconds(float(match[2] or 0))
    return time_ns if time_ns <= end_ns else None
