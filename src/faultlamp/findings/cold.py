"""Temperatures of a cold engine: key on, not started yet, all of them near each other.

Rule, common practice, no source: after hours of standing every part has the temperature of the air. A run before the
listening began cannot be excluded; but coolant and oil stay warm together, so when both lie above the air the engine
is taken for warm, and when one of them does alone, that one is doubtful.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from statistics import median

from faultlamp.findings.check import Check, Verdict, no_number, not_judged
from faultlamp.findings.samples import Engine, Sampled, Samples, Seen, Stretch
from faultlamp.history.history import History
from faultlamp.knowledge.plausibility import ColdRules


def cold_checks(samples: Samples, history: History, stretches: Sequence[Stretch], rules: ColdRules) -> list[Check]:
    """One check for each temperature."""
    channel = samples.channel
    asked = f"within {rules.tolerance_degc:g} degC of the others"
    stand = _cold_stand(samples, history, stretches, rules)
    if isinstance(stand, str):
        return [not_judged(name, spn, channel, stand, asked) for spn, name in rules.names.items()]
    stretch, assumed, surely_cold = stand
    read = {spn: samples.at(spn, stretch.end_ns, stretch.start_ns) for spn in rules.names}
    numbers = {spn: sampled.value for spn, sampled in read.items() if sampled.value is not None}
    air = [value for spn, value in numbers.items() if spn not in rules.hot_spns]
    hot = {spn: numbers[spn] for spn in rules.hot_spns if spn in numbers}
    above = [spn for spn, value in hot.items() if air and value - median(air) > rules.warm_degc]
    if not surely_cold and hot and (len(above) == len(hot) or _cools_down(hot, numbers, rules)):
        values = ", ".join(f"{rules.names[spn]} {read[spn].words}" for spn in hot)
        why = f"the engine seems to be warm still ({values}; air {median(air):.4g} degC): let it stand for hours"
        return [not_judged(name, spn, channel, why, asked) for spn, name in rules.names.items()]
    return [
        _check(spn, read[spn], numbers, rules, channel, asked, assumed, stretch.end_ns) for spn in rules.names
    ]


def _cools_down(hot: Mapping[int, float], numbers: Mapping[int, float], rules: ColdRules) -> bool:
    """Whether it looks like an engine some hours after a run: the air around it is warm too, but for the ambient air.

    Coolant and oil are the warmest and far above the coldest; without the coldest the others still do not agree, else
    that one alone would be wrong.
    """
    cooler = sorted(value for spn, value in numbers.items() if spn not in hot)
    if len(cooler) < 2 or min(hot.values()) < cooler[-1] or min(hot.values()) - cooler[0] <= rules.warm_degc:
        return False
    rest = [*cooler[1:], *hot.values()]
    return max(rest) - min(rest) > rules.tolerance_degc


def _check(
    spn: int, sampled: Sampled, numbers: Mapping[int, float], rules: ColdRules, channel: str, asked: str,
    assumed: str, at_ns: int,
) -> Check:
    name = rules.names[spn]
    if sampled.seen is not Seen.NUMBER or sampled.value is None:
        return not_judged(name, spn, channel, no_number(sampled), asked)
    others = {other: value for other, value in numbers.items() if other != spn}
    if len(numbers) < rules.least:
        return not_judged(
            name, spn, channel,
            f"{len(numbers)} temperature{' has' if len(numbers) == 1 else 's have'} a number, it takes {rules.least} "
            "to tell", asked,
        )
    if not rules.lowest_degc <= sampled.value <= rules.highest_degc and all(
        not rules.lowest_degc <= value <= rules.highest_degc for value in others.values()
    ):
        # They agree with each other and all are wrong: another unit, or a shared return wire.
        asked = f"{rules.lowest_degc:g} to {rules.highest_degc:g} degC"
        return Check(
            name, spn, channel, Verdict.DOUBTFUL, sampled.words, asked, "no machine at rest has that temperature",
            assumed, rules.doubt, at_ns,
        )
    middle = median(others.values())
    compared = f"{sampled.words}; middle of the {len(others)} others {middle:.4g} degC"
    off = abs(sampled.value - middle)
    if off <= rules.tolerance_degc:
        return Check(name, spn, channel, Verdict.OK, compared, asked, f"{off:.2g} degC apart", assumed, at_ns=at_ns)
    return Check(
        name, spn, channel, Verdict.DOUBTFUL, compared, asked, f"{off:.3g} degC apart", assumed, rules.doubt, at_ns
    )


def _cold_stand(
    samples: Samples, history: History, stretches: Sequence[Stretch], rules: ColdRules
) -> tuple[Stretch, str, bool] | str:
    """The latest time the engine stood cold with the key on, what is assumed, whether that is certain; or why not."""
    stands = [stretch for stretch in stretches if stretch.engine is Engine.STOPPED]
    if not stands:
        return "the engine was not seen standing with the key on" if stretches else "no engine speed was heard"
    if history.clock_steps:
        return "the clock stepped back: how long the engine has stood is not known"
    cycles = history.key_cycles.get(samples.channel)
    runs = [stretch.end_ns for stretch in stretches if stretch.engine is Engine.RUNNING]
    runs += [cycle.last_ns for cycle in cycles.cycles if cycle.engine_ran and cycle.over] if cycles else []
    for stand in reversed(stands):
        earlier = [end_ns for end_ns in runs if end_ns <= stand.start_ns]
        if not earlier:
            return stand, "cold: not run since the listening began; whether it ran shortly before is not known", False
        if earlier and stand.start_ns - max(earlier) >= rules.soak_ns:
            hours = (stand.start_ns - max(earlier)) / 3.6e12
            return stand, f"cold: not run for {hours:.1f} h", True
    return "the engine ran not long before: it must have stood for hours"
