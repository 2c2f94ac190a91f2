"""The controllers of a scenario file: who they are, what they send, what they can tell and how they answer.

Rule: everything wrong raises ScenarioError with the table, the key and what is allowed. docs/rig.md describes the keys.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping

from faultlamp.j1939.address import Name
from faultlamp.j1939.diagnostics import Lamp
from faultlamp.knowledge.checked_table import shown
from faultlamp.rig.layout import Layout
from faultlamp.rig.manners import Conduct, Manner, Manners, Receiving, Rival
from faultlamp.rig.messages import codes, frozen, identity, monitors
from faultlamp.rig.messages.identity import Calibration
from faultlamp.rig.messages.monitors import Monitor, Ratio, TestResult
from faultlamp.rig.scenario import Clears, Ecu, Obd
from faultlamp.rig.tables import Table, nanoseconds

HIGHEST_ADDRESS = 253
MARK = "INVENTED"
NAME = re.compile(r"[a-z0-9-]{1,40}")
NAME_ALLOWED = "1 to 40 of the characters a-z 0-9 -"

# The words by which [ecu.answers] may call a group; others go by their number.
GROUPS = {
    "DM1": codes.DM1_PGN, "DM2": codes.DM2_PGN, "DM3": codes.DM3_PGN, "DM4": frozen.DM4_PGN, "DM5": monitors.DM5_PGN,
    "DM6": codes.DM6_PGN, "DM7": monitors.DM7_PGN, "DM11": codes.DM11_PGN, "DM12": codes.DM12_PGN,
    "DM19": identity.CALIBRATION_PGN, "DM20": monitors.DM20_PGN, "DM21": monitors.DM21_PGN, "DM22": codes.DM22_PGN,
    "DM23": codes.DM23_PGN, "DM24": frozen.DM24_PGN, "DM25": frozen.DM25_PGN, "DM26": monitors.DM26_PGN,
    "DM27": codes.DM27_PGN, "DM28": codes.DM28_PGN, "DM29": monitors.DM29_PGN,
    "VIN": identity.VEHICLE_IDENTIFICATION_PGN, "COMPONENT": identity.COMPONENT_IDENTIFICATION_PGN,
    "SOFTWARE": identity.SOFTWARE_IDENTIFICATION_PGN, "ECU": identity.ECU_IDENTIFICATION_PGN,
}

_LAMPS = tuple(lamp.value for lamp in Lamp)
_HIGHEST_PGN = (1 << 18) - 1
_HIGHEST_SPN = (1 << 19) - 1
_HIGHEST_RAW = 0xFAFF
_MOST_FROZEN_BYTES = 200
_MOST_FREEZE_FRAMES = 8
_MOST_TIMES = 1000
_LONGEST_DELAY_MS = 60_000.0


def read_ecu(table: Table, layout: Layout) -> Ecu:
    """One [[ecu]]."""
    name = table.named("name", NAME, NAME_ALLOWED)
    table.place += f" ({name})"
    texts = table.table("identity")
    vin = texts.text("vin", longest=200, default="", stars=False)
    if vin and not vin.startswith(MARK):
        texts.refuse("vin", f"a text that starts with {MARK}, so that a recording tells what it is")
    ecu = Ecu(
        name=name,
        address=table.whole("address", 0, HIGHEST_ADDRESS),
        claim=_name(table.table("claim")),
        boot_ns=nanoseconds(table.number("boot_ms", 0, 5000, 100) / 1000),
        lamps=tuple(Lamp(lamp) for lamp in table.choices("lamps", _LAMPS, _LAMPS)),
        lamp_check_ns=nanoseconds(table.number("lamp_check_s", 0, 60, 2)),
        vin=vin,
        component=_parts(texts, "component", ("make", "model", "serial number", "unit number")),
        software=texts.texts("software", most=8),
        groups=_group_rates(table.table("groups"), layout),
        identification=_parts(texts, "ecu", ("part number", "serial number", "location", "type", "manufacturer")),
        clears=Clears(table.choice("clears", [clears.value for clears in Clears], Clears.STOPPED.value)),
        freeze_frames=table.whole("freeze_frames", 0, _MOST_FREEZE_FRAMES, 1),
        obd=_obd(table.table("obd"), layout) if table.has("obd") else None,
        manners=_manners(table.table("answers")),
        rival=_rival(table.table("rival")) if table.has("rival") else None,
    )
    texts.close()
    table.close()
    if ecu.rival is not None and ecu.rival.name == ecu.claim:
        table.fail("rival has the same NAME; allowed: another one, for instance by identity_number")
    return ecu


def _name(table: Table) -> Name:
    name = _claim(table)
    table.close()
    return name


def _claim(table: Table) -> Name:
    return Name(
        identity_number=table.whole("identity_number", 0, (1 << 21) - 1, 0),
        manufacturer_code=table.whole("manufacturer_code", 0, (1 << 11) - 1, (1 << 11) - 1),
        ecu_instance=table.whole("ecu_instance", 0, 7, 0),
        function_instance=table.whole("function_instance", 0, 31, 0),
        function=table.whole("function", 0, 255),
        vehicle_system=table.whole("vehicle_system", 0, 127, 0),
        vehicle_system_instance=table.whole("vehicle_system_instance", 0, 15, 0),
        industry_group=table.whole("industry_group", 0, 7, 0),
        arbitrary_address_capable=table.flag("arbitrary_address", False),
    )


def _rival(table: Table) -> Rival:
    rival = Rival(_claim(table), table.flag("stubborn", False))
    table.close()
    return rival


def _parts(table: Table, key: str, names: tuple[str, ...]) -> tuple[str, ...]:
    parts = table.texts(key, most=len(names))
    if len(parts) not in (0, len(names)):
        table.refuse(key, f"{('four', 'five')[len(names) - 4]} texts: {table.listed(names)}")
    return parts


def _group_rates(table: Table, layout: Layout) -> dict[str, int]:
    rates = {}
    for name in table.own_keys():
        if layout.group(name) is None:
            table.fail(f"unknown group {shown(name)}; allowed: {table.listed(layout.names())}")
        rates[name] = table.whole(name, 10, 60_000) * 1_000_000
    return rates


def _obd(table: Table, layout: Layout) -> Obd:
    """One [ecu.obd]."""
    obd = Obd(
        compliance=table.whole("compliance", 0, 250, 20),
        monitors=_monitors(table.table("monitors")),
        expanded=_expanded(table, layout.lengths()),
        calibrations=tuple(_calibration(part) for part in table.tables("calibration", 20)),
        ratios=tuple(_ratio(part) for part in table.tables("ratio", 100)),
        results=tuple(_result(part) for part in table.tables("result", 100)),
        ignition_cycles=table.whole("ignition_cycles", 0, _HIGHEST_RAW, 0),
        conditions_met=table.whole("conditions_met", 0, _HIGHEST_RAW, 0),
        warm_ups=table.whole("warm_ups", 0, 250, 0),
        km_with_lamp=table.whole("km_with_lamp", 0, _HIGHEST_RAW, 0),
        km_since_clearing=table.whole("km_since_clearing", 0, _HIGHEST_RAW, 0),
        minutes_with_lamp=table.whole("minutes_with_lamp", 0, _HIGHEST_RAW, 0),
        minutes_since_clearing=table.whole("minutes_since_clearing", 0, _HIGHEST_RAW, 0),
    )
    table.close()
    return obd


def _monitors(table: Table) -> dict[str, Monitor]:
    known = (*monitors.CONTINUOUS, *monitors.OTHERS)
    states = {}
    for name in table.own_keys():
        if name not in known:
            table.fail(f"unknown monitor {shown(name)}; allowed: {table.listed(known)}")
        states[name] = Monitor(table.choice(name, [state.value for state in Monitor]))
    return states


def _expanded(table: Table, lengths: Mapping[int, int]) -> tuple[int, ...]:
    content = table.raw("expanded")
    allowed = f"a list of different SPNs of the DBC that take whole bytes, {_MOST_FROZEN_BYTES} bytes in all"
    if content is None:
        return ()
    if not isinstance(content, list):
        table.refuse("expanded", allowed)
    spns = [part for part in content if isinstance(part, int) and not isinstance(part, bool) and part in lengths]
    fit = sum(lengths[spn] for spn in spns) <= _MOST_FROZEN_BYTES
    if len(set(spns)) != len(content) or not fit:
        table.refuse("expanded", allowed)
    return tuple(spns)


def _calibration(table: Table) -> Calibration:
    calibration = Calibration(
        table.text("name", longest=identity.LONGEST_CALIBRATION), table.whole("number", 0, (1 << 32) - 1)
    )
    table.close()
    return calibration


def _ratio(table: Table) -> Ratio:
    ratio = Ratio(
        table.whole("spn", 0, _HIGHEST_SPN), table.whole("numerator", 0, _HIGHEST_RAW),
        table.whole("denominator", 0, _HIGHEST_RAW),
    )
    table.close()
    return ratio


def _result(table: Table) -> TestResult:
    result = TestResult(
        table.whole("spn", 0, _HIGHEST_SPN), table.whole("fmi", 0, 31), table.whole("scaling", 0, _HIGHEST_RAW),
        *(table.whole(key, 0, _HIGHEST_RAW) for key in ("value", "highest", "lowest")),
    )
    table.close()
    return result


def _manners(table: Table) -> Manners:
    """One [ecu.answers]."""
    by_pgn: dict[int, Conduct] = {}
    default = Conduct()
    receiving = Receiving(
        table.choice("receiving", [receiving.value for receiving in Receiving], Receiving.PROPER.value)
    )
    for key in table.own_keys():
        if key == "default":
            default = _conduct(table, key)
        elif key != "receiving":
            by_pgn[_pgn(table, key, by_pgn)] = _conduct(table, key)
    return Manners(default, by_pgn, receiving)


def _pgn(table: Table, key: str, taken: Collection[int]) -> int:
    number = int(key) if key.isascii() and key.isdigit() and len(key) < 8 else _HIGHEST_PGN + 1
    pgn = GROUPS.get(key, number)
    if pgn > _HIGHEST_PGN or pgn in taken:
        table.fail(
            f"unknown or repeated key {shown(key)}; allowed: default, receiving, a PGN once, {table.listed(GROUPS)}"
        )
    return pgn


def _conduct(table: Table, key: str) -> Conduct:
    words = [manner.value for manner in Manner]
    content = table.raw(key)
    if isinstance(content, str) and content in words:
        return Conduct(Manner(content))
    if not isinstance(content, dict):
        table.refuse(key, f"one of {table.listed(words)}, or a table with do, times, delay_ms")
    inner = table.table(key)
    conduct = Conduct(
        Manner(inner.choice("do", words, Manner.ANSWER.value)),
        inner.whole("times", 0, _MOST_TIMES, 0),
        nanoseconds(inner.number("delay_ms", 0, _LONGEST_DELAY_MS, 0) / 1000),
    )
    inner.close()
    return conduct
