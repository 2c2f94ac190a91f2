"""Each kind of expectation where it holds, where it fails, and where nothing shows either.

The script is `support.expecting.engine`; what is true of it stands in its first lines and not in the project.
"""

from collections.abc import Callable
from pathlib import Path

import pytest

from faultlamp.frames import Frame
from support.expecting import AMBER, RED, dm1, eec1, engine, et1, judged, result_of
from support.wire import frame, ns

HELD, FAILED, NOT_SHOWN = "held", "failed", "not_shown"
FAULT = '[[fault]]\nname = "x"\naddress = 0\nspn = 110\nfmi = 3\n'
LAMP = '[[lamp]]\nname = "x"\naddress = 0\nlamp = "red_stop"\n'
READING = '[[reading]]\nname = "x"\nspn = 110\n'
ENGINE = '[[controller]]\nname = "x"\naddress = 0\n'
KEY = '[[key_cycles]]\nname = "x"\n'
BUS = '[[bus]]\nname = "x"\n'
TRANSPORT = '[[transport]]\nname = "x"\n'
OTHERS = '[[no_other_faults]]\nname = "x"\n'
GONE = '[[moment]]\nname = "gone"\nwhat = "fault_gone"\nspn = 110\n'

CASES = {
    # Faults.
    "active at some time": (FAULT + 'must = "be_active"', HELD, "engine 1 (0) SPN 110 FMI 3 active at 10.100 s"),
    "active in a window": (FAULT + 'must = "be_active"\nfrom_s = 16', FAILED, "never active"),
    "active, but the window is longer": (FAULT + 'must = "be_active"\nfrom_s = 16\nto_s = 30', NOT_SHOWN, "20.000 s"),
    "active throughout": (FAULT + 'must = "stay_active"\nfrom_s = 10.1\nto_s = 15', HELD, "10.100 s"),
    "active throughout, too early": (FAULT + 'must = "stay_active"\nfrom_s = 9\nto_s = 15', FAILED, "from 9.000 s"),
    "active throughout, too late": (FAULT + 'must = "stay_active"\nfrom_s = 11\nto_s = 16', FAILED, "from 15.100 s"),
    "never active": (FAULT + 'must = "never_be_active"\nto_s = 10', HELD, "10 DM1 messages"),
    "never active, but it was": (FAULT + 'must = "never_be_active"', FAILED, "at 10.100 s"),
    "never active, at the first moment": (FAULT + 'must = "never_be_active"\nto_s = 10.1', FAILED, "at 10.100 s"),
    "never active once it is gone": (FAULT + 'must = "never_be_active"\nfrom_s = 15.1', HELD, "5 DM1 messages"),
    "never active, the window is longer": (FAULT + 'must = "never_be_active"\nfrom_s = 16\nto_s = 21', NOT_SHOWN, ""),
    "becomes active in time": (
        FAULT + 'must = "become_active"\nafter = "engine_running"\nto_s = 7.1', HELD, "at 10.100 s, after 7.100 s"),
    "becomes active too late": (
        FAULT + 'must = "become_active"\nafter = "engine_running"\nto_s = 7', FAILED, "did not become active"),
    "becomes active, but it was": (FAULT + 'must = "become_active"\nfrom_s = 12', FAILED, "before 12.000 s already"),
    "goes in time": (FAULT + 'must = "go"\nafter = "engine_running"\nto_s = 12.1', HELD, "gone at 15.100 s"),
    "goes too late": (FAULT + 'must = "go"\nafter = "engine_running"\nto_s = 12', FAILED, "still active at 15.000 s"),
    "goes, but was not there": (FAULT + 'must = "go"\nfrom_s = 16', NOT_SHOWN, "not active in the window"),
    "active at the end": (FAULT + 'at_end = "active"', FAILED, "inactive at the end"),
    "not active at the end": (FAULT + 'at_end = "not_active"', HELD, "inactive at the end"),
    "previously active without DM2": (FAULT + 'at_end = "previously_active"', NOT_SHOWN, "no DM2"),
    "count": (FAULT + "occurrence_count = 2", HELD, "occurrence count 2"),
    "count in a range": (FAULT + "occurrence_count = [1, 5]", HELD, "occurrence count 2"),
    "wrong count": (FAULT + "occurrence_count = [3, 5]", FAILED, "occurrence count 2"),
    "count of what never came": (FAULT.replace("110", "111") + "occurrence_count = 1", NOT_SHOWN, "never reported"),
    "spans": (FAULT + "spans = 1", HELD, "active 1 time"),
    "too few spans": (FAULT + "spans = [2, 3]", FAILED, "active 1 time"),
    "too many spans": (FAULT + "spans = 0", FAILED, "active 1 time"),
    "spans, longer window": (FAULT + "spans = [2, 3]\nto_s = 40", NOT_SHOWN, "active 1 time"),
    "comes with amber": (FAULT + 'lamp = "amber_warning"', HELD, "lamp amber warning on at 10.100 s"),
    "comes with red": (FAULT + 'lamp = "red_stop"', FAILED, "lamp red stop off at 10.100 s"),
    "lamp of what never came": (FAULT.replace("110", "111") + 'lamp = "red_stop"', NOT_SHOWN, "not active"),
    "fault of a silent controller": (
        FAULT.replace("address = 0", "address = 3") + 'must = "never_be_active"', NOT_SHOWN, "no DM1 was heard"),
    "fault on another channel": (FAULT + 'channel = "can1"\nmust = "be_active"', NOT_SHOWN, "no DM1 was heard"),
    "any fault": ('[[fault]]\nname = "x"\nmust = "never_be_active"', FAILED, "SPN 110 FMI 3"),
    "two demands, one fails": (FAULT + 'must = "be_active"\nlamp = "red_stop"', FAILED, "lamp red stop off"),
    "no other faults": (OTHERS + "allowed = [{ spn = 110 }]", HELD, "20 DM1 messages"),
    "no other faults beside one that is wanted": (
        FAULT.replace('"x"', '"w"') + 'must = "be_active"\nmay_be_not_shown = true\n' + OTHERS, HELD, "20 DM1"),
    "no other faults beside any": (
        '[[fault]]\nname = "w"\nmust = "be_active"\n' + OTHERS, FAILED, "SPN 110 FMI 3 was active at 10.100 s"),
    "another fault": (OTHERS + "allowed = [{ spn = 110, fmi = 4 }]", FAILED, "SPN 110 FMI 3 was active at 10.100 s"),
    "no other faults of a silent one": (OTHERS + "address = 7", NOT_SHOWN, "no DM1"),
    # Lamps.
    "lamp check": (LAMP + "check_s = [2, 3]", HELD, "lit until 2.1 s"),
    "lamp check too long": (LAMP + "check_s = [1, 2]", FAILED, "lit until 2.1 s"),
    "lamp check too short": (LAMP + "check_s = [3, 4]", FAILED, "lit until 2.1 s"),
    "lamp check of a dark lamp": (LAMP.replace("red_stop", "protect") + "check_s = [1, 3]", FAILED, "off in the first"),
    "lamp check without key on": (LAMP + "check_s = [1, 3]\nfrom_s = 5", NOT_SHOWN, "no key on"),
    "lamp lit": (LAMP + 'must = "be_lit"', HELD, "lit at 0.100 s"),
    "lamp lit later": (LAMP + 'must = "be_lit"\nfrom_s = 2.1', FAILED, "never lit"),
    "lamp never lit": (LAMP + 'must = "never_be_lit"\nfrom_s = 2.1', HELD, "not lit from 2.100 s"),
    "lamp never lit, but it was": (LAMP + 'must = "never_be_lit"\nfrom_s = 1.5', FAILED, "lit at 1.500 s"),
    "lamp never lit, longer window": (LAMP + 'must = "never_be_lit"\nfrom_s = 3\nto_s = 25', NOT_SHOWN, "ends at"),
    "lamp stays lit": (LAMP + 'must = "stay_lit"\nfrom_s = 0.1\nto_s = 2', HELD, "lit from 0.100 s"),
    "lamp does not stay lit": (LAMP + 'must = "stay_lit"\nfrom_s = 0.1\nto_s = 3', FAILED, "not lit from 2.100 s"),
    "lamp at the end": (LAMP + 'at_end = "off"', HELD, "off at the end"),
    "lamp at the end, wrong": (LAMP + 'at_end = "lit"', FAILED, "off at the end"),
    "lamp of a silent controller": (LAMP.replace("0", "9") + 'at_end = "off"', NOT_SHOWN, "no DM1"),
    # Readings: 60 degC, and 'error' from 10.2 s to 14.2 s.
    "reading throughout": (READING + "low = 60\nhigh = 60\nto_s = 10", HELD, "60 degC in 10 values"),
    "reading too high": (READING + "high = 59.5\nto_s = 10", FAILED, "60 degC at 0.200 s"),
    "reading too low": (READING + "low = 61\nto_s = 10", FAILED, "60 degC at 0.200 s"),
    "reading that is no number": (READING + "low = 0", NOT_SHOWN, "'error' at 10.200 s"),
    "reading at some time": (READING + 'must = "some_time"\nlow = 50\nfrom_s = 8', HELD, "60 degC at 8.200 s"),
    "reading at no time": (READING + 'must = "some_time"\nlow = 70', FAILED, "only 60 to 60 degC"),
    "reading not yet": (READING + 'must = "some_time"\nlow = 70\nto_s = 60', NOT_SHOWN, "ends at 20.000 s"),
    "reading at the end": (READING + 'must = "at_end"\nhigh = 60', HELD, "60 degC at 19.200 s"),
    "reading at the end, wrong": (READING + 'must = "at_end"\nhigh = 59', FAILED, "60 degC at 19.200 s"),
    "reading at the end, no number": (READING + 'must = "at_end"\nhigh = 59\nto_s = 12', NOT_SHOWN, "'error' at 11.2"),
    "never error": (READING + "never_error = true\nto_s = 10", HELD, "never 'error' in 10 values"),
    "never error, but it was": (READING + "never_error = true", FAILED, "'error' at 10.200 s"),
    "never not available": (READING + "never_not_available = true", HELD, "in 20 values"),
    "often enough": (READING + "every_s = 1", HELD, "longest wait 1 s"),
    "not often enough": (READING + "every_s = 0.999", FAILED, "longest wait 1 s, from 0.200 s"),
    "often enough, longer window": (READING + "every_s = 1\nto_s = 20.1", NOT_SHOWN, "ends at 20.000 s"),
    "another sender's reading": (READING + "address = 5\nhigh = 100", NOT_SHOWN, "no such reading"),
    "a reading that nobody sends": (READING.replace("110", "100") + "every_s = 1", NOT_SHOWN, "no such reading"),
    # Controllers.
    "controller heard": (ENGINE, HELD, "heard at 0.000 s"),
    "controller not heard": (ENGINE.replace("0", "9"), FAILED, "not heard"),
    "controller not heard yet": (ENGINE.replace("0", "9") + "to_s = 50", NOT_SHOWN, "not heard"),
    "controller never heard": (ENGINE.replace("0", "9") + "heard = false", HELD, "not heard from 0.000 s"),
    "controller never heard, but it was": (ENGINE + "heard = false", FAILED, "heard at 0.000 s"),
    "its NAME": (ENGINE + "claim = { function = 0, identity_number = 1, industry_group = 5 }", HELD, "its NAME"),
    "another NAME": (ENGINE + "claim = { function = 3 }", FAILED, "its NAME has function 0"),
    "first DM1": (ENGINE + "first_dm1_within_s = 0.1", HELD, "first DM1 0.1 s after"),
    "first DM1 too late": (ENGINE + "first_dm1_within_s = 0.09", FAILED, "first DM1 0.1 s after"),
    "DM1 period": (ENGINE + "dm1_period_s = [0.9, 1.1]", HELD, "1 s in "),
    "DM1 too rare": (ENGINE + "dm1_period_s = [0.5, 0.9]", FAILED, "none for 1 s from 0.100 s"),
    "DM1 too often": (ENGINE + "dm1_period_s = [1.1, 2]", FAILED, "again after 1 s"),
    # Key cycles.
    "one key cycle": (KEY + "count = 1", HELD, "1 key cycle"),
    "too few key cycles": (KEY + "count = 2", FAILED, "1 key cycle"),
    "too few key cycles yet": (KEY + "count = 2\nto_s = 100", NOT_SHOWN, "1 key cycle"),
    "too many key cycles": (KEY + "count = 0", FAILED, "1 key cycle"),
    "engine ran": (KEY + "engine_ran = true", HELD, "the engine ran"),
    "engine did not run": (KEY + "engine_ran = false", FAILED, "the engine ran"),
    "highest speed": (KEY + "max_engine_speed_rpm = [700, 800]", HELD, "at most 800 rpm"),
    "highest speed, too low": (KEY + "max_engine_speed_rpm = [801, 900]", FAILED, "at most 800 rpm"),
    # Transport: nothing of it here; see below.
    "no transport": (TRANSPORT + "aborted = 0", NOT_SHOWN, "no multi-packet message"),
    # The bus: 242 frames of 8 bytes in 20 s.
    "no error frames": (BUS + "error_frames = 0", HELD, "0 error frames"),
    "long enough": (BUS + "least_s = 20", HELD, "20 s from"),
    "too short": (BUS + "least_s = 20.001", FAILED, "20 s from"),
    "load": (BUS + "load_below_percent = 1\nbit_rate = 250000", HELD, "fullest second about 0.7 %"),
    "too much load": (BUS + "load_below_percent = 0.7\nbit_rate = 250000", FAILED, "fullest second"),
    "nobody counted lines": (BUS + "bad_lines = 0", NOT_SHOWN, "nobody counted"),
    # Windows.
    "after what never happened": (FAULT + 'must = "be_active"\nafter = "key_off"', NOT_SHOWN, "key off did not happen"),
    "after a fault is gone": (
        GONE + FAULT + 'must = "never_be_active"\nafter = "gone"\nto_s = 4', HELD, "not active in 5 DM1"),
    "before a moment": (FAULT + 'must = "never_be_active"\nafter = "engine_running"\nfrom_s = -3\nto_s = 0', HELD, ""),
    "beyond the end": (FAULT + 'must = "be_active"\nfrom_s = 30', NOT_SHOWN, "before 30.000 s"),
    "while the engine runs": (READING + 'must = "some_time"\nlow = 70\nwhile = "engine_running"', FAILED, "only"),
    "while it never runs": (
        READING + 'low = 0\nwhile = "engine_running"\nto_s = 2', NOT_SHOWN, "the engine did not run"),
}


