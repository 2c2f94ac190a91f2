"""The explanation of a code as an object: what pages and JSON are made of."""

import csv
import json
import re
from collections.abc import Collection
from pathlib import Path

import pytest

import faultlamp.knowledge.tables
from faultlamp.j1939.diagnostics import Lamp
from faultlamp.knowledge.crosswalk import load_crosswalk
from faultlamp.knowledge.explanation import CLOSING, check_pair, document, explanation
from faultlamp.knowledge.spn_table import SpnNames

EXAMPLE = Path(__file__).parents[2] / "docs" / "crosswalk-example.csv"
NAMES = Path(faultlamp.knowledge.tables.__file__).parent / "data" / "spn_names.csv"


# Names and meanings as commonly published: number and name in the public library Open-SAE-J1939, the failure modes
# there too and in SAE J1939-73, appendix A (section from memory).
@pytest.mark.parametrize(("spn", "fmi", "name", "meaning"), [
    (100, 1, "Engine Oil Pressure", "data valid but below normal operational range - most severe level"),
    (110, 3, "Engine Coolant Temperature 1", "voltage above normal, or shorted to high source"),
    (102, 4, "Engine Intake Manifold #1 Pressure", "voltage below normal, or shorted to low source"),
    (190, 8, "Engine Speed", "abnormal frequency, pulse width or period"),
    (639, 9, "J1939 Network #1", "abnormal update rate"),
    (651, 5, "Engine Injector Cylinder 1", "current below normal or open circuit"),
    (1761, 18, "Aftertreatment 1 Diesel Exhaust Fluid Tank Level",
     "data valid but below normal operational range - moderately severe level"),
    (3251, 2, "Aftertreatment 1 Diesel Particulate Filter Differential Pressure",
     "data erratic, intermittent or incorrect"),
    (629, 12, "Controller #1", "bad intelligent device or component"),
    (91, 13, "Accelerator Pedal Position 1", "out of calibration"),
])
def test_the_pair_means_what_is_published(spn: int, fmi: int, name: str, meaning: str) -> None:
    """Name and failure mode in the standard's terms, with causes and steps behind them."""
    explained = explanation(spn, fmi)
    assert (explained.name, explained.meaning, explained.name_note) == (name, meaning, "")
    assert explained.causes
    assert explained.steps


# The failure modes' titles of SAE J1939-73, appendix A (section from memory), as public tables repeat them.
TITLES = {
    0: "Data Valid But Above Normal Operational Range - Most Severe Level",
    1: "Data Valid But Below Normal Operational Range - Most Severe Level",
    2: "Data Erratic, Intermittent Or Incorrect",
    3: "Voltage Above Normal, Or Shorted To High Source",
    4: "Voltage Below Normal, Or Shorted To Low Source",
    5: "Current Below Normal Or Open Circuit",
    6: "Current Above Normal Or Grounded Circuit",
    7: "Mechanical System Not Responding Or Out Of Adjustment",
    8: "Abnormal Frequency Or Pulse Width Or Period",
    9: "Abnormal Update Rate",
    10: "Abnormal Rate Of Change",
    11: "Root Cause Not Known",
    12: "Bad Intelligent Device Or Component",
    13: "Out Of Calibration",
    14: "Special Instructions",
    15: "Data Valid But Above Normal Operational Range - Least Severe Level",
    16: "Data Valid But Above Normal Operational Range - Moderately Severe Level",
    17: "Data Valid But Below Normal Operational Range - Least Severe Level",
    18: "Data Valid But Below Normal Operational Range - Moderately Severe Level",
    19: "Received Network Data In Error",
    20: "Data Drifted High",
    21: "Data Drifted Low",
    **dict.fromkeys(range(22, 31), "Reserved For Assignment By SAE"),
    31: "Condition Exists",
}


@pytest.mark.parametrize("fmi", range(32))
def test_failure_modes_are_those_of_the_standard(fmi: int) -> None:
    """Word for word, but for capitals, commas and the one 'or' that a comma stands for."""
    def words(text: str) -> list[str]:
        return [word for word in re.findall(r"[a-z]+", text.lower()) if word != "or"]

    assert words(explanation(110, fmi).meaning) == words(TITLES[fmi])


def test_every_pair_of_the_table_can_be_explained() -> None:
    """All named parameters with all 32 failure modes, and some that nobody knows: 23,584 pairs."""
    with NAMES.open(encoding="utf-8", newline="") as lines:
        spns = [int(row["spn"]) for row in csv.DictReader(line for line in lines if not line.startswith("#"))]
    for spn in [*spns, 1, 2000, 2253, 516_095, 524_286]:
        for fmi in range(32):
            explained = explanation(spn, fmi)
            assert explained.causes
            assert explained.steps[-1].key == "prove_repair"


@pytest.mark.parametrize(("spn", "words"), [
    (520_200, "Each maker gives this number a meaning of its own"), (516_096, "Each maker"), (524_287, "Each maker"),
    (400_000, "faultlamp's table does not know this number"), (1, "does not know this number"),
])
def test_an_unknown_parameter_says_so(spn: int, words: str) -> None:
    """No name, the reason, where to find it, and yet the meaning and the steps of the failure mode."""
    explained = explanation(spn, 3)
    assert explained.name is None
    assert words in explained.name_note
    assert "--spn-table" in explained.name_note
    assert explained.meaning == "voltage above normal, or shorted to high source"
    assert (explained.component, explained.system) == (None, None)
    assert explained.steps == explanation(spn, 3).failure.course.steps


