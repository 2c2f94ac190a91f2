"""Scenario files: what is accepted, and one clear line for everything that is not."""

from collections.abc import Callable
from pathlib import Path

import pytest

from faultlamp.errors import DataFileError, ScenarioError
from faultlamp.rig.generator import generate
from faultlamp.rig.layout import Layout
from faultlamp.rig.loading import describe, load_scenario
from faultlamp.rig.scenario import PhaseKind, Scenario, power_spans
from faultlamp.rig.shipped import find_scenario, scenario_names

S = 1_000_000_000

Load = Callable[[str], Scenario]

FAULT = '[[fault]]\necu = "engine"\nspn = 110\nfmi = 3\n'

# (id, text to replace, replacement); the result loads
GOOD = [
    ("as-it-is", "", ""),
    ("bit-rate", 'name = "small"', 'name = "small"\nbit_rate = 250000'),
    ("umlauts", "one engine", "ein Motor für Wasser"),
    ("whole-and-broken-numbers", "duration_s = 10", "duration_s = 10.5"),
    ("no-groups", "EEC1 = 100\nET1 = 1000", "ET1 = 60000\nEEC1 = 10"),
    ("limits-of-a-reading", "110 = 85", "110 = { points = [[0, -40], [18, 210]] }"),
    ("ripple-beyond-the-limit", "110 = 85", "110 = { constant = 210, ripple = 2 }"),
    ("special", "110 = 85", '110 = "error"'),
    ("to-from-what-was", "{ from = 800, to = 1000, over_s = 4 }", "{ to = 1000 }"),
    ("no-vin", 'vin = "INVENTED000000001"', ""),
    ("fault-for-ever", "", FAULT + 'present = [["on", "end"]]\n'),
    ("fault-in-seconds", "", FAULT + "present = [[0, 1.5], [2, 18]]\n"),
    ("fault-stored-only", "", FAULT + "count_before = 126\n"),
    ("fault-everything", "", FAULT + 'present = [["run+0.5", "run+1"]]\nlamps = ["protect", "red_stop"]\n'
     'flash = "slow"\ngood_starts = 20\nerror = [110]\nnot_available = [174]\n'),
    ("highest-spn", "", FAULT.replace("110", "524287").replace("= 3", "= 30")),
    ("request", "", '[[request]]\nat = "run"\nfrom = 249\npgn = 65227\n'),
    ("when-it-clears", "address = 0", 'address = 0\nclears = "never"\nfreeze_frames = 8'),
    ("ecu-identification", 'vin = "INV', 'ecu = ["a", "b", "c", "d", "e"]\nvin = "INV'),
    ("obd-empty", "[ecu.groups]", "[ecu.obd]\n[ecu.groups]"),
    ("obd", "[ecu.groups]", '[ecu.obd]\ncompliance = 5\nexpanded = [190, 110]\nwarm_ups = 250\n'
     '[ecu.obd.monitors]\negr = "complete"\n[[ecu.obd.calibration]]\nname = "A"\nnumber = 4294967295\n'
     "[[ecu.obd.ratio]]\nspn = 1\nnumerator = 0\ndenominator = 64255\n[[ecu.obd.result]]\nspn = 1\nfmi = 31\n"
     "scaling = 1\nvalue = 1\nhighest = 1\nlowest = 1\n[ecu.groups]"),
    ("manners", "[ecu.groups]", '[ecu.answers]\ndefault = "silent"\nreceiving = "no_ack"\nDM2 = "busy"\n'
     '65262 = { do = "aborts", times = 3, delay_ms = 20.5 }\nVIN = { delay_ms = 60000 }\n[ecu.groups]'),
    ("rival", "[ecu.groups]", "[ecu.rival]\nfunction = 1\nstubborn = true\n[ecu.groups]"),
    ("fault-of-emissions", "", FAULT + 'emissions = true\npermanent = true\npending = [["on", "run"]]\n'),
]  # fmt: skip

