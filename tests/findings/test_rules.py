"""The data files of the findings: what ships is whole, and whatever is wrong in one ends in a line that says where."""

import re
from pathlib import Path
from string import Formatter

import pytest

from faultlamp.errors import DataFileError
from faultlamp.knowledge import plausibility, shared_causes
from faultlamp.knowledge.layouts import load_layouts
from faultlamp.knowledge.names import fmi_meaning, spn_name
from faultlamp.knowledge.plausibility import load_plausibility
from faultlamp.knowledge.shared_causes import load_shared_causes

CAUSES, AGREE = (Path(module.SHIPPED).read_text(encoding="utf-8") for module in (shared_causes, plausibility))


def test_every_spn_of_the_rules_has_a_name() -> None:
    """No rule speaks of a suspect parameter that faultlamp cannot name (SAE J1939-71 and -73, by way of its table)."""
    causes, agree = load_shared_causes(), load_plausibility()
    spns = {
        *(spn for supply in causes.electrical.supplies for spn in supply.spns), *causes.network.bus_spns,
        *causes.network.node_spns, *causes.consequence.spns, *agree.cold.names, agree.barometric.spn, agree.boost.spn,
        agree.inlet.spn, agree.oil.spn, *agree.battery.spns, agree.battery.charging_spn, agree.engine.speed_spn,
    }
    assert [spn for spn in sorted(spns) if spn_name(spn) is None] == []


def test_the_failure_modes_are_those_meant() -> None:
    """FMI 3 to 6 are electrical, 9 and 19 of the network, 31 a condition (SAE J1939-73, appendix A)."""
    causes = load_shared_causes()
    assert all(fmi_meaning(fmi).startswith(word) for fmi, word in enumerate(["voltage"] * 2 + ["current"] * 2, 3))
    assert causes.electrical.fmis == {3, 4, 5, 6}
    assert fmi_meaning(9) == "abnormal update rate"
    assert fmi_meaning(19) == "received network data in error"
    assert causes.network.fmis == {9, 19}
    assert causes.consequence.echo_fmis == {19}
    assert fmi_meaning(31) == "condition exists"
    assert causes.consequence.fmis == {31}


def test_supplies_and_networks_of_the_trade_are_there() -> None:
    """Sensor supplies 3509 to 3514 and networks 639, 1231, 1235 (SAE J1939-71); SPN 2000 + address names a node."""
    causes = load_shared_causes()
    assert causes.electrical.supplies[0].spns >= set(range(3509, 3515))
    assert causes.network.bus_spns == {639, 1231, 1235}
    assert (causes.network.node_spns[0], causes.network.node_spns[-1]) == (2000, 2253)


def test_every_mixture_of_electrical_modes_points_somewhere() -> None:
    """No group of electrical faults is left without a hint."""
    electrical = load_shared_causes().electrical
    for bits in range(1, 16):
        fmis = {fmi for place, fmi in enumerate(sorted(electrical.fmis)) if bits >> place & 1}
        assert electrical.points_to(fmis)


def test_all_is_marked_as_common_practice() -> None:
    """Both files say what kind of knowledge they hold."""
    assert load_shared_causes().mark == load_plausibility().mark == "common practice, no source"


def test_cautions_come_with_every_kind() -> None:
    """Whoever is sent to a connector or a controller reads 'key off' first."""
    causes = load_shared_causes()
    for cautions in (causes.electrical.cautions, causes.network.cautions):
        assert any("Key off" in caution for caution in cautions)
    assert "manual decides" in causes.caution


def test_the_checked_readings_are_in_the_shipped_layouts() -> None:
    """Each can be decoded, and temperatures, pressures and voltages have the unit of their thresholds."""
    agree, layouts = load_plausibility(), load_layouts([])
    unit = dict.fromkeys(agree.cold.names, "degC")
    unit |= dict.fromkeys([agree.barometric.spn, agree.boost.spn, agree.inlet.spn, agree.oil.spn], "kPa")
    unit |= dict.fromkeys([*agree.battery.spns, agree.battery.charging_spn], "V")
    for spn, wanted in unit.items():
        assert {signal.unit for _, signal in layouts.places(spn)} == {wanted}
    assert set(agree.cold.hot_spns) < set(agree.cold.names)


def test_the_voltage_systems_do_not_overlap() -> None:
    """A voltage belongs to one system at most, and its limits lie inside what it is recognised by."""
    systems = load_plausibility().battery.systems
    assert systems[0].highest_v < systems[1].lowest_v
    for system in systems:
        for low, high in (system.stopped_v, system.running_v):
            assert system.lowest_v <= low < high <= system.highest_v