@pytest.mark.parametrize(("text", "result", "words"), CASES.values(), ids=CASES)
def test_an_expectation_on_a_known_script(text: str, result: str, words: str, tmp_path: Path) -> None:
    """Result and evidence are what the script says by construction."""
    found, evidence = result_of(text, engine(), tmp_path)
    assert found == result, evidence
    assert words in evidence


def test_every_kind_has_all_three_results() -> None:
    """The table above leaves no kind of expectation without a case of each result."""
    kinds: dict[str, set[str]] = {}
    for text, result, _ in CASES.values():
        kind = text.rpartition("[[")[2].partition("]]")[0]
        kinds.setdefault(kind, set()).add(result)
    assert {kind for kind, results in kinds.items() if len(results) < 3} <= {"transport"}
    assert set(kinds) == {
        "fault", "no_other_faults", "lamp", "reading", "controller", "key_cycles", "bus", "transport"
    }


def without(frames: list[Frame], pick: Callable[[Frame], bool]) -> list[Frame]:
    return [one for one in frames if not pick(one)]


def is_dm1(one: Frame, at_s: float) -> bool:
    return one.can_id == 0x18FECA00 and one.time_ns == ns(at_s)


MANY = "".join([
    '[[controller]]\nname = "period"\naddress = 0\ndm1_period_s = [0.9, 1.1]\n',
    '[[controller]]\nname = "first"\naddress = 0\nfirst_dm1_within_s = 0.5\n',
    '[[lamp]]\nname = "check"\naddress = 0\nlamp = "red_stop"\ncheck_s = [1.9, 2.3]\n',
    '[[lamp]]\nname = "dark"\naddress = 0\nlamp = "red_stop"\nmust = "never_be_lit"\nfrom_s = 3\n',
    '[[fault]]\nname = "comes"\naddress = 0\nspn = 110\nfmi = 3\nmust = "become_active"\nto_s = 10.5\n',
    '[[fault]]\nname = "amber"\naddress = 0\nspn = 110\nfmi = 3\nlamp = "amber_warning"\n',
    '[[fault]]\nname = "once"\naddress = 0\nspn = 110\nfmi = 3\nspans = 1\n',
    '[[no_other_faults]]\nname = "others"\n',
    '[[reading]]\nname = "often"\nspn = 110\nevery_s = 1.2\n',
    '[[reading]]\nname = "warm"\nspn = 110\nlow = 50\nhigh = 70\nto_s = 10\n',
    '[[key_cycles]]\nname = "ran"\ncount = 1\nengine_ran = true\n',
])