def test_a_node_is_named_by_its_address() -> None:
    """SPN 2000 + address (Open-SAE-J1939, AgIsoStack++); address 0 is usually engine 1 (Laixer J1939)."""
    assert explanation(2000, 9).name_note == "The controller with source address 0, usually: engine 1."
    assert explanation(2200, 9).name_note == "The controller with source address 200."


def test_an_own_name_says_that_it_is_one() -> None:
    """So that nobody takes it for the standard's."""
    explained = explanation(520_200, 3, names=SpnNames({520_200: "Suction Side Dry"}))
    assert (explained.name, explained.name_note) == ("Suction Side Dry", "The name comes from your own table.")


@pytest.mark.parametrize(("fmi", "words"), [
    (0, "Most severe"), (1, "Most severe"), (15, "Least severe"), (17, "Least severe"), (16, "Moderately severe"),
    (18, "Moderately severe"), (20, "High"), (21, "Low"), (3, None),
])
def test_one_failure_mode_beyond_its_family(fmi: int, words: str | None) -> None:
    """Severity and direction, which the family alone does not tell (SAE J1939-73, appendix A)."""
    note = explanation(110, fmi).note
    assert note is None if words is None else (note or "").startswith(words)


@pytest.mark.parametrize(("spn", "fmi", "words"), [
    (-1, 3, "SPN -1 is outside 0..524287"), (524_288, 3, "SPN 524288 is outside"), (110, -1, "FMI -1 is outside 0..31"),
    (110, 32, "FMI 32 is outside"), (0, 0, "no fault"), (524_287, 31, "no fault"),
])
def test_pairs_that_are_no_code(spn: int, fmi: int, words: str) -> None:
    """19 and 5 bits (SAE J1939-73, section 5.7.1), and the two ways of saying 'no fault'."""
    with pytest.raises(ValueError, match=words):
        explanation(spn, fmi)


def test_the_corners_are_codes() -> None:
    """The highest numbers fit."""
    check_pair(0, 0)
    check_pair(524_287, 31)
    assert explanation(524_287, 30).failure.key == "reserved"
    assert explanation(0, 31).failure.key == "condition_exists"


def test_cautions_of_both_families_each_once() -> None:
    """DEF and heat for the pressure of the dosing, said once above all steps."""
    explained = explanation(3226, 0)
    assert len(explained.cautions) == len(set(explained.cautions)) == 2
    assert explanation(520_200, 3).cautions == ()


@pytest.mark.parametrize(("lamps", "first", "note"), [
    ((Lamp.RED_STOP,), ("INVENTED-1103R", 1), "Ranked by the lamps asked for."),
    ((Lamp.AMBER_WARNING,), ("INVENTED-1103A", 1), "Ranked by the lamps asked for."),
    ((Lamp.PROTECT,), ("INVENTED-1103A", None), "Not ranked: no row is for a lamp that is asked for."),
    ((), ("INVENTED-1103A", None), "Not ranked: no row is for a lamp that is asked for."),
    (None, ("INVENTED-1103A", None), "Not ranked: which lamp the controller asks for is not known"),
])
def test_the_makers_codes(lamps: Collection[Lamp] | None, first: tuple[str, int | None], note: str) -> None:
    """The rows of the crosswalk, best first, and in a sentence how they are ranked."""
    explained = explanation(110, 3, lamps, crosswalk=load_crosswalk(EXAMPLE))
    assert len(explained.codes) == 3
    assert (explained.codes[0].row.code, explained.codes[0].rank) == first
    assert explained.codes_note.startswith(note)


def test_a_crosswalk_without_the_pair_says_so() -> None:
    """Silence would look like a forgotten option."""
    explained = explanation(110, 5, crosswalk=load_crosswalk(EXAMPLE))
    assert explained.codes == ()
    assert explained.codes_note.endswith("crosswalk-example.csv has no row for this SPN and FMI.")
    assert explanation(110, 5).codes_note == ""


def test_the_document_is_json_and_ends_with_the_manual() -> None:
    """Everything of the object is in it, in plain types."""
    explained = explanation(110, 3, (Lamp.MALFUNCTION_INDICATOR, Lamp.RED_STOP), crosswalk=load_crosswalk(EXAMPLE))
    content = json.loads(json.dumps(document(explained)))
    assert content["closing"] == CLOSING == "Common practice, no source: the maker's manual decides."
    assert content["source"] == "common practice, no source"
    assert content["lamps"] == ["red_stop", "malfunction_indicator"]
    assert [step["number"] for step in content["steps"]] == list(range(1, len(explained.steps) + 1))
    assert [step["do"] for step in content["steps"]] == [step.do for step in explained.steps]
    assert content["codes"][0] == {
        "rank": 1, "reason": "for the red stop lamp, which is asked for", "lamp": "red_stop", "code": "INVENTED-1103R",
        "title": "Coolant sensor wire, too many volts: engine stopped",
        "link": "https://example.org/pump-set/1103R", "clears_after": "service tool only", "line": 4,
    }
