"""Readings that agree are let be, one that does not is doubted, and without the right moment there is no verdict.

All thresholds are common practice, no source; the readings' layouts are SAE J1939-71's, by way of the rig.
"""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from faultlamp.capture import Capture
from faultlamp.findings.check import Check, Verdict
from faultlamp.findings.plausibility import plausibility_checks, wanted_groups
from faultlamp.frames import Frame, FrameBlock
from faultlamp.history.history import History
from faultlamp.history.latest import LatestValues
from faultlamp.j1939.readings import Layouts
from faultlamp.knowledge.layouts import load_layouts
from faultlamp.knowledge.plausibility import load_plausibility
from faultlamp.resources import shipped
from faultlamp.rig.generator import generate
from faultlamp.rig.loading import load_scenario
from support.trouble import SECOND, START

RULES = load_plausibility()
OK, DOUBTFUL, NOT_JUDGED = Verdict.OK, Verdict.DOUBTFUL, Verdict.NOT_JUDGED

# A healthy cold 12 V engine: 15 s key on, 3 s cranking, 30 s running, 15 s stopped with the key on.
ENGINE = """
[scenario]
name = "engine"
description = "key on, start, run, stop"
invented = "all of it"

[[ecu]]
name = "engine"
address = 0
claim = {{ function = 0 }}
[ecu.groups]
EEC1 = 50
ET1 = 1000
IC1 = 500
AMB = 1000
EFL_P1 = 500
VEP1 = 1000

[values]
{values}

[[phase]]
name = "key"
kind = "key_on"
duration_s = 15
[phase.values]
{key}
[[phase]]
name = "crank"
kind = "cranking"
duration_s = 3
[phase.values]
190 = 180
[[phase]]
name = "run"
kind = "running"
duration_s = 30
[phase.values]
{run}
[[phase]]
name = "stop"
kind = "key_on"
duration_s = 15
[phase.values]
{stop}
"""
Changes = dict[int, float | str]

VALUES: Changes = {171: 16, 172: 17, 108: 99.5, 106: 100}
KEY: Changes = {190: 0, 110: 15, 175: 14, 174: 15, 105: 17, 102: 0, 100: 0, 168: 12.5, 158: 12.4}
RUN: Changes = {190: 900, 110: 40, 175: 35, 102: 20, 100: 300, 168: 14.1, 158: 14.0, 167: 14.2}
STOP: Changes = {190: 0, 102: 0, 100: 0, 168: 12.6, 158: 12.5}


def lines(values: Changes) -> str:
    """Readings as a scenario has them."""
    return "\n".join(f'{spn} = "{value}"' if isinstance(value, str) else f"{spn} = {value}"
                     for spn, value in values.items())


@pytest.fixture(scope="module")
def layouts() -> Layouts:
    """The shipped parameter groups."""
    return load_layouts([])


@pytest.fixture
def engine(tmp_path: Path) -> Callable[..., list[Frame]]:
    """A function: the frames of the healthy engine with some readings changed, by phase."""

    def frames(
        *, values: Changes | None = None, key: Changes | None = None, run: Changes | None = None,
        stop: Changes | None = None,
    ) -> list[Frame]:
        path = tmp_path / "scenario.toml"
        path.write_text(ENGINE.format(
            values=lines(VALUES | (values or {})), key=lines(KEY | (key or {})), run=lines(RUN | (run or {})),
            stop=lines(STOP | (stop or {})),
        ), encoding="utf-8")
        return list(generate(load_scenario(path), START))

    return frames


def checks_of(frames: list[Frame], layouts: Layouts, *, until_s: float | None = None) -> dict[str, Check]:
    """The checks at the end of the frames, or at a second, by name."""
    history, latest = History(), LatestValues(wanted_groups(layouts, RULES))
    at_ns = frames[-1].time_ns if until_s is None else START + round(until_s * SECOND)
    for frame in frames:
        if frame.time_ns <= at_ns:
            history.feed(frame)
            latest.feed(frame)
    history.advance(at_ns)
    checks = plausibility_checks(latest, history, layouts, at_ns, RULES)
    assert len({check.name for check in checks}) == len(checks)
    return {check.name: check for check in checks}