def changed(frames: list[Frame], at_s: float, data: str) -> list[Frame]:
    """The DM1 of that second says something else."""
    return [frame(at_s, "18FECA00", data) if is_dm1(one, at_s) else one for one in frames]


MUTATIONS: dict[str, tuple[Callable[[list[Frame]], list[Frame]], set[str]]] = {
    "nothing": (lambda frames: frames, set()),
    "a DM1 is missing": (lambda frames: without(frames, lambda one: is_dm1(one, 5.1)), {"period"}),
    "the first DM1 is missing": (lambda frames: without(frames, lambda one: is_dm1(one, 0.1)), {"first"}),
    "red lamp bits shifted to amber": (
        lambda frames: changed(changed(frames, 0.1, "04FF00000000FFFF"), 1.1, "04FF00000000FFFF"), {"check"}),
    "red lamp lit once more": (lambda frames: changed(frames, 7.1, "10FF00000000FFFF"), {"dark"}),
    "amber bits shifted to red": (lambda frames: changed(frames, 10.1, "10FF6E000302FFFF"), {"amber", "dark"}),
    "the fault goes for a second": (lambda frames: changed(frames, 12.1, "00FF00000000FFFF"), {"once"}),
    "the fault comes a second late": (lambda frames: changed(frames, 10.1, "00FF00000000FFFF"), {"comes"}),
    "another fault": (lambda frames: changed(frames, 8.1, "00FF64000301FFFF"), {"others"}),
    "a reading is missing": (
        lambda frames: without(frames, lambda one: one.can_id == 0x18FEEE00 and one.time_ns == ns(6.2)), {"often"}),
    "a reading too hot": (
        lambda frames: sorted([*frames, et1(6.25, 0x70 + 40)], key=lambda one: one.time_ns), {"warm"}),
    "the engine falls silent": (
        lambda frames: without(frames, lambda one: ns(16) < one.time_ns < ns(18)),
        {"ran", "often", "period", "check"}),
}


