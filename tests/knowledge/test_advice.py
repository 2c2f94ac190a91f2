"""The shipped causes and test steps, and what a knowledge file is refused for.

The content is common practice, no source; what is checked of it is that it is complete, safe and in order.
"""

import re
import shutil
from pathlib import Path

import pytest

from faultlamp.errors import DataFileError
from faultlamp.knowledge import advice
from faultlamp.knowledge.advice import Course, Step, load_advice, shipped_advice
from faultlamp.knowledge.explanation import explanation
from faultlamp.knowledge.names import spn_name
from faultlamp.knowledge.tables import number_table

DATA = Path(advice.__file__).parent / "data"
FILES = ("cautions.toml", "test_steps.toml", "failure_families.toml", "component_families.toml", "systems.toml")
KEY_OFF = "Key off"

# Every course that anybody can be shown, with a readable name.
COURSES: list[tuple[str, Course]] = [
    (family.key, family.course) for family in shipped_advice().failures
] + [
    (f"{family.key}-{failure}", course)
    for family in (*shipped_advice().components, *shipped_advice().systems)
    for failure, course in family.courses.items()
]
STEPS: dict[str, Step] = {step.key: step for _, course in COURSES for step in course.steps}


@pytest.mark.parametrize("fmi", range(32))
def test_every_failure_mode_belongs_to_one_family(fmi: int) -> None:
    """There are 32 failure modes (SAE J1939-73, appendix A, section from memory); each has causes and steps."""
    assert sum(fmi in family.fmis for family in shipped_advice().failures) == 1
    course = shipped_advice().failure(fmi).course
    assert course.causes
    assert course.steps


# Pairs that must not be tested alike; the meaning of the FMI is that of SAE J1939-73, appendix A.
@pytest.mark.parametrize(("fmi", "key"), [
    (0, "value_above"), (15, "value_above"), (16, "value_above"), (1, "value_below"), (17, "value_below"),
    (18, "value_below"), (2, "erratic"), (3, "voltage_high"), (4, "voltage_low"), (5, "current_low"),
    (6, "current_high"), (7, "mechanical"), (8, "frequency"), (9, "update_rate"), (10, "rate_of_change"),
    (11, "root_cause_unknown"), (12, "bad_device"), (13, "calibration"), (14, "special_instructions"),
    (19, "network_data"), (20, "drift"), (21, "drift"), (22, "reserved"), (30, "reserved"), (31, "condition_exists"),
])
def test_families_follow_the_meaning(fmi: int, key: str) -> None:
    """The family of a failure mode is that of its published meaning."""
    assert shipped_advice().failure(fmi).key == key


@pytest.mark.parametrize("fmi", [-1, 32])
def test_a_failure_mode_has_five_bits(fmi: int) -> None:
    """There is no family outside 0 to 31."""
    with pytest.raises(ValueError, match=f"FMI {fmi} is outside"):
        shipped_advice().failure(fmi)


@pytest.mark.parametrize(("name", "course"), COURSES, ids=[name for name, _ in COURSES])
def test_every_course_is_of_use(name: str, course: Course) -> None:
    """Several causes, several steps, other codes looked at early, and it ends with the proof of the repair."""
    keys = [step.key for step in course.steps]
    assert len(course.causes) >= (1 if name == "reserved" else 3)
    assert 5 <= len(keys) <= 12
    assert "other_codes" in keys[:2]
    assert keys[-1] == "prove_repair"
    assert keys.index("controller_last") >= len(keys) - 3 if "controller_last" in keys else True


@pytest.mark.parametrize("step", STEPS.values(), ids=STEPS)
def test_cautions_stand_before_what_needs_them(step: Step) -> None:
    """Told here in other words than in the file: connectors, running engines, injection, hot coolant, DEF, bridges."""
    words = f"{step.do} {step.otherwise}".lower()
    cautions = " ".join(step.cautions)
    for needle, caution in {
        r"\bunplug|\bplugs?\b|disconnect|both ends off": KEY_OFF,
        r"engine running|run the engine|crank the engine": "clear",
        r"injection line|rail pressure|high-pressure pump": "1000 bar",
        r"filler cap|cap's pressure": "scalds",
        r"def line|def tank|dosing valve out": "DEF lines hold pressure",
        r"\bbridge\b": "fused lead",
        r"battery poles?": "spark",
        r"air tank": "Air tanks",
        r"injector connector|injector wires": "never touch or probe",
    }.items():
        if re.search(needle, words):
            assert caution in cautions, needle