BAD_CAUSES = {
    "no-toml": (r"\[electrical\]", "[electrical", "not a TOML file"),
    "a-key-is-missing": (r"window_s = 3\n", "", "[electrical]: window_s is missing"),
    "a-number-is-a-text": (r"window_s = 3\b", 'window_s = "3"', "[electrical]: window_s = '3'"),
    "a-window-of-days": (r"window_s = 3\b", "window_s = 300000", "window_s = 300000"),
    "an-unknown-key": (r"key_on_s = 2", "key_on_s = 2\nkeyon = 1", "unknown key 'keyon'"),
    "an-fmi-that-is-none": (r"fmis = \[3, 4, 5, 6\]\nwindow", "fmis = [3, 32]\nwindow", "fmis has 32"),
    "groups-of-one": (r"least = 2\nleast_unseen", "least = 1\nleast_unseen", "least = 1"),
    "an-unknown-placeholder": (r"these \{count\} began \{within\}: look", "{node}: look", "sentence ="),
    "a-placeholder-with-a-format": (r"these \{count\} began \{within\}: look", "{count:>9}: look", "sentence ="),
    "an-attribute": (r"these \{count\} began \{within\}: look", "{count.real}: look", "sentence ="),
    "a-brace-alone": (r"these \{count\} began \{within\}: look", "{: look", "sentence ="),
    "a-range-backwards": (r'node_spns = "2000-2253"', 'node_spns = "2253-2000"', "node_spns"),
    "no-spns": (r"bus_spns = \[.*\]", "bus_spns = []", "bus_spns"),
    "no-tests": (r"cautions = \[\"Repair.*\]", "cautions = []", "[consequence]: cautions"),
}
BAD_AGREE = {
    "a-key-is-missing": (r"tolerance_degC = 6\n", "", "[cold]: tolerance_degC is missing"),
    "not-a-number": (r"tolerance_kpa = 6", "tolerance_kpa = nan", "[inlet]: tolerance_kpa"),
    "no-system": (r"(?s)\[\[battery.system\]\].*?(?=# ---- wiggle)", "", "system"),
    "an-unknown-key": (r"drain_s = 10", "drain_s = 10\ndrain = 1", "[oil]: unknown key 'drain'"),
    "an-unknown-unit": (r"kPa = 20", "psi = 3\nkPa = 20", "[jump]: unknown key 'psi'"),
    "two-temperatures-to-tell": (r"least = 3 ", "least = 2 ", "[cold]: least = 2"),
}


def damaged(text: str, pattern: str, instead: str) -> str:
    """The text with the first match of the pattern replaced."""
    result, count = re.subn(pattern, lambda _: instead, text, count=1)
    assert count == 1
    return result


@pytest.mark.parametrize(("pattern", "instead", "says"), BAD_CAUSES.values(), ids=BAD_CAUSES.keys())
def test_bad_shared_causes(tmp_path: Path, pattern: str, instead: str, says: str) -> None:
    """One line with the file, the table and the key."""
    path = tmp_path / "causes.toml"
    path.write_text(damaged(CAUSES, pattern, instead), encoding="utf-8")
    with pytest.raises(DataFileError) as caught:
        load_shared_causes(str(path))
    assert str(path) in str(caught.value)
    assert says in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(("pattern", "instead", "says"), BAD_AGREE.values(), ids=BAD_AGREE.keys())
def test_bad_plausibility(tmp_path: Path, pattern: str, instead: str, says: str) -> None:
    """The same for the thresholds."""
    path = tmp_path / "agree.toml"
    path.write_text(damaged(AGREE, pattern, instead), encoding="utf-8")
    with pytest.raises(DataFileError) as caught:
        load_plausibility(str(path))
    assert str(path) in str(caught.value)
    assert says in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    """Named, with the reason."""
    with pytest.raises(DataFileError, match=r"nowhere\.toml: cannot read the file"):
        load_shared_causes(str(tmp_path / "nowhere.toml"))


def test_sentences_name_their_number() -> None:
    """Each sentence about several faults says how many they are."""
    causes = load_shared_causes()
    sentences = [causes.electrical.sentence, causes.network.missing_node.sentence, causes.network.bus.sentence]
    for sentence in sentences:
        assert "count" in {name for _, name, _, _ in Formatter().parse(sentence)}
