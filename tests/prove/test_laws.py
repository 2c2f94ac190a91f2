"""Verdicts on random scripts, against what the script itself says; and the same verdicts however frames arrive."""

from pathlib import Path
from tempfile import TemporaryDirectory

from hypothesis import given, settings
from hypothesis import strategies as st

from faultlamp.frames import Frame
from support.expecting import dm1, et1, judged, result_of
from support.strategies import traffic
from support.wire import EPOCH_S, ns

# Each second of a script: is SPN 110 FMI 3 listed, is the amber lamp lit, what is the temperature byte?
seconds = st.lists(st.tuples(st.booleans(), st.booleans(), st.integers(0, 0xFA)), min_size=1, max_size=12)

ALL_KINDS = """
[[moment]]
name = "bad"
what = "fault_active"
[[controller]]
name = "a"
address = 3
dm1_period_s = [0.1, 2]
first_dm1_within_s = 1
[[controller]]
name = "b"
address = 61
heard = false
channel = "can1"
[[key_cycles]]
name = "c"
count = [1, 2]
engine_ran = true
[[lamp]]
name = "d"
lamp = "amber_warning"
must = "never_be_lit"
at_end = "off"
[[lamp]]
name = "e"
address = 0
lamp = "red_stop"
check_s = [0.1, 2]
[[fault]]
name = "f"
spn = 110
must = "become_active"
after = "key_on"
to_s = 3
spans = [1, 2]
lamp = "red_stop"
occurrence_count = [0, 50]
at_end = "not_active"
[[fault]]
name = "g"
must = "go"
after = "bad"
[[fault]]
name = "h"
fmi = 3
must = "stay_active"
while = "key_on"
[[no_other_faults]]
name = "i"
[[reading]]
name = "j"
spn = 190
high = 900
every_s = 2
never_error = true
[[transport]]
name = "k"
aborted = 0
[[bus]]
name = "l"
error_frames = 0
load_below_percent = 50
bit_rate = 250000
"""


def script(rows: list[tuple[bool, bool, int]]) -> list[Frame]:
    frames: list[Frame] = []
    for second, (active, amber, raw) in enumerate(rows):
        codes = [(110, 3, 1)] if active else []
        frames += dm1(second, *codes, lamps="04" if amber else "00")
        frames.append(et1(second + 0.5, raw))
    return frames


@settings(max_examples=60, deadline=None)
@given(seconds, st.integers(0, 12), st.integers(0, 12), st.integers(0, 5))
def test_faults_and_lamps_are_what_the_script_says(
    rows: list[tuple[bool, bool, int]], first: int, length: int, least: int
) -> None:
    """Whether, how often and where a fault was active, and a lamp lit, counted from the script's rows."""
    frames, last = script(rows), len(rows) - 1
    # Between two DM1 the earlier one counts; windows begin and end between them, too.
    begin, end = first + 0.25, first + 0.25 + length
    within = [row for second, row in enumerate(rows) if second + 1 > begin and second <= end]
    reached, complete = begin <= last + 0.5, end <= last + 0.5
    spans = sum(row[0] and (not at or not within[at - 1][0]) for at, row in enumerate(within))
    window = f"from_s = {begin}\nto_s = {end}\n"
    fault = f'[[fault]]\nname = "x"\nspn = 110\n{window}'
    lamp = f'[[lamp]]\nname = "x"\nlamp = "amber_warning"\n{window}'
    any_active, any_lit = any(row[0] for row in within), any(row[1] for row in within)
    expected = {
        fault + 'must = "be_active"': "held" if any_active else "failed" if complete else "not_shown",
        fault + 'must = "never_be_active"': "failed" if any_active else "held" if complete else "not_shown",
        fault + f"spans = [{least}, 100]": (
            "not_shown" if not complete else "held" if spans >= least else "failed"),
        lamp + 'must = "be_lit"': "held" if any_lit else "failed" if complete else "not_shown",
        lamp + 'must = "never_be_lit"': "failed" if any_lit else "held" if complete else "not_shown",
    }
    with TemporaryDirectory() as folder:
        for text, result in expected.items():
            found, words = result_of(text, frames, Path(folder))
            assert found == (result if reached else "not_shown"), (text, words)


@settings(max_examples=60, deadline=None)
@given(seconds, st.integers(-40, 210), st.integers(0, 100))
def test_readings_are_what_the_script_says(rows: list[tuple[bool, bool, int]], low: int, width: int) -> None:
    """Within limits throughout, at some time, at the end: 1 degC a bit from -40 (SAE J1939-71, section 5.3.28)."""
    values = [raw - 40 for *_, raw in rows]
    inside = [low <= value <= low + width for value in values]
    reading = f'[[reading]]\nname = "x"\nspn = 110\nlow = {low}\nhigh = {low + width}\n'
    expected = {"throughout": all(inside), "some_time": any(inside), "at_end": inside[-1]}
    with TemporaryDirectory() as folder:
        for must, good in expected.items():
            found, words = result_of(f'{reading}must = "{must}"', script(rows), Path(folder))
            assert found == ("held" if good else "failed"), words


@settings(max_examples=60, deadline=None)
@given(traffic(), st.lists(st.integers(0, 60), max_size=6))
def test_the_same_frames_give_the_same_verdicts_however_they_are_cut(frames: list[Frame], cuts: list[int]) -> None:
    """A live bus comes in small blocks and a recording in large ones: nothing depends on it, hostile traffic or not."""
    with TemporaryDirectory() as folder:
        whole = judged(ALL_KINDS, frames, Path(folder))
        pieces = judged(ALL_KINDS, frames, Path(folder), [cut for cut in cuts if cut <= len(frames)])
    assert whole.verdicts == pieces.verdicts


def test_a_live_bus_that_fell_silent_is_judged_to_the_end_of_the_listening(tmp_path: Path) -> None:
    """What a recording cannot tell: nothing came for another 10 s, so a reading was not there often enough."""
    text = '[[reading]]\nname = "x"\nspn = 110\nevery_s = 2\n[[fault]]\nname = "y"\nmust = "never_be_active"\n'
    frames = script([(False, False, 100)] * 4)
    assert judged(text, frames, tmp_path).all_held
    silent = judged(text, frames, tmp_path, now_ns=ns(14))
    assert [str(verdict.result) for verdict in silent.verdicts] == ["not_shown", "failed"]


def test_times_in_evidence_are_those_of_the_recording(tmp_path: Path) -> None:
    """Seconds since the epoch, and after the first frame."""
    text = '[[fault]]\nname = "x"\nmust = "be_active"\n'
    outcome = judged(text, script([(False, False, 0), (True, False, 0)]), tmp_path)
    time_ns = outcome.verdicts[0].finding.time_ns
    assert time_ns is not None
    assert outcome.heard.stamp(time_ns) == (EPOCH_S + 1) * 10**9
    assert outcome.heard.at(time_ns) == "1.000 s"