# (id, text to replace, replacement, table and key, what the message must say besides)
BAD = [
    ("not-toml", "[scenario]", "[scenario", "", "not TOML"),
    ("twice-a-key", 'name = "small"', 'name = "small"\nname = "x"', "", "not TOML"),
    ("huge-number", "address = 0", "address = " + "9" * 5000, "", "not"),
    ("deep-nesting", "110 = 85", "110 = " + "[" * 5000 + "]" * 5000, "", "not TOML"),
    ("unknown-table", "[values]", "[extra]\n[values]", "top level: unknown key 'extra'", "scenario, phase, ecu"),
    ("no-scenario", "[scenario]", "[scenery]", "[scenario]: name is missing", "a text"),
    ("scenario-not-a-table", '[scenario]\nname = "small"', "scenario = 3\n[x]", "[scenario]: 3 stands where",
     "table"),
    ("no-name", 'name = "small"\n', "", "[scenario]: name is missing", "1 to 60 characters"),
    ("empty-description", '"one engine"', '""', "[scenario]: description = ''", "1 to 1000"),
    ("not-said-to-be-invented", 'invented = "all of it"\n', "", "[scenario]: invented is missing", "a text"),
    ("escape-in-text", '"one engine"', '"\\u001b[2J"', "[scenario]: description = ", "ISO 8859-1"),
    ("bit-rate", 'name = "small"', 'name = "small"\nbit_rate = 125000', "[scenario]: bit_rate = 125000",
     "250000, 500000"),
    ("bit-rate-as-text", 'name = "small"', 'name = "small"\nbit_rate = "fast"',
     "[scenario]: bit_rate = 'fast'", "whole number"),
    ("unknown-key", "address = 0", "address = 0\nadress = 1", "[[ecu]] 1 (engine): unknown key 'adress'", "address"),
    ("no-ecu-name", 'name = "engine"\n', "", "[[ecu]] 1: name is missing", "a-z 0-9 -"),
    ("ecu-name-with-blank", '"engine"', '"the engine"', "[[ecu]] 1: name = 'the engine'", "a-z 0-9 -"),
    ("address-255", "address = 0", "address = 255", "[[ecu]] 1 (engine): address = 255", "0 to 253"),
    ("address-as-text", "address = 0", 'address = "0"', "[[ecu]] 1 (engine): address = '0'", "whole number"),
    ("address-as-truth", "address = 0", "address = true", "[[ecu]] 1 (engine): address = true", "whole number"),
    ("no-function", "claim = { function = 0 }", "claim = {}",
     "[[ecu]] 1 (engine), claim: function is missing", "0 to 255"),
    ("maker-code", "function = 0", "function = 0, manufacturer_code = 2048",
     "claim: manufacturer_code = 2048", "0 to 2047"),
    ("arbitrary", "function = 0", "function = 0, arbitrary_address = 1", "claim: arbitrary_address = 1",
     "true or false"),
    ("lamp", "address = 0", 'address = 0\nlamps = ["blue"]', "[[ecu]] 1 (engine): lamps = ['blue']", "amber_warning"),
    ("lamp-twice", "address = 0", 'address = 0\nlamps = ["protect", "protect"]',
     "lamps = ['protect', 'protect']", "different"),
    ("lamps-no-list", "address = 0", 'address = 0\nlamps = "protect"', "lamps = 'protect'", "a list"),
    ("real-looking-vin", "INVENTED000000001", "1REAL", "identity: vin = '1REAL'", "INVENTED"),
    ("star-in-vin", "INVENTED000000001", "INVENTED*", "identity: vin = 'INVENTED*'", "without '*'"),
    ("component-of-two", 'vin = "INVENTED000000001"', 'component = ["a", "b"]',
     "identity: component = ['a', 'b']", "four texts"),
    ("software-number", 'vin = "INVENTED000000001"', "software = [1]", "identity: software = [1]", "up to 8 texts"),
    ("unknown-group", "EEC1 = 100", "EEC9 = 100", "groups: unknown group 'EEC9'", "EEC1"),
    ("group-too-often", "EEC1 = 100", "EEC1 = 5", "groups: EEC1 = 5", "10 to 60000"),
    ("no-ecu", "[[ecu]]", "[ecu]", "top level: ecu = a table", "tables [[ecu]]"),
    ("two-of-one-name", "[[phase]]", '[[ecu]]\nname = "engine"\naddress = 3\nclaim = { function = 3 }\n[[phase]]',
     "[[ecu]] 2: name = 'engine'", "no other ecu"),
    ("two-at-one-address", "[[phase]]", '[[ecu]]\nname = "b"\naddress = 0\nclaim = { function = 3 }\n[[phase]]',
     "[[ecu]] 2: address = 0", "no other ecu"),
    ("overload", "EEC1 = 100\nET1 = 1000", "\n".join(f"{g} = 10" for g in (
        "EEC1", "EEC2", "EEC3", "ET1", "EFL_P1", "IC1", "VEP1", "LFE1", "AMB", "CCVS1", "HOURS", "VD", "TC", "IMI1",
        "DD1", "OI", "SHUTDN", "DPFC1", "AT1S1", "AT1T1I", "AT1IG1", "AT1OG1", "AT1IG2", "AT1OG2", "FD1", "PTO")),
     "top level: the groups of all ecus take 83% of a bus at 500000 bit/s", "80%"),
    ("phase-kind", '"key_on"', '"ignition"', "[[phase]] 1 (on): kind = 'ignition'",
     "key_off, key_on, cranking, running"),
    ("phase-name-twice", 'name = "run"', 'name = "on"', "[[phase]] 2: name = 'on'", "no other phase"),
    ("phase-called-end", 'name = "run"', 'name = "end"', "[[phase]] 2: name = 'end'", "not 'end'"),
    ("phase-without-length", "duration_s = 10\n", "", "[[phase]] 2 (run): duration_s is missing", "0.1 to 86400"),
    ("phase-backwards", "duration_s = 10", "duration_s = -1", "[[phase]] 2 (run): duration_s = -1", "0.1 to 86400"),
    ("phase-not-a-number", "duration_s = 10", "duration_s = nan", "[[phase]] 2 (run): duration_s = nan", "a number"),
    ("phase-endless", "duration_s = 10", "duration_s = inf", "[[phase]] 2 (run): duration_s = inf", "a number"),
    ("more-than-a-day", "duration_s = 10", "duration_s = 86399", "[[phase]] 2 (run): duration_s = 86399",
     "all phases"),
    ("like-a-later-one", "duration_s = 5", 'duration_s = 5\nlike = "run"', "[[phase]] 1 (on): like = 'run'",
     "one of"),
    ("reading-nobody-sends", "110 = 85", "111 = 85", "[values]: unknown reading '111'", "110, 174"),
    ("reading-by-name", "110 = 85", "coolant = 85", "[values]: unknown reading 'coolant'", "SPNs"),
    ("reading-too-high", "110 = 85", "110 = 211", "[values]: 110 goes from 211 to 211", "-40 to 210 degC"),
    ("reading-not-a-number", "110 = 85", "110 = nan", "[values]: 110 = nan", "a number"),
    ("points-too-low", "110 = 85", "110 = { points = [[0, 0], [9, -41]] }", "[values]: 110 goes from -41 to 0",
     "-40 to 210"),
    ("ripple-backwards", "110 = 85", "110 = { constant = 9, ripple = -2 }", "[values], 110: ripple = -2", "0 to"),
    ("reading-state", "110 = 85", '110 = "broken"', "[values]: 110 = 'broken'", "not_available, error"),
    ("reading-list", "110 = 85", "110 = [1]", "[values]: 110 = [1]", "a number"),
    ("curve-key", "110 = 85", "110 = { constant = 1, ripples = 2 }", "[values], 110: unknown key 'ripples'",
     "ripple"),
    ("curve-empty", "110 = 85", "110 = { ripple = 2 }", "[values], 110: no level",
     "constant, from/to/over_s, or points"),
    ("curve-mixed", "110 = 85", "110 = { constant = 1, to = 2 }", "[values], 110: unknown key 'to'", "constant"),
    ("ramp-from-nothing", "110 = 85", "110 = { to = 2 }", "[values], 110: from is missing", "no level before"),
    ("ramp-too-long", "over_s = 4", "over_s = 11", "[[phase]] 2 (run), values, 190: over_s = 11", "0.001 to 10"),
    ("points-empty", "110 = 85", "110 = { points = [] }", "[values], 110: points = []", "[seconds, level]"),
    ("points-of-three", "110 = 85", "110 = { points = [[0, 1, 2]] }", "points has [0, 1, 2]", "[seconds, level]"),
    ("points-back", "110 = 85", "110 = { points = [[3, 1], [2, 1]] }", "points has [2, 1]", "rising"),
    ("points-beyond", "110 = 85", "110 = { points = [[19, 1]] }", "points has [19, 1]", "up to 18"),
    ("fault-of-nobody", "", FAULT.replace("engine", "motor"), "[[fault]] 1: ecu = 'motor'", "engine"),
    ("fault-spn", "", FAULT.replace("110", "524288"), "[[fault]] 1: spn = 524288", "0 to 524287"),
    ("fault-fmi", "", FAULT.replace("= 3", "= 32"), "[[fault]] 1: fmi = 32", "0 to 31"),
    ("fault-that-is-none", "", FAULT.replace("110", "0").replace("= 3", "= 0"), "[[fault]] 1: spn = 0", "no fault"),
    ("fault-that-is-none-old", "", FAULT.replace("110", "524287").replace("= 3", "= 31"), "spn = 524287", "no fault"),
    ("fault-twice", "", FAULT + FAULT, "[[fault]] 2: SPN 110 FMI 3 of engine is there already", "once"),
    ("fault-window", "", FAULT + "present = [[3, 2]]", "[[fault]] 1: present has [3, 2]", "[from, to]"),
    ("fault-window-of-one", "", FAULT + "present = [3]", "[[fault]] 1: present has 3", "[from, to]"),
    ("fault-windows-overlap", "", FAULT + "present = [[1, 3], [2, 4]]", "present has [2, 4]", "in order of time"),
    ("fault-window-late", "", FAULT + "present = [[1, 19]]", "present has [1, 19]", "within the scenario"),
    ("fault-window-early", "", FAULT + "present = [[-1, 3]]", "present has [-1, 3]", "within the scenario"),
    ("fault-unknown-phase", "", FAULT + 'present = [["work", "end"]]', "present has ['work', 'end']",
     "PHASE+SECONDS"),
    ("fault-odd-time", "", FAULT + 'present = [["run-1", "end"]]', "present has ['run-1', 'end']", "PHASE+SECONDS"),
    ("fault-lamp-not-there", "", FAULT + 'lamps = ["amber"]', "[[fault]] 1: lamps = ['amber']", "amber_warning"),
    ("fault-flash", "", FAULT + 'flash = "on"', "[[fault]] 1: flash = 'on'", "steady, slow, fast"),
    ("fault-count", "", FAULT + "count_before = 127", "[[fault]] 1: count_before = 127", "0 to 126"),
    ("fault-starts", "", FAULT + "good_starts = -1", "[[fault]] 1: good_starts = -1", "0 to 20"),
    ("fault-spoils", "", FAULT + "error = [100]", "[[fault]] 1: error = [100]", "carry"),
    ("fault-key", "", FAULT + "lamp = 1", "[[fault]] 1: unknown key 'lamp'", "lamps"),
    ("override-spn", "", '[[override]]\nspn = 5\nstate = "error"', "[[override]] 1: spn = 5", "carry"),
    ("override-state", "", '[[override]]\nspn = 110\nstate = "off"', "[[override]] 1: state = 'off'", "error"),
    ("request-of-a-controller", "", "[[request]]\nat = 7\nfrom = 0\npgn = 1", "[[request]] 1: from = 0",
     "no ecu has"),
    ("request-with-key-off", "", "[[request]]\nat = 16\nfrom = 249\npgn = 1", "[[request]] 1: at = 16", "key on"),
    ("request-too-late", "", '[[request]]\nat = "end"\nfrom = 249\npgn = 1', "[[request]] 1: at = 'end'", "within"),
    ("request-group", "", "[[request]]\nat = 7\nfrom = 249\npgn = 262144", "[[request]] 1: pgn = 262144",
     "0 to 262143"),
    ("request-to", "", "[[request]]\nat = 7\nfrom = 249\nto = 256\npgn = 1", "[[request]] 1: to = 256", "0 to 255"),
    ("clears", "address = 0", 'address = 0\nclears = "sometimes"', "[[ecu]] 1 (engine): clears = 'sometimes'",
     "stopped, always, never"),
    ("freeze-frames", "address = 0", "address = 0\nfreeze_frames = 9", "freeze_frames = 9", "0 to 8"),
    ("ecu-of-four", 'vin = "INV', 'ecu = ["a", "b", "c", "d"]\nvin = "INV', "identity: ecu = ['a', 'b', 'c', 'd']",
     "five texts: part number"),
    ("obd-no-table", "[ecu.groups]", "obd = 5\n[ecu.groups]", "identity: unknown key 'obd'", "vin"),
    ("obd-key", "[ecu.groups]", "[ecu.obd]\ncompliant = 1\n[ecu.groups]", "(engine), obd: unknown key 'compliant'",
     "compliance"),
    ("obd-compliance", "[ecu.groups]", "[ecu.obd]\ncompliance = 251\n[ecu.groups]", "obd: compliance = 251",
     "0 to 250"),
    ("obd-monitor", "[ecu.groups]", '[ecu.obd.monitors]\nturbo = "complete"\n[ecu.groups]',
     "obd, monitors: unknown monitor 'turbo'", "misfire"),
    ("obd-monitor-state", "[ecu.groups]", '[ecu.obd.monitors]\negr = "yes"\n[ecu.groups]',
     "obd, monitors: egr = 'yes'", "complete, incomplete"),
    ("obd-expanded-spn", "[ecu.groups]", "[ecu.obd]\nexpanded = [190, 1]\n[ecu.groups]",
     "obd: expanded = [190, 1]", "SPNs of the DBC that take whole bytes"),
    ("obd-expanded-bits", "[ecu.groups]", "[ecu.obd]\nexpanded = [899]\n[ecu.groups]", "obd: expanded = [899]",
     "whole bytes"),
    ("obd-expanded-twice", "[ecu.groups]", "[ecu.obd]\nexpanded = [190, 190]\n[ecu.groups]",
     "obd: expanded = [190, 190]", "different"),
    ("obd-calibration", "[ecu.groups]", '[[ecu.obd.calibration]]\nname = "SEVENTEEN LETTERS"\nnumber = 1\n[ecu.groups]',
     "obd, calibration 1: name = 'SEVENTEEN LETTERS'", "1 to 16"),
    ("obd-ratio", "[ecu.groups]", "[[ecu.obd.ratio]]\nspn = 1\nnumerator = 1\ndenominator = 64256\n[ecu.groups]",
     "obd, ratio 1: denominator = 64256", "0 to 64255"),
    ("obd-result", "[ecu.groups]", "[[ecu.obd.result]]\nspn = 1\nfmi = 32\n[ecu.groups]", "obd, result 1: fmi = 32",
     "0 to 31"),
    ("manner", "[ecu.groups]", '[ecu.answers]\nDM2 = "rude"\n[ecu.groups]', "(engine), answers: DM2 = 'rude'",
     "silent, refuse, deny, busy"),
    ("manner-of-a-table", "[ecu.groups]", "[ecu.answers]\ndefault = { delay = 5 }\n[ecu.groups]",
     "answers, default: unknown key 'delay'", "do, times, delay_ms"),
    ("manner-number", "[ecu.groups]", "[ecu.answers]\nDM2 = 5\n[ecu.groups]", "answers: DM2 = 5",
     "a table with do, times, delay_ms"),
    ("manner-delay", "[ecu.groups]", "[ecu.answers]\nDM2 = { delay_ms = -1 }\n[ecu.groups]",
     "answers, DM2: delay_ms = -1", "0 to 60000"),
    ("manner-group", "[ecu.groups]", '[ecu.answers]\nDM99 = "busy"\n[ecu.groups]',
     "answers: unknown or repeated key 'DM99'", "a PGN once"),
    ("manner-group-twice", "[ecu.groups]", '[ecu.answers]\nDM2 = "busy"\n65227 = "busy"\n[ecu.groups]',
     "answers: unknown or repeated key '65227'", "a PGN once"),
    ("manner-receiving", "[ecu.groups]", '[ecu.answers]\nreceiving = "silent"\n[ecu.groups]',
     "answers: receiving = 'silent'", "proper, no_cts, no_ack"),
    ("rival-of-one-name", "[ecu.groups]", "[ecu.rival]\nfunction = 0\n[ecu.groups]",
     "[[ecu]] 1 (engine): rival has the same NAME", "another one"),
    ("rival-key", "[ecu.groups]", "[ecu.rival]\nfunction = 1\naddress = 3\n[ecu.groups]",
     "rival: unknown key 'address'", "stubborn"),
    ("rival-function", "[ecu.groups]", "[ecu.rival]\n[ecu.groups]", "rival: function is missing", "0 to 255"),
    ("fault-emissions", "", FAULT + "emissions = 1", "[[fault]] 1: emissions = 1", "true or false"),
    ("fault-pending", "", FAULT + "pending = [[3, 2]]", "[[fault]] 1: pending has [3, 2]", "[from, to]"),
]  # fmt: skip


