"""Do the readings of an engine agree with each other? Asked before a sensor is believed or blamed.

Rule, common practice, no source: with the key on and the engine stopped many readings have a value that everybody
knows: temperatures that of the air, oil and boost pressure none, the battery its own voltage. After a start oil
pressure and charging voltage rise. All thresholds are data. A pure function of the latest values and the history: the
same frames give the same checks, live, replayed or read at once.
"""

from __future__ import annotations

from collections.abc import Sequence

from faultlamp.findings.check import Check, Verdict, no_number, not_judged
from faultlamp.findings.cold import cold_checks
from faultlamp.findings.samples import Engine, Samples, Stretch, at_standstill, engine_stretches, standing
from faultlamp.findings.voltages import voltage_checks
from faultlamp.history.history import History
from faultlamp.history.latest import LatestValues
from faultlamp.j1939.readings import Layouts
from faultlamp.knowledge.plausibility import EngineRules, LimitRules, OilRules, PlausibilityRules

_NS_PER_S = 1_000_000_000
_NO_STAND = "the engine was not seen standing with the key on"


def plausibility_checks(
    latest: LatestValues, history: History, layouts: Layouts, at_ns: int, rules: PlausibilityRules
) -> list[Check]:
    """All checks as they stand at `at_ns`, for each channel on which the engine's address talks.

    latest: fed with at least the groups of `wanted_groups`, and made anew when the clock steps back.
    """
    checks: list[Check] = []
    for channel in sorted(history.key_cycles):
        samples = Samples(latest, layouts, channel, history.engine_address, at_ns)
        stretches = engine_stretches(samples, history, rules.engine)
        checks += cold_checks(samples, history, stretches, rules.cold)
        checks.append(_barometric(samples, rules.barometric))
        checks.append(_boost(samples, stretches, rules.boost))
        checks.append(_inlet(samples, stretches, rules.inlet, rules.barometric.spn))
        checks.append(_oil_stopped(samples, stretches, rules.oil))
        checks.append(_oil_rises(samples, stretches, rules.oil))
        checks += voltage_checks(samples, stretches, rules.battery)
        checks.append(_speed_zero(samples, stretches, rules.engine))
    return checks


def wanted_groups(layouts: Layouts, rules: PlausibilityRules) -> frozenset[int]:
    """The parameter groups that the checks look at."""
    spns = {
        rules.engine.speed_spn, *rules.cold.names, rules.barometric.spn, rules.boost.spn, rules.inlet.spn,
        rules.oil.spn, *rules.battery.spns, rules.battery.charging_spn,
    }
    return frozenset(group.pgn for spn in spns for group, _ in layouts.places(spn))


def _barometric(samples: Samples, rules: LimitRules) -> Check:
    name, channel = "barometric pressure", samples.channel
    asked = f"{rules.lowest_kpa:g} to {rules.highest_kpa:g} kPa"
    sampled = samples.at(rules.spn, samples.at_ns)
    numbers = samples.numbers(rules.spn, 0, samples.at_ns)
    # After key off the last number still stands: the pressure of the air does not change with the key.
    if sampled.value is None and (not numbers or sampled.time_ns is None or numbers[-1][0] < sampled.time_ns):
        return not_judged(name, rules.spn, channel, no_number(sampled), asked)
    time_ns, value = numbers[-1]
    fits = rules.lowest_kpa <= value <= rules.highest_kpa
    return _verdict(name, rules.spn, samples, fits, f"{value:.4g} kPa", asked, rules.doubt, time_ns)


def _boost(samples: Samples, stretches: Sequence[Stretch], rules: LimitRules) -> Check:
    name, asked = "boost pressure, engine stopped", f"at most {rules.highest_kpa:g} kPa above the air"
    sampled = at_standstill(samples, stretches, rules.spn, rules.settle_ns)
    if sampled is None or sampled.value is None:
        why = no_number(sampled) if sampled else _NO_STAND
        return not_judged(name, rules.spn, samples.channel, why, asked)
    fits = sampled.value <= rules.highest_kpa
    return _verdict(name, rules.spn, samples, fits, sampled.words, asked, rules.doubt, sampled.time_ns)