@pytest.mark.parametrize(("mutate", "flipped"), MUTATIONS.values(), ids=MUTATIONS)
def test_a_changed_log_flips_exactly_the_right_verdicts(
    mutate: Callable[[list[Frame]], list[Frame]], flipped: set[str], tmp_path: Path
) -> None:
    """All hold on the script; after one change those that it concerns do not, and no others."""
    outcome = judged(MANY, mutate(engine()), tmp_path)
    assert {verdict.expectation.name for verdict in outcome.verdicts if not verdict.accepted} == flipped


def test_a_long_dm1_keeps_its_period_although_it_completes_later(tmp_path: Path) -> None:
    """From one frame to many the wait is counted from the announcement (SAE J1939-73, 5.7.1; J1939-21, 5.10)."""
    codes = [(number, 3, 1) for number in range(100, 160)]
    frames = [one for second in range(5) for one in dm1(second, *codes)] + [eec1(5, 0)]
    slow = dm1(5.5, *codes)
    text = ENGINE + "dm1_period_s = [0.999, 1.001]\nto_s = 5"
    assert result_of(text, [*frames, *slow], tmp_path)[0] == HELD


def test_an_early_dm1_that_says_something_new_is_no_fault_of_the_period(tmp_path: Path) -> None:
    """SAE J1939-73, section 5.7.1: once a second, and when the list changes."""
    text = ENGINE + "dm1_period_s = [0.9, 1.1]"
    news = (100, 1, 1)
    early = [*dm1(0), *dm1(1), *dm1(1.4, news), *dm1(2, news), *dm1(3, news)]
    assert result_of(text, early, tmp_path)[0] == HELD
    same = [*dm1(0), *dm1(1), *dm1(1.4), *dm1(2), *dm1(3)]
    assert result_of(text, same, tmp_path) == (FAILED, "again after 0.4 s at 1.400 s")