def varied(small: str, old: str, new: str) -> str:
    """The small scenario with its first `old` replaced, or with `new` at its end when `old` is empty."""
    if not old:
        return small + "\n" + new
    assert old in small
    return small.replace(old, new, 1)


@pytest.mark.parametrize(("old", "new"), [pytest.param(old, new, id=name) for name, old, new in GOOD])
def test_good_files_load(small: str, load: Load, old: str, new: str) -> None:
    """Everything that the reference allows is taken."""
    assert load(varied(small, old, new)).ecus[0].name == "engine"


@pytest.mark.parametrize(
    ("old", "new", "where", "allowed"), [pytest.param(*row[1:], id=row[0]) for row in BAD]
)
def test_bad_files_end_in_one_line(small: str, load: Load, old: str, new: str, where: str, allowed: str) -> None:
    """The error names file, table, key and what stands there, and says what is allowed, in one plain line."""
    with pytest.raises(ScenarioError) as caught:
        load(varied(small, old, new))
    message = str(caught.value)
    assert "scenario.toml: " in message
    assert where in message
    assert allowed in message
    assert message.isprintable()
    assert len(message) < 900


FILES = [
    pytest.param(None, "No such file", id="missing"),
    pytest.param(b"\xff\xfe[\x00", "not UTF-8", id="utf-16"),
    pytest.param(b"", "[scenario]: name is missing", id="empty"),
    pytest.param(b"#" * (1 << 20) + b"\n", "too long", id="too-long"),
    pytest.param(bytes(100), "not TOML", id="zeros"),
]