@pytest.mark.parametrize(("bridge", "before"), [
    ("bridge_to_return", "signal_unplugged"), ("ntc_bridge", "ntc_pull_up"), ("bridge_to_supply", "supply_5v"),
])
def test_volts_are_measured_before_a_wire_is_bridged(bridge: str, before: str) -> None:
    """A signal wire that carries battery voltage would burn the controller's return (common practice)."""
    bridged = 0
    for name, course in COURSES:
        keys = [step.key for step in course.steps]
        if bridge in keys:
            bridged += 1
            assert before in keys[: keys.index(bridge)], name
    assert bridged


@pytest.mark.parametrize("step", STEPS.values(), ids=STEPS)
def test_every_step_says_what_good_looks_like(step: Step) -> None:
    """A sentence to do, a sentence of what is right, and what follows when it is not."""
    for text in (step.do, step.good, step.otherwise or "."):
        assert text[-1] in ".?"
        assert text[0].isupper() or text[0].isdigit() or text[0] in "'"
    assert step.otherwise


# Common practice: no gauge, no loosening on the high-pressure side.
@pytest.mark.parametrize("spn", [156, 157, 164, 1349, 5585])
@pytest.mark.parametrize("fmi", range(32))
def test_nobody_is_sent_to_open_the_rail(spn: int, fmi: int) -> None:
    """No step for the injection pressure unscrews a sensor or fits a gauge; the caution holds for all of them."""
    keys = {step.key for step in shipped_advice().course(spn, fmi).steps}
    assert not keys & {"mechanical_gauge", "port_blocked"}
    component = shipped_advice().component(spn)
    assert component is not None
    assert any("1000 bar" in text for text in component.cautions)


# Common practice; the families that a technician would expect. Names: SAE J1939-71 as commonly published.
@pytest.mark.parametrize(("spn", "component", "system"), [
    (110, "temperature_sensor", "coolant_temperature"), (100, "pressure_sensor", "oil_pressure"),
    (157, "rail_pressure_sensor", "injection_pressure"), (190, "speed_sensor", "engine_overspeed"),
    (132, "mass_flow", None), (91, "position_sensor", None), (111, "level_sensor", "coolant_level_and_pressure"),
    (597, "switch", None), (651, "injector", None), (677, "relay", "starter"), (729, "heater", None),
    (3509, "supply_line", None), (168, "battery_supply", "battery_voltage"), (639, "network", None),
    (2000, "node", None), (2253, "node", None), (629, "controller", None), (3226, "gas_sensor", "scr"),
    (3251, "differential_pressure_sensor", "particulate_filter"), (1761, "level_sensor", "def_level"),
    (4354, "heater", "def_heating"), (1569, "computed_value", "engine_protection"), (1323, None, "misfire"),
    (3242, "exhaust_temperature_sensor", "exhaust_temperature"), (84, "shaft_speed_sensor", None),
    (676, "relay", None), (608, "serial_link", None), (5246, "computed_value", "inducement"),
    (108, "pressure_sensor", "barometric_pressure"), (2791, "motor_actuator", "egr"),
    (1999, None, None), (2254, None, None), (520200, None, None),
])
def test_parameters_belong_to_the_right_families(spn: int, component: str | None, system: str | None) -> None:
    """A sample of every kind, and numbers that nobody knows."""
    found = shipped_advice().component(spn), shipped_advice().system(spn)
    assert [family and family.key for family in found] == [component, system]