TWO_CODES = dm1(0, (1, 1, 1), (2, 2, 2))
SESSIONS = {
    "completed": (TWO_CODES, "aborted = 0\nleast_completed = 1", HELD, "1 completed"),
    "too few completed": (TWO_CODES, "least_completed = 2", FAILED, "1 completed"),
    "out of order": (
        [TWO_CODES[0], TWO_CODES[2]], "out_of_order = 0", FAILED, "1 out of order"),
    "as many as allowed": (
        [TWO_CODES[0], TWO_CODES[2]], "out_of_order = 1", HELD, "1 out of order"),
    "timed out": (
        [*TWO_CODES[:2], eec1(2, 0)], "timed_out = 0", FAILED, "1 timed out"),
    "incomplete": ([*TWO_CODES[:2]], "incomplete = 0", FAILED, "1 incomplete"),
}


@pytest.mark.parametrize(("frames", "keys", "result", "words"), SESSIONS.values(), ids=SESSIONS)
def test_transport_sessions(frames: list[Frame], keys: str, result: str, words: str, tmp_path: Path) -> None:
    """Sessions by ending, SAE J1939-21, section 5.10."""
    found, evidence = result_of(TRANSPORT + keys, frames, tmp_path)
    assert (found, words in evidence) == (result, True), evidence


