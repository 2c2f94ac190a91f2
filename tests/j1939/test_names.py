"""Names of parameters, failure modes and addresses. OS is the list of the public C library Open-SAE-J1939."""

import csv
import re
import subprocess
import sys
from pathlib import Path

import pytest

import faultlamp.knowledge.tables
from faultlamp.knowledge.addresses import address_name
from faultlamp.knowledge.layouts import load_layouts
from faultlamp.knowledge.names import describe_spn, fmi_meaning, is_maker_specific, spn_name

DATA = Path(faultlamp.knowledge.tables.__file__).parent / "data"


def rows(file_name: str) -> list[dict[str, str]]:
    """The rows of a shipped table, read by nothing of ours."""
    lines = [line for line in (DATA / file_name).read_text(encoding="utf-8").splitlines() if line[:1] != "#"]
    return list(csv.DictReader(lines))


# Number and meaning as commonly published; OS has all but the ones marked.
@pytest.mark.parametrize(("spn", "name"), [
    (91, "Accelerator Pedal Position 1"), (92, "Engine Percent Load At Current Speed"),
    (94, "Engine Fuel Delivery Pressure"), (96, "Fuel Level 1"), (97, "Water In Fuel Indicator 1"),
    (100, "Engine Oil Pressure"), (102, "Engine Intake Manifold #1 Pressure"),
    (105, "Engine Intake Manifold 1 Temperature"), (108, "Barometric Pressure"),
    (110, "Engine Coolant Temperature 1"), (158, "Keyswitch Battery Potential"),
    (168, "Battery Potential / Power Input 1"), (183, "Engine Fuel Rate"), (190, "Engine Speed"),
    (247, "Engine Total Hours of Operation"), (639, "J1939 Network #1"), (1081, "Engine Wait to Start Lamp"),
    (1761, "Aftertreatment 1 Diesel Exhaust Fluid Tank Level"),
    pytest.param(84, "Wheel-Based Vehicle Speed", id="84, also FZ"),
    pytest.param(171, "Ambient Air Temperature", id="171, LX, not in OS"),
    pytest.param(3597, "ECU Power Output Supply Voltage #1", id="3597, from memory"),
])
def test_parameters_have_their_published_names(spn: int, name: str) -> None:
    """Well-known parameters are called what the standard calls them."""
    assert spn_name(spn) == name
    assert describe_spn(spn) == name


@pytest.mark.parametrize(("spn", "name"), [
    (1999, None), (2000, "Source Address 0"), (2017, "Source Address 17"), (2253, "Source Address 253"), (2254, None),
])
def test_source_addresses_follow_by_rule(spn: int, name: str | None) -> None:
    """SPN 2000 + address names a node (OS, and the public library AgIsoStack++)."""
    assert spn_name(spn) == name


@pytest.mark.parametrize(("spn", "maker", "words"), [
    (516095, False, "unknown SPN"), (516096, True, "maker-specific SPN"), (520192, True, "maker-specific SPN"),
    (524287, True, "maker-specific SPN"), (524288, False, "unknown SPN"), (-1, False, "unknown SPN"),
])
def test_unknown_parameters_say_so(spn: int, maker: bool, words: str) -> None:
    """Both ends of the makers' range (from memory), and numbers outside 19 bits."""
    assert (spn_name(spn), is_maker_specific(spn), describe_spn(spn)) == (None, maker, words)


def test_every_shipped_reading_has_a_name() -> None:
    """No parameter of the shipped layouts is nameless."""
    spns = {signal.spn for group in load_layouts().groups.values() for signal in group.signals}
    assert {spn for spn in spns if spn is None or spn_name(spn) is None} == set()


def test_the_table_of_names_is_sound() -> None:
    """Sorted, no number or name twice, plain text, a known source in each row, and at least 400 of them."""
    table = rows("spn_names.csv")
    numbers = [int(row["spn"]) for row in table]
    assert numbers == sorted(set(numbers))
    assert len(numbers) >= 400
    assert len({row["name"] for row in table}) == len(table)
    assert {row["source"] for row in table} == {"checked", "memory"}
    assert [row["name"] for row in table if not re.fullmatch(r"[A-Z0-9][ -~]{2,99}", row["name"])] == []
    assert not any(2000 <= number <= 2253 or is_maker_specific(number) for number in numbers)