# What the failure mode means (SAE J1939-73, appendix A) decides what is looked at first; the rest is common practice.
@pytest.mark.parametrize(("spn", "fmi", "first_cause", "has", "has_not"), [
    pytest.param(3251, 18, "Hose", "dpf_outlet_look", "dpf_regenerate", id="too-little-pressure-is-no-soot"),
    pytest.param(3251, 0, "Soot", "dpf_loads", "dpf_outlet_look", id="too-much-pressure-is"),
    pytest.param(3246, 0, "Overload", "egt_compare", "dpf_regenerate", id="a-hot-filter-is-not-regenerated"),
    pytest.param(3364, 0, "Fluid too strong", "def_quality", "def_quantity", id="too-strong-is-not-weak"),
    pytest.param(1761, 0, "Filled over", "def_level_eye", "def_lines", id="too-full-is-not-empty"),
    pytest.param(3216, 13, "Replaced", "teach_in", "gas_leaks", id="out-of-calibration"),
    pytest.param(5246, 15, "DEF tank low", "derate_lead", "gas_compare", id="an-inducement-follows"),
    pytest.param(5246, 31, "DEF tank low", "derate_lead", "inspect_connector", id="an-inducement-has-no-plug"),
    pytest.param(2000, 19, "That controller talks", "sender_own_codes", "split_bus", id="who-says-error-is-alive"),
    pytest.param(639, 19, "A node that talks", "sender_own_codes", "split_bus", id="bad-data-on-a-network"),
    pytest.param(608, 9, "No partner", "sender_power", "termination", id="a-serial-link-has-no-terminators"),
    pytest.param(190, 9, "The sender", "who_talks", "speed_resistance", id="a-late-message-is-no-coil"),
    pytest.param(84, 0, "The speed is real", "is_it_real", "speed_signal", id="a-speed-that-is-real"),
    pytest.param(84, 8, "Gap", "shaft_speed_signal", "speed_signal", id="a-wheel-is-not-cranked"),
    pytest.param(190, 1, "Overloaded", "is_it_real", "speed_signal", id="an-engine-that-is-lugged"),
    pytest.param(4374, 8, "Bad contact", "smart_supply", "speed_tip", id="a-pump-motor-has-no-tooth-wheel"),
    pytest.param(108, 1, "Vent", "baro_compare", "mechanical_gauge", id="no-gauge-for-the-air"),
    pytest.param(1136, 0, "Heat", "is_it_real", "signal_in_range", id="a-controller-that-is-hot"),
    pytest.param(1136, 3, "Battery low", "controller_feed", "signal_unplugged", id="a-sensor-inside-the-controller"),
    pytest.param(110, 13, "Added resistance", "cold_compare", "sweep_position", id="a-temperature-has-no-stops"),
    pytest.param(1569, 13, "A reading", "inputs_of_value", "sweep_position", id="a-derate-has-no-stops"),
    pytest.param(2602, 1, "Level", "hydraulic_oil", "cooling_air", id="a-level-is-no-cooler"),
    pytest.param(110, 31, "Too hot", "cooling_air", "inspect_connector", id="a-condition-may-be-either-end"),
])
def test_the_failure_mode_decides_where_to_look(
    spn: int, fmi: int, first_cause: str, has: str, has_not: str
) -> None:
    """The first cause fits the pair; a step that helps is there and one that makes no sense is not."""
    course = shipped_advice().course(spn, fmi)
    keys = {step.key for step in course.steps}
    assert course.causes[0].startswith(first_cause)
    assert has in keys
    assert has_not not in keys


@pytest.mark.parametrize("spn", [*list(number_table("spn_names.csv"))[::7], 520200, 60000])
def test_special_instructions_send_to_the_makers_text(spn: int) -> None:
    """FMI 14 says no more than 'see the maker's text' (SAE J1939-73, appendix A): a step near the top says so."""
    keys = [step.key for step in shipped_advice().course(spn, 14).steps]
    assert "maker_text" in keys[:4]


@pytest.mark.parametrize("spn", [626, 677, 1804])
def test_a_starter_may_crank(spn: int) -> None:
    """Whoever works at a starter relay is told that it may turn the engine (common practice)."""
    for fmi in range(32):
        assert any("turn" in text for text in explanation(spn, fmi).cautions)