def test_a_silent_stretch_is_not_never_active(tmp_path: Path) -> None:
    """Without DM1 for 5 s nobody knows; just below that the house calls the controller still heard."""
    text = FAULT + 'must = "never_be_active"'
    for gap_s, result in ((4.9, HELD), (5.0, NOT_SHOWN)):
        frames = [*dm1(0), *dm1(1), *dm1(1 + gap_s), *dm1(2 + gap_s)]
        assert result_of(text, frames, tmp_path)[0] == result


def test_a_fault_that_ends_in_silence_has_not_gone(tmp_path: Path) -> None:
    """A controller that falls silent with its fault active says nothing about its going."""
    frames = [*dm1(0, (110, 3, 1)), *dm1(1, (110, 3, 1)), *(eec1(second, 0) for second in range(2, 10))]
    assert result_of(FAULT + 'must = "go"', frames, tmp_path)[0] == NOT_SHOWN
    assert result_of(FAULT + 'at_end = "not_active"', frames, tmp_path)[0] == NOT_SHOWN


def test_previously_active_is_what_dm2_says(tmp_path: Path) -> None:
    """DM2, PGN 65227, lists it (SAE J1939-73, section 5.7.2)."""
    frames = [*dm1(0), frame(0.5, "18FECB00", "00FF6E000302FFFF"), *dm1(1)]
    assert result_of(FAULT + 'at_end = "previously_active"', frames, tmp_path)[0] == HELD
    assert result_of(FAULT.replace("110", "111") + 'at_end = "previously_active"', frames, tmp_path)[0] == FAILED