@pytest.mark.parametrize(("content", "says"), FILES)
def test_files_that_are_no_scenario(tmp_path: Path, content: bytes | None, says: str) -> None:
    """A file that is missing, empty, binary or far too long is one line, with its name."""
    path = tmp_path / "x.toml"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(ScenarioError, match=r"x\.toml: .*") as caught:
        load_scenario(path)
    assert says in str(caught.value)


def test_a_directory_is_no_scenario(tmp_path: Path) -> None:
    """A directory ends in one line too."""
    with pytest.raises(ScenarioError, match="Is a directory"):
        load_scenario(tmp_path)


def test_a_scenario_needs_a_phase(small: str, load: Load) -> None:
    """A file without phases says what is missing."""
    with pytest.raises(ScenarioError, match=r"top level: phase is missing; allowed: at least one table \[\[phase\]\]"):
        load(small.split("[[phase]]")[0])


def test_the_example_of_the_reference_works(load: Load) -> None:
    """The scenario in docs/rig.md loads and plays."""
    text = (Path(__file__).resolve().parents[2] / "docs" / "rig.md").read_text(encoding="utf-8")
    example = text.split("```toml\n")[1].split("```")[0]
    assert len(list(generate(load(example)))) > 3000


def test_times_count_from_phases(small: str, load: Load) -> None:
    """A phase's name is its start; seconds after a plus are added; 'end' is the end."""
    text = small + FAULT + 'present = [["on+0.25", "run"], ["run+1", 7], ["off", "end"]]'
    expected = ((0.25, 5.0), (6.0, 7.0), (15.0, 18.0))
    assert load(text).faults[0].present == tuple((round(a * S), round(b * S)) for a, b in expected)