def test_the_families_cover_the_named_parameters() -> None:
    """At least 95 of 100 named parameters have a family, and no family has a number without a name."""
    known = shipped_advice()
    named = list(number_table("spn_names.csv"))
    covered = [spn for spn in named if known.component(spn) or known.system(spn)]
    assert len(covered) >= 0.95 * len(named)
    for family in (*known.components, *known.systems):
        assert [spn for some in family.spns for spn in some if spn_name(spn) is None] == []


def test_the_system_goes_before_the_component_before_the_failure() -> None:
    """Low oil pressure is about oil, its voltage about the sensor, an unknown number about the failure alone."""
    known = shipped_advice()
    assert known.course(100, 1).steps[0].key == "stop_and_oil"
    assert known.course(100, 3) == known.component(100).courses["voltage_high"]  # type: ignore[union-attr]
    assert known.course(520200, 3) == known.failure(3).course
    assert known.course(110, 3).steps != known.course(100, 3).steps


def test_a_temperature_sensor_reads_the_other_end_when_bridged() -> None:
    """The standing test of a two-wire sensor (common practice): shorting it must read hot and give FMI 4."""
    bridge = next(step for step in shipped_advice().course(110, 3).steps if step.key == "ntc_bridge")
    assert "FMI 4" in bridge.good
    assert any("fused lead" in text for text in bridge.cautions)
    assert "FMI 3" in next(step for step in shipped_advice().course(110, 4).steps if step.key == "ntc_unplug").good


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """The shipped files, to be spoiled."""
    for name in FILES:
        shutil.copy(DATA / name, tmp_path / name)
    return tmp_path


def spoil(folder: Path, name: str, before: str, after: str) -> None:
    """Replace the first such text in a file."""
    text = (folder / name).read_text(encoding="utf-8")
    assert before in text
    (folder / name).write_text(text.replace(before, after, 1), encoding="utf-8")


def test_the_copy_is_right(folder: Path) -> None:
    """The unspoiled files load, so that what the next test refuses is the spoiling."""
    assert load_advice(folder) == shipped_advice()