def test_a_lamp_that_is_not_available_is_shown_to_be_nothing(tmp_path: Path) -> None:
    """Both bits of the lamp 11: not available (SAE J1939-73, section 5.7.1)."""
    frames = [*dm1(0, lamps="FF"), *dm1(1, lamps="FF")]
    assert result_of(LAMP + 'must = "never_be_lit"', frames, tmp_path)[0] == NOT_SHOWN


def test_the_lamp_check_is_seen_where_the_key_was_off_for_a_moment(tmp_path: Path) -> None:
    """A lamp lit before a short key off and in the check after it: out 2 s after key on, although no span begins."""
    frames = [
        eec1(0, 0), *dm1(0, lamps=RED), *dm1(1, lamps=RED), *dm1(2), eec1(2, 0), *dm1(3, lamps=RED), eec1(3, 0),
        eec1(6, 0), *dm1(6.1, lamps=RED), *dm1(7.1, lamps=RED), eec1(7.1, 0), *dm1(8.1), eec1(8.1, 0), *dm1(9.1),
    ]
    found, words = result_of(LAMP + "check_s = [1.9, 2.2]", frames, tmp_path)
    assert found == HELD, words


def test_every_window_counts(tmp_path: Path) -> None:
    """After each key on anew: the second one shows the fault that the first does not."""
    frames = [
        eec1(0, 0), *dm1(0.1), eec1(1, 0), *dm1(1.1), eec1(2, 0),
        eec1(5, 0), *dm1(5.1, (110, 3, 1), lamps=AMBER), eec1(6, 0),
    ]
    text = FAULT + 'must = "never_be_active"\nafter = "key_on"\n'
    assert result_of(text, frames, tmp_path)[0] == FAILED
    first = '[[moment]]\nname = "first"\nwhat = "key_on"\nnumber = 1\n'
    assert result_of(first + FAULT + 'must = "never_be_active"\nafter = "first"\nto_s = 2', frames, tmp_path)[0] == HELD
    third = first.replace("1", "3")
    assert result_of(third + FAULT + 'must = "be_active"\nafter = "first"', frames, tmp_path)[0] == NOT_SHOWN


def test_channels_are_kept_apart(tmp_path: Path) -> None:
    """What one bus has, an expectation of the other does not see; without a channel all are meant."""
    frames = [*dm1(0), *dm1(0, (110, 3, 1), channel="can1"), *dm1(1), *dm1(1, (110, 3, 1), channel="can1")]
    never = FAULT + 'must = "never_be_active"\n'
    assert result_of(never + 'channel = "can0"', frames, tmp_path)[0] == HELD
    assert result_of(never + 'channel = "can1"', frames, tmp_path)[0] == FAILED
    assert result_of(never, frames, tmp_path)[0] == FAILED
    assert result_of('channel = "can0"\n' + never, frames, tmp_path)[0] == HELD


