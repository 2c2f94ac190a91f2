"""Battery and charging voltage: which system it is, and whether it is at rest and charging as it should be.

Rule, common practice, no source: a 12 V system never shows what a 24 V system shows, so the voltage itself tells which
one it is; key switch and battery voltage differ only by what fuses and wires lose.
"""

from __future__ import annotations

from collections.abc import Sequence

from faultlamp.findings.check import Check, Verdict, no_number, not_judged
from faultlamp.findings.samples import Engine, Sampled, Samples, Seen, Stretch, at_standstill
from faultlamp.knowledge.plausibility import BatteryRules, VoltageSystem

_STOPPED, _RUNNING = "battery voltage, engine stopped", "charging voltage, engine running"
_DIFFERENCE = "key switch and battery voltage"
_NO_STAND = "the engine was not seen standing with the key on"


def voltage_checks(samples: Samples, stretches: Sequence[Stretch], rules: BatteryRules) -> list[Check]:
    """At rest, charging, and the loss between battery and key switch."""
    running = _last_run(stretches, rules.settle_ns)
    charging = (
        not_judged(_RUNNING, rules.spns[0], samples.channel, "the engine was not seen running long enough")
        if running is None else _charging(samples, running, rules)
    )
    return [_rest(samples, stretches, rules), charging, _difference(samples, stretches, rules)]


def _rest(samples: Samples, stretches: Sequence[Stretch], rules: BatteryRules) -> Check:
    read = [at_standstill(samples, stretches, spn, 0) for spn in rules.spns]
    heard = [sampled for sampled in read if sampled is not None]
    if not heard:
        return not_judged(_STOPPED, rules.spns[0], samples.channel, _NO_STAND)
    sampled = _best(heard)
    if sampled.value is None:
        return not_judged(_STOPPED, sampled.spn, samples.channel, no_number(sampled))
    system = _system(sampled.value, rules)
    return _against(_STOPPED, samples, sampled, system, system.stopped_v if system else None, rules.stopped_doubt)


def _charging(samples: Samples, stretch: Stretch, rules: BatteryRules) -> Check:
    # The alternator's own reading where there is one, else the battery's: both must be in the range of charging.
    sampled = _first_number(samples, (rules.charging_spn, *rules.spns), stretch)
    if sampled.value is None:
        return not_judged(_RUNNING, sampled.spn, samples.channel, no_number(sampled))
    battery = _first_number(samples, rules.spns, stretch)
    if battery.value is not None and battery.value < sampled.value:
        sampled = battery
    assert sampled.value is not None
    system = _system(sampled.value, rules)
    return _against(_RUNNING, samples, sampled, system, system.running_v if system else None, rules.running_doubt)


def _difference(samples: Samples, stretches: Sequence[Stretch], rules: BatteryRules) -> Check:
    battery_spn, switch_spn = rules.spns[:2]
    asked = f"at most {rules.difference_v:g} V apart"
    battery, switch = (at_standstill(samples, stretches, spn, 0) for spn in (battery_spn, switch_spn))
    if battery is None or switch is None:
        return not_judged(_DIFFERENCE, switch_spn, samples.channel, _NO_STAND, asked)
    if battery.value is None or switch.value is None:
        missing, name = (battery, "battery voltage") if battery.value is None else (switch, "key switch voltage")
        return not_judged(_DIFFERENCE, switch_spn, samples.channel, f"{name}: {no_number(missing)}", asked)
    apart = abs(battery.value - switch.value)
    fits = apart <= rules.difference_v
    return Check(
        _DIFFERENCE, switch_spn, samples.channel, Verdict.OK if fits else Verdict.DOUBTFUL,
        f"{switch.words} at the key switch, {battery.words} battery, engine stopped", asked, f"{apart:.2f} V apart",
        "", "" if fits else rules.difference_doubt, switch.time_ns,
    )


def _against(
    name: str, samples: Samples, sampled: Sampled, system: VoltageSystem | None, limits: tuple[float, float] | None,
    doubt: str,
) -> Check:
    if system is None or limits is None or sampled.value is None:
        return Check(
            name, sampled.spn, samples.channel, Verdict.DOUBTFUL, sampled.words, "a 12 V or 24 V system",
            "no such system shows this voltage", "", doubt, sampled.time_ns,
        )
    asked = f"{limits[0]:g} to {limits[1]:g} V in a {system.name} system"
    if limits[0] <= sampled.value <= limits[1]:
        verdict, why, advice = Verdict.OK, f"{system.name} system", ""
    else:
        low = sampled.value < limits[0]
        verdict, why, advice = Verdict.DOUBTFUL, f"too {'low' if low else 'high'} for a {system.name} system", doubt
    return Check(name, sampled.spn, samples.channel, verdict, sampled.words, asked, why, "", advice, sampled.time_ns)


def _system(voltage_v: float, rules: BatteryRules) -> VoltageSystem | None:
    return next((system for system in rules.systems if system.lowest_v <= voltage_v <= system.highest_v), None)


def _first_number(samples: Samples, spns: Sequence[int], stretch: Stretch) -> Sampled:
    """The first of the readings that is a number at the stretch's end."""
    return _best([samples.at(spn, stretch.end_ns, stretch.start_ns) for spn in spns])


def _best(read: Sequence[Sampled]) -> Sampled:
    """The first number; where none is, what the first one heard is."""
    heard = next((sampled for sampled in read if sampled.seen is not Seen.NEVER), read[0])
    return next((sampled for sampled in read if sampled.value is not None), heard)


def _last_run(stretches: Sequence[Stretch], least_ns: int) -> Stretch | None:
    """The latest stretch in which the engine ran that long."""
    return next(
        (each for each in reversed(stretches)
         if each.engine is Engine.RUNNING and each.end_ns - each.start_ns >= least_ns),
        None,
    )