def test_a_healthy_engine(engine: Callable[..., list[Frame]], layouts: Layouts) -> None:
    """Nothing is doubted and everything is judged."""
    checks = checks_of(engine(), layouts)
    assert {name: check.verdict for name, check in checks.items() if check.verdict is not OK} == {}
    assert len(checks) == 15
    assert checks["coolant temperature"].compared == "15 degC; middle of the 5 others 16 degC"
    assert "whether it ran shortly before is not known" in checks["coolant temperature"].assumed
    assert checks["battery voltage, engine stopped"].why == "12 V system"


WRONG: dict[str, tuple[str, int, str, str]] = {
    # where, spn, value, which check doubts
    "coolant-sensor-reads-high": ("key", 110, "80", "coolant temperature"),
    "oil-sensor-reads-low": ("key", 175, "-20", "oil temperature"),
    "fuel": ("key", 174, "30", "fuel temperature"),
    "intake": ("key", 105, "45", "intake manifold temperature"),
    "air-inlet": ("values", 172, "-35", "air inlet temperature"),
    "ambient": ("values", 171, "60", "ambient temperature"),
    "barometric-too-low": ("values", 108, "30", "barometric pressure"),
    "boost-with-the-engine-stopped": ("stop", 102, "60", "boost pressure, engine stopped"),
    "inlet-far-from-barometric": ("values", 106, "130", "air inlet pressure, engine stopped"),
    "oil-pressure-with-the-engine-stopped": ("stop", 100, "200", "oil pressure, engine stopped"),
    "no-oil-pressure-after-the-start": ("run", 100, "20", "oil pressure after the start"),
    "flat-battery": ("stop", 168, "11.2", "battery voltage, engine stopped"),
    "no-system-shows-this": ("stop", 168, "5", "battery voltage, engine stopped"),
    "not-charging": ("run", 168, "12.4", "charging voltage, engine running"),
    "overcharging": ("run", 167, "15.9", "charging voltage, engine running"),
    "key-switch-loses-voltage": ("stop", 158, "10.8", "key switch and battery voltage"),
    "speed-while-it-stands": ("stop", 190, "10", "engine speed, engine stopped"),
}


# What is compared with a wrong reading cannot agree with it either.
ALSO = {108: {"air inlet pressure, engine stopped"}, 168: {"key switch and battery voltage"}}


@pytest.mark.parametrize(("phase", "spn", "value", "name"), WRONG.values(), ids=WRONG.keys())
def test_one_wrong_reading_is_doubted(
    engine: Callable[..., list[Frame]], layouts: Layouts, phase: str, spn: int, value: str, name: str
) -> None:
    """The check of the wrong reading doubts it and says what was compared and what to do; all others let theirs be."""
    changed = {spn: float(value)}
    if name == "charging voltage, engine running" and float(value) > 15:
        changed |= {168: 15.8, 158: 15.7}
    checks = checks_of(engine(**{phase: changed}), layouts)
    doubted = {each for each, check in checks.items() if check.verdict is DOUBTFUL}
    assert name in doubted
    assert doubted - {name} <= ALSO.get(spn, set())
    check = checks[name]
    assert check.compared
    assert check.threshold
    assert check.advice
    assert check.at_ns is not None


def test_a_turning_speed_that_nothing_turns(engine: Callable[..., list[Frame]], layouts: Layouts) -> None:
    """A speed of 120 rpm for half a minute is no cranking."""
    check = checks_of(engine(run={190: 120}), layouts, until_s=48)["engine speed, engine stopped"]
    assert check.verdict is DOUBTFUL
    assert "120 rpm" in check.compared


def test_a_24_volt_system(engine: Callable[..., list[Frame]], layouts: Layouts) -> None:
    """Recognised by its voltage, and judged by its own limits."""
    volts: dict[str, Changes] = {
        "key": {168: 25, 158: 24.9}, "run": {168: 28.2, 158: 28.1, 167: 28.3}, "stop": {168: 25.2, 158: 25},
    }
    checks = checks_of(engine(**volts), layouts)
    assert checks["battery voltage, engine stopped"].why == "24 V system"
    assert checks["charging voltage, engine running"].verdict is OK
    volts["run"] = {168: 25, 158: 25, 167: "not_available"}
    check = checks_of(engine(**volts), layouts)["charging voltage, engine running"]
    assert (check.verdict, check.why) == (DOUBTFUL, "too low for a 24 V system")