def _inlet(samples: Samples, stretches: Sequence[Stretch], rules: LimitRules, barometric_spn: int) -> Check:
    name, asked = "air inlet pressure, engine stopped", f"within {rules.highest_kpa:g} kPa of the barometric pressure"
    inlet = at_standstill(samples, stretches, rules.spn, rules.settle_ns)
    if inlet is None or inlet.value is None or inlet.time_ns is None:
        why = no_number(inlet) if inlet else _NO_STAND
        return not_judged(name, rules.spn, samples.channel, why, asked)
    barometric = samples.at(barometric_spn, inlet.time_ns + _NS_PER_S)
    if barometric.value is None:
        why = f"barometric pressure: {no_number(barometric)}"
        return not_judged(name, rules.spn, samples.channel, why, asked)
    fits = abs(inlet.value - barometric.value) <= rules.highest_kpa
    compared = f"{inlet.words}; barometric {barometric.words}"
    return _verdict(name, rules.spn, samples, fits, compared, asked, rules.doubt, inlet.time_ns)


def _oil_stopped(samples: Samples, stretches: Sequence[Stretch], rules: OilRules) -> Check:
    name, asked = "oil pressure, engine stopped", f"at most {rules.stopped_kpa:g} kPa"
    sampled = at_standstill(samples, stretches, rules.spn, rules.drain_ns)
    if sampled is None or sampled.value is None:
        why = no_number(sampled) if sampled else f"{_NO_STAND} long enough"
        return not_judged(name, rules.spn, samples.channel, why, asked)
    fits = sampled.value <= rules.stopped_kpa
    return _verdict(name, rules.spn, samples, fits, sampled.words, asked, rules.stopped_doubt, sampled.time_ns)


def _oil_rises(samples: Samples, stretches: Sequence[Stretch], rules: OilRules) -> Check:
    name = "oil pressure after the start"
    asked = f"at least {rules.running_kpa:g} kPa within {rules.rise_ns / _NS_PER_S:g} s"
    starts = [stretch for stretch in stretches if stretch.engine is Engine.RUNNING and stretch.follows]
    if not starts:
        return not_judged(name, rules.spn, samples.channel, "no start of the engine was seen", asked)
    start = starts[-1]
    stop_ns = min(start.end_ns, start.start_ns + rules.rise_ns)
    numbers = samples.numbers(rules.spn, start.start_ns, stop_ns)
    if not numbers:
        return not_judged(name, rules.spn, samples.channel, no_number(samples.at(rules.spn, stop_ns)), asked)
    time_ns, highest = max(numbers, key=lambda number: number[1])
    compared = f"{highest:.4g} kPa at most in {(stop_ns - start.start_ns) / _NS_PER_S:.0f} s from the start"
    if highest < rules.running_kpa and start.end_ns < start.start_ns + rules.rise_ns:
        return not_judged(name, rules.spn, samples.channel, "the engine has not run long enough yet", asked)
    fits = highest >= rules.running_kpa
    return _verdict(name, rules.spn, samples, fits, compared, asked, rules.running_doubt, time_ns)


def _speed_zero(samples: Samples, stretches: Sequence[Stretch], rules: EngineRules) -> Check:
    name, asked = "engine speed, engine stopped", "0 rpm"
    stand = next(standing(stretches, rules.settle_ns), None)
    turning = [
        stretch for stretch in stretches
        if stretch.engine is Engine.TURNING and stretch.end_ns - stretch.start_ns > rules.longest_cranking_ns
    ]
    if turning and (stand is None or turning[-1].start_ns > stand[0].start_ns):
        lasted = (turning[-1].end_ns - turning[-1].start_ns) / _NS_PER_S
        compared = f"{turning[-1].last_rpm:.0f} rpm, below a running engine's speed, for {lasted:.0f} s"
        return _verdict(name, rules.speed_spn, samples, False, compared, asked, rules.zero_doubt, turning[-1].end_ns)
    if stand is None:
        return not_judged(name, rules.speed_spn, samples.channel, _NO_STAND, asked)
    speed = stand[0].last_rpm
    return _verdict(
        name, rules.speed_spn, samples, speed == 0, f"{speed:g} rpm", asked, rules.zero_doubt, stand[0].end_ns
    )


def _verdict(
    name: str, spn: int, samples: Samples, fits: bool, compared: str, asked: str, doubt: str, at_ns: int | None
) -> Check:
    verdict, why, advice = (Verdict.OK, "as it should be", "") if fits else (Verdict.DOUBTFUL, f"not {asked}", doubt)
    return Check(name, spn, samples.channel, verdict, compared, asked, why, "", advice, at_ns)