@pytest.mark.parametrize(("name", "before", "after", "complaint"), [
    pytest.param("failure_families.toml", "schema = 1", "schema = 2", r"top level: schema = 2; allowed: .*1 to 1",
                 id="another-schema"),
    pytest.param("failure_families.toml", 'source = "common', 'sauce = "common', r"top level: source is missing",
                 id="no-source"),
    pytest.param("failure_families.toml", "fmis = [3]", "fmis = [4]", r"\[\[family\]\] 5: fmis has 4, which belongs to",
                 id="fmi-twice"),
    pytest.param("failure_families.toml", "fmis = [3]", "fmis = [33]", r"\[\[family\]\] 4: fmis has 33; allowed",
                 id="fmi-too-high"),
    pytest.param("failure_families.toml", "fmis = [0, 15, 16]", "fmis = [0, 16]",
                 r"\[\[family\]\] 1, \[\[note\]\] 2: fmi = 15", id="note-of-a-stranger"),
    pytest.param("failure_families.toml", "fmis = [22, 23,", "fmis = [23,", r"top level: no family has FMI 22",
                 id="fmi-missing"),
    pytest.param("failure_families.toml", "causes = [", "cause = [", r"\[\[family\]\] 1: causes is missing",
                 id="no-causes"),
    pytest.param("failure_families.toml", 'title = "Real value too high"', 'title = ""', r"title = ''; allowed",
                 id="empty-title"),
    pytest.param("failure_families.toml", 'title = "Real value too high"', "title = 3", r"title = 3; allowed: one line",
                 id="title-a-number"),
    pytest.param("failure_families.toml", '"is_it_real"', '"is_it_rael"', r"steps has 'is_it_rael', which test_steps",
                 id="step-misspelled"),
    pytest.param("failure_families.toml", 'key = "value_above"', 'key = "Value above"', r"key = 'Value above'; allowed",
                 id="key-with-blank"),
    pytest.param("failure_families.toml", 'key = "value_below"', 'key = "value_above"', r"there already",
                 id="key-twice"),
    pytest.param("failure_families.toml", "summary = ", "colour = 3\nsummary = ", r"unknown key 'colour'; allowed: ",
                 id="unknown-key"),
    pytest.param("component_families.toml", "spns = [132]", "spns = [132, 110]", r"spns of .* has 110, which .* has",
                 id="spn-in-two-families"),
    pytest.param("component_families.toml", "spns = [132]", 'spns = [132, "140-133"]', r"spns has '140-133'; allowed",
                 id="range-backwards"),
    pytest.param("component_families.toml", "spns = [132]", "spns = [524288]", r"spns has 524288; allowed: .*524287",
                 id="spn-too-high"),
    pytest.param("component_families.toml", "spns = [132]", "spns = []", r"spns = \[\]; allowed", id="no-spns"),
    pytest.param("component_families.toml", 'failures = ["voltage_high"]', 'failures = ["voltage_hi"]',
                 r"\[\[family\]\] \d+, \[\[refine\]\] 1: failures has 'voltage_hi'", id="failure-misspelled"),
    pytest.param("component_families.toml", 'failures = ["voltage_low"]', 'failures = ["voltage_high"]',
                 r"failures has voltage_high, which this family has already", id="failure-twice"),
    pytest.param("systems.toml", 'cautions = ["hot"]', 'cautions = ["warm"]', r"cautions has 'warm'; allowed: a list",
                 id="caution-misspelled"),
    pytest.param("test_steps.toml", 'cautions = ["key_off"]\ndo = "Unplug the connector', 'do = "Unplug the connector',
                 r"\[\[step\]\] \d+: the step inspect_connector says 'Unplug', so cautions must have key_off",
                 id="unplug-without-key-off"),
    pytest.param("test_steps.toml", 'key = "other_codes"', 'key = "never_used"', r"other_codes", id="step-gone"),
    pytest.param("test_steps.toml", "[[step]]", '[[step]]\nkey = "spare"\ndo = "Look."\ngood = "Good."\n[[step]]',
                 r"the step spare is used in no family", id="step-unused"),
    pytest.param("cautions.toml", "needed_for = ['\\bbridge\\b']", "needed_for = ['(']", r"needed_for = .*regular",
                 id="no-expression"),
    pytest.param("cautions.toml", 'covers = ["key_off"]', 'covers = ["battery"]', r"covers has 'battery'",
                 id="covers-one-below"),
    pytest.param("cautions.toml", "schema = 1", "schema = ", r"not a TOML file: .*line 4", id="no-toml"),
    pytest.param("cautions.toml", "[[caution]]", "[caution]", r"not a TOML file", id="table-and-array"),
    pytest.param("cautions.toml", "Key off before", "Key \\u001b[31m off before", r"text = 'Key .x1b", id="escape"),
])
def test_a_mistake_is_named(folder: Path, name: str, before: str, after: str, complaint: str) -> None:
    """File, table, key and what is allowed stand in one line without control characters."""
    spoil(folder, name, before, after)
    with pytest.raises(DataFileError, match=complaint) as caught:
        load_advice(folder)
    message = str(caught.value)
    assert message.startswith(str(folder))
    assert message.isprintable()


@pytest.mark.parametrize("name", FILES)
def test_a_missing_file_is_named(folder: Path, name: str) -> None:
    """One line with the path."""
    (folder / name).unlink()
    with pytest.raises(DataFileError, match=rf"{re.escape(name)}: cannot read the file: No such file"):
        load_advice(folder)


@pytest.mark.parametrize("content", [b"\xff\xfe", b"a = " + b"[" * 5000, b"x = 1" + b"0" * 10000], ids=[
    "no-utf8", "deep-nesting", "endless-number",
])
def test_rubbish_is_one_line(folder: Path, content: bytes) -> None:
    """Whatever the bytes, the complaint is a DataFileError."""
    (folder / "systems.toml").write_bytes(content)
    with pytest.raises(DataFileError, match="systems"):
        load_advice(folder)