TEMPERATURES = ["coolant temperature", "oil temperature", "fuel temperature", "intake manifold temperature",
                "air inlet temperature", "ambient temperature"]


@pytest.mark.parametrize(
    ("changes", "word"),
    [({110: 60, 175: 58}, "warm still"), ({110: 60, 175: "not_available"}, "warm still"),
     ({110: 39, 175: 42, 174: 30, 105: 33, 172: 32}, "warm still")],
    ids=["coolant-and-oil-are-hot", "coolant-is-hot-and-oil-is-not-there", "two-hours-after-a-run"],
)
def test_a_warm_engine_is_not_judged(
    engine: Callable[..., list[Frame]], layouts: Layouts, changes: Changes, word: str
) -> None:
    """Hot coolant and oil together mean a warm engine, not two bad sensors."""
    checks = checks_of(engine(key=changes), layouts)
    assert {checks[name].verdict for name in TEMPERATURES} == {NOT_JUDGED}
    assert all(word in checks[name].why for name in TEMPERATURES)


def test_one_cold_sensor_is_no_warm_engine(engine: Callable[..., list[Frame]], layouts: Layouts) -> None:
    """An open ambient sensor reads -40 degC; all others agree, so it is that one and not a warm engine."""
    checks = checks_of(engine(values={171: -40}), layouts)
    assert [name for name in TEMPERATURES if checks[name].verdict is not OK] == ["ambient temperature"]


def test_readings_that_agree_on_nonsense(engine: Callable[..., list[Frame]], layouts: Layouts) -> None:
    """Numbers of another scale (15 degC is 59 degF) agree with each other; no machine is that hot after a night."""
    hot: Changes = {110: 59, 175: 58, 174: 59, 105: 62}
    checks = checks_of(engine(values={171: 61, 172: 62}, key=hot), layouts)
    assert {checks[name].verdict for name in TEMPERATURES} == {DOUBTFUL}
    assert checks["ambient temperature"].threshold == "-50 to 57 degC"


@pytest.mark.parametrize("kpa", [70, 55], ids=["3000-m", "5000-m"])
def test_air_is_thin_up_there(engine: Callable[..., list[Frame]], layouts: Layouts, kpa: int) -> None:
    """About 70 kPa at 3000 m and 54 kPa at 5000 m are right (ISO 2533, standard atmosphere, from memory)."""
    checks = checks_of(engine(values={108: kpa, 106: kpa}), layouts)
    assert {check.verdict for check in checks.values()} == {OK}


def test_after_a_run_it_is_not_cold(engine: Callable[..., list[Frame]], layouts: Layouts) -> None:
    """Heard from the run on, the stand after it does not count as cold."""
    frames = [frame for frame in engine() if frame.time_ns > START + 20 * SECOND]
    checks = checks_of(frames, layouts)
    assert {checks[name].verdict for name in TEMPERATURES} == {NOT_JUDGED}
    assert "ran not long before" in checks["coolant temperature"].why
    assert checks["oil pressure after the start"].why == "no start of the engine was seen"


def later(frames: list[Frame], hours: float) -> list[Frame]:
    """The same frames again, so many hours after they began."""
    return [*frames, *(replace(frame, time_ns=frame.time_ns + round(hours * 3600 * SECOND)) for frame in frames)]


@pytest.mark.parametrize(("hours", "verdict"), [(7.9, NOT_JUDGED), (8.1, DOUBTFUL)], ids=["too-short", "long-enough"])
def test_a_night_makes_it_cold_for_certain(
    engine: Callable[..., list[Frame]], layouts: Layouts, hours: float, verdict: Verdict
) -> None:
    """After 8 h of standing hot coolant and oil are no warm engine; before, there is no verdict."""
    checks = checks_of(later(engine(key={110: 60, 175: 58}), hours), layouts)
    assert checks["coolant temperature"].verdict is verdict
    if verdict is DOUBTFUL:
        assert "not run for 8.1 h" in checks["coolant temperature"].assumed