def test_time_runs_on_over_a_clock_step(tmp_path: Path) -> None:
    """A clock that steps back begins a stretch; what follows is later, and its stamps are given as recorded."""
    frames = [*dm1(100), *dm1(101), *dm1(0), *dm1(1, (110, 3, 1)), *dm1(2)]
    outcome = judged(
        FAULT + 'must = "become_active"\nfrom_s = 1.5\nto_s = 2.5\n' + BUS.replace("x", "y") + "clock_steps = 0",
        frames, tmp_path, steps=[2],
    )
    fault, bus = outcome.verdicts
    assert (fault.result, bus.result) == (HELD, FAILED)
    assert fault.finding.time_ns is not None
    assert outcome.heard.stamp(fault.finding.time_ns) == ns(1)


def test_nothing_heard_shows_nothing(tmp_path: Path) -> None:
    """An empty recording: every expectation is not shown, none holds."""
    outcome = judged(MANY + BUS + "least_s = 0\n" + TRANSPORT.replace("x", "t") + "aborted = 0", [], tmp_path)
    assert {str(verdict.result) for verdict in outcome.verdicts} == {NOT_SHOWN}
    assert not outcome.all_held


def test_what_need_not_be_shown_does_not_count(tmp_path: Path) -> None:
    """`may_be_not_shown` lets the unknown pass, for one or for all, and never a failure."""
    text = FAULT.replace("address = 0", "address = 3") + 'must = "be_active"\n'
    assert not judged(text, engine(), tmp_path).all_held
    assert judged(text + "may_be_not_shown = true", engine(), tmp_path).all_held
    assert judged("may_be_not_shown = true\n" + text, engine(), tmp_path).all_held
    assert not judged("may_be_not_shown = true\n" + FAULT + "spans = 5", engine(), tmp_path).all_held


def test_a_fault_that_went_and_came_again_did_not_go(tmp_path: Path) -> None:
    """It says when it came again, not that it was there all the time."""
    code = (110, 3, 1)
    frames = [*dm1(0, code), *dm1(1), *dm1(2, code), *dm1(3, code)]
    found = result_of(FAULT + 'must = "go"', frames, tmp_path)
    assert found == (FAILED, "engine 1 (0) SPN 110 FMI 3 active again at 2.000 s, and still active at 3.000 s")
    assert result_of(FAULT + 'must = "go"', [*dm1(0, code), *dm1(1, code)], tmp_path) == (
        FAILED, "engine 1 (0) SPN 110 FMI 3 still active at 1.000 s"
    )


def test_the_moment_is_named_that_was_waited_for(tmp_path: Path) -> None:
    """Of several windows the one that failed; of a moment with a number, how often it did happen."""
    code = (110, 3, 1)
    frames = [*dm1(0, code), *dm1(1), *dm1(2, code), *dm1(3), *[one for at_s in range(4, 9) for one in dm1(at_s)]]
    comes = FAULT + 'must = "become_active"\nto_s = 2\n'
    assert result_of(GONE + comes + 'after = "gone"', frames, tmp_path) == (
        FAILED, "did not become active after 3.000 s"
    )
    third = GONE + "number = 3\n"
    assert result_of(third + comes + 'after = "gone"', frames, tmp_path) == (
        NOT_SHOWN, "gone did not happen: fault gone 2 times, not 3"
    )
    lit = LAMP + 'must = "be_lit"\nto_s = 2\nafter = "gone"'
    assert result_of(GONE + lit, frames, tmp_path) == (FAILED, "never lit after 1.000 s; never lit after 3.000 s")


@pytest.mark.parametrize(
    ("must", "words"), [("throughout", "at least 1 throughout"), ("some_time", "at least 1 at some time"),
                        ("at_end", "at least 1 at the end")],
)
def test_when_a_reading_must_be_within_its_limits(must: str, words: str, tmp_path: Path) -> None:
    """In words that read as a sentence."""
    (verdict,) = judged(READING + f'low = 1\nmust = "{must}"', engine(), tmp_path).verdicts
    assert verdict.expected.endswith(words)