def test_power_spans_join_neighbouring_phases(small: str, load: Load) -> None:
    """Key on lasts from the first phase that is not key_off to the next that is; running stretches join as well."""
    kinds = ["key_off", "key_on", "cranking", "running", "running", "key_on", "running", "key_off", "key_on"]
    phases = "".join(f'[[phase]]\nname = "p{n}"\nkind = "{kind}"\nduration_s = 1\n' for n, kind in enumerate(kinds))
    spans = power_spans(load(small.split("[[phase]]")[0] + phases).phases)
    assert [(span.on_ns // S, span.off_ns // S) for span in spans] == [(1, 7), (8, 9)]
    assert [[(a // S, b // S) for a, b in span.running] for span in spans] == [[(3, 5), (6, 7)], []]


@pytest.mark.parametrize("name", scenario_names())
def test_shipped_scenarios_say_that_they_are_invented(name: str) -> None:
    """A shipped scenario loads, carries its file's name, says 'invented' and has a VIN that does."""
    scenario = load_scenario(find_scenario(name))
    assert scenario.name == name
    assert describe(find_scenario(name)) == (name, scenario.description)
    assert "invented" in scenario.invented
    assert [ecu.vin for ecu in scenario.ecus if ecu.vin] == ["INVENTEDPUMPSET01"]
    assert {ecu.address for ecu in scenario.ecus} >= {0, 23, 61}
    assert scenario.phases[-1].kind is PhaseKind.KEY_OFF


def test_shipped_names() -> None:
    """These names are part of the command line."""
    assert scenario_names() == ["awkward-pump", "pump-set", "quick-look", "quiet-pump"]


def test_an_unknown_name_lists_the_known_ones() -> None:
    """A name that is neither shipped nor a file says what there is."""
    with pytest.raises(ScenarioError, match=r"^pump: no such scenario file; shipped .*pump-set, quick-look"):
        find_scenario("pump")


@pytest.mark.parametrize(
    ("name", "text"), [("x.dbc", "BO_ nonsense"), ("y.dbc", None)], ids=["not-a-dbc", "missing"]
)
def test_an_unusable_dbc_is_one_line(tmp_path: Path, name: str, text: str | None) -> None:
    """A layout file that cannot be used is named."""
    path = tmp_path / name
    if text is not None:
        path.write_text(text)
    with pytest.raises(DataFileError, match=name) as caught:
        Layout(path)
    assert str(caught.value).isprintable()