def test_the_engine_is_heard_before_others(engine: Callable[..., list[Frame]], layouts: Layouts) -> None:
    """An engine at another address than 0 is judged by its own readings, not by those of a lower address."""
    history, latest = History(engine_address=17), LatestValues(wanted_groups(layouts, RULES))
    good, bad = engine(), engine(key={110: 80})
    frames = [replace(frame, can_id=frame.can_id + source) for frames, source in ((good, 17), (bad, 3))
              for frame in frames]
    for frame in sorted(frames, key=lambda frame: frame.time_ns):
        history.feed(frame)
        latest.feed(frame)
    checks = plausibility_checks(latest, history, layouts, frames[-1].time_ns, RULES)
    assert {check.name for check in checks if check.verdict is DOUBTFUL} == set()


@pytest.mark.parametrize("state", ["error", "not_available"])
def test_what_is_no_number_is_not_judged(
    engine: Callable[..., list[Frame]], layouts: Layouts, state: str
) -> None:
    """'error' and 'not available' are no values, and the others are judged without them."""
    checks = checks_of(engine(key={110: state}), layouts)
    check = checks["coolant temperature"]
    assert check.verdict is NOT_JUDGED
    assert state.replace("_", " ") in check.why
    assert checks["oil temperature"].verdict is OK


def test_before_the_moment_there_is_no_verdict(engine: Callable[..., list[Frame]], layouts: Layouts) -> None:
    """Five seconds after key on nothing is said about starts and charging."""
    checks = checks_of(engine(), layouts, until_s=5)
    assert checks["oil pressure after the start"].verdict is NOT_JUDGED
    assert checks["charging voltage, engine running"].verdict is NOT_JUDGED
    assert checks["battery voltage, engine stopped"].verdict is OK
    assert checks["oil pressure, engine stopped"].verdict is OK  # after key on there is nothing that would run down
    running = checks_of(engine(run={100: 20}), layouts, until_s=22)["oil pressure after the start"]
    assert (running.verdict, running.why) == (NOT_JUDGED, "the engine has not run long enough yet")


def test_nothing_is_said_of_an_engine_that_is_not_there(layouts: Layouts) -> None:
    """Without a frame of the engine's address there is no check at all."""
    assert plausibility_checks(LatestValues([]), History(), layouts, START, RULES) == []


def test_rows_and_blocks_lead_to_the_same(engine: Callable[..., list[Frame]], layouts: Layouts) -> None:
    """A live watch and a recording of it give the same checks at every moment."""
    frames = engine(key={110: 60})
    for until_s in (3.5, 17, 30, 63):
        history, latest = History(), LatestValues(wanted_groups(layouts, RULES))
        at_ns = START + round(until_s * SECOND)
        heard = [frame for frame in frames if frame.time_ns <= at_ns]
        for first in range(0, len(heard), 97):
            block = FrameBlock.from_frames(heard[first : first + 97])
            history.feed_block(block)
            latest.feed_block(block)
        history.advance(at_ns)
        assert {check.name: check for check in plausibility_checks(latest, history, layouts, at_ns, RULES)} == (
            checks_of(frames, layouts, until_s=until_s)
        )


@pytest.mark.parametrize("name", ["quick-look.log", "pump-set.log.gz", "kernel-j1939.log"])
def test_the_shipped_recordings_raise_no_doubt(layouts: Layouts, name: str) -> None:
    """Their engines are healthy but for the codes: no false alarm."""
    history, latest = History(), LatestValues(wanted_groups(layouts, RULES))
    for block in Capture([str(shipped("captures") / name)]).blocks():
        history.feed_block(block)
        latest.feed_block(block)
    checks = plausibility_checks(latest, history, layouts, history.end_ns or 0, RULES)
    assert checks
    assert [check for check in checks if check.verdict is DOUBTFUL] == []
    if name == "quick-look.log":  # its last stands are too short for a voltage; an earlier one has it
        verdicts = {check.name: check.verdict for check in checks}
        assert verdicts["battery voltage, engine stopped"] is OK