# SAE J1939-73, appendix A (section from memory); 0 to 21 and 31 also OS.
FMI_STEMS = {
    0: "above normal", 1: "below normal", 2: "erratic", 3: "voltage above", 4: "voltage below", 5: "current below",
    6: "current above", 7: "mechanical", 8: "frequency", 9: "update rate", 10: "rate of change", 11: "root cause",
    12: "intelligent device", 13: "calibration", 14: "special", 15: "above normal", 16: "above normal",
    17: "below normal", 18: "below normal", 19: "network data", 20: "drifted high", 21: "drifted low",
    31: "condition exists",
} | dict.fromkeys(range(22, 31), "reserved")
SEVERITY = {0: "most", 1: "most", 15: "least", 16: "moderately", 17: "least", 18: "moderately"}


@pytest.mark.parametrize("fmi", range(32))
def test_failure_modes_mean_what_the_standard_says(fmi: int) -> None:
    """All 32 have a meaning in lower case, with the right direction and severity."""
    meaning = fmi_meaning(fmi)
    assert FMI_STEMS[fmi] in meaning
    assert meaning.partition(" - ")[2] == (f"{SEVERITY[fmi]} severe level" if fmi in SEVERITY else "")
    assert meaning[0].islower()
    assert [row["source"] for row in rows("fmi.csv")][fmi] == ("memory" if 22 <= fmi <= 30 else "checked")


@pytest.mark.parametrize(("fmi", "meaning"), [
    (3, "voltage above normal, or shorted to high source"), (4, "voltage below normal, or shorted to low source"),
])
def test_promised_meanings(fmi: int, meaning: str) -> None:
    """The wording that scripts may rely on."""
    assert fmi_meaning(fmi) == meaning


@pytest.mark.parametrize("fmi", [-1, 32])
def test_a_failure_mode_has_five_bits(fmi: int) -> None:
    """There is no FMI outside 0 to 31."""
    with pytest.raises(ValueError, match=f"FMI {fmi} is outside 0..31"):
        fmi_meaning(fmi)


# The address list of the public library Laixer J1939; 254 and 255 also the Linux kernel's J1939 documentation.
@pytest.mark.parametrize(("address", "name"), [
    (0, "engine 1"), (1, "engine 2"), (3, "transmission 1"), (11, "brakes, system controller"),
    (23, "instrument cluster 1"), (49, "cab controller, primary"), (61, "exhaust emission controller"),
    (90, "powertrain control module"), (127, None), (128, None), (247, None), (249, "off-board service tool 1"),
    (254, "null address"), (255, "global address"),
])
def test_preferred_addresses(address: int, name: str | None) -> None:
    """Who usually sits where; nobody in particular at addresses that nodes choose."""
    assert address_name(address) == name


def test_the_table_of_addresses_is_sound() -> None:
    """Sorted, no address or name twice, all of one byte."""
    table = rows("addresses.csv")
    numbers = [int(row["address"]) for row in table]
    assert numbers == sorted(set(numbers))
    assert set(numbers) <= set(range(256))
    assert len({row["name"] for row in table}) == len(table)


def test_names_load_without_heavy_company() -> None:
    """A name costs neither cantools nor numpy."""
    code = (
        "import sys; from faultlamp.knowledge.names import spn_name; from faultlamp.knowledge.addresses import "
        "address_name; print(spn_name(190), address_name(0), {'cantools', 'numpy', 'pathlib'} & set(sys.modules))"
    )
    done = subprocess.run([sys.executable, "-S", "-c", code], capture_output=True, text=True, check=True, env={
        "PYTHONPATH": str(Path(faultlamp.__file__).parent.parent)
    })
    assert done.stdout == "Engine Speed engine 1 set()\n"
