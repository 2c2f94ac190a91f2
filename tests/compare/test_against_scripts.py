"""Random scripts of DM1s: what the comparison says against what the script says, by sets alone."""

from __future__ import annotations

import contextlib
import csv
import io
import json
import tempfile
from collections import defaultdict
from collections.abc import Iterable, Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from faultlamp.cli.main import main
from support.two_recordings import START_S, Says, Turns, log

Script = list[Says | Turns]
Key = tuple[str, int, int, int]
Sender = tuple[str, int]

CODES = [(110, 3), (110, 4), (97, 3), (100, 1), (520192, 31), (3216, 12)]
SILENCE_S = 5


@st.composite
def scripts(draw: st.DrawFn) -> Script:
    """Three senders on two channels that speak in some seconds of a minute, and an engine in some stretches.

    No gap is 5 s exactly: a DM1 of several packets is under way some microseconds before it is complete.
    """
    said: Script = []
    for channel, address in (("can0", 0), ("can0", 61), ("can1", 0)):
        if not draw(st.booleans()):
            continue
        second = float(draw(st.integers(0, 10)))
        for _ in range(draw(st.integers(1, 12))):
            said.append(Says(second + 0.5, address, draw(st.lists(st.sampled_from(CODES), unique=True, max_size=3)),
                             channel, count=draw(st.integers(1, 126))))
            second += draw(st.sampled_from([1, 1, 1, 2, 4, 5.25, 6, 12]))
    for channel in ("can0", "can1"):
        for first, length, rpm in draw(st.lists(
            st.tuples(st.integers(0, 60), st.integers(1, 12), st.sampled_from([0.0, 399.0, 400.0, 1500.0])), max_size=3
        )):
            said += [Turns(first + step, rpm, channel) for step in range(length)]
    return sorted(said, key=lambda each: (each.second, each.channel, isinstance(each, Says)))


def run(*words: str) -> tuple[int, str]:
    """The command in this process: exit code and what it prints."""
    out = io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(io.StringIO()):
        code = main([*words, "--jobs", "1"])
    return code, out.getvalue()


def compared(before: Script, after: Script, *words: str) -> tuple[int, Any]:
    """The document about the scripts, and the exit code."""
    with logs(before, after) as paths:
        code, text = run("compare", *paths, *words, "--format", "json")
    return code, json.loads(text)


def printed(before: Script, after: Script, form: str) -> str:
    """What the command prints of the scripts in another format."""
    with logs(before, after) as paths:
        return run("compare", *paths, "--format", form)[1]


@contextlib.contextmanager
def logs(before: Script, after: Script) -> Iterator[list[str]]:
    """The scripts as logs, one an hour before the other, with every channel in both."""
    with tempfile.TemporaryDirectory() as folder:
        paths = []
        for name, script, start_s in (("before", before, START_S), ("after", after, START_S + 3600)):
            path = Path(folder, f"{name}.log")
            path.write_text(both_channels(start_s) + log(script, start_s))
            paths.append(str(path))
        yield paths


def both_channels(start_s: int) -> str:
    """An 11-bit frame on each channel: both are there, and nothing was said."""
    return "".join(f"({start_s}.000000) {channel} 123#00\n" for channel in ("can0", "can1"))


def active(script: Iterable[Says | Turns]) -> set[Key]:
    """What any DM1 of the script lists."""
    return {(each.channel, each.address, *code) for each in script if isinstance(each, Says) for code in each.codes}


def heard(script: Iterable[Says | Turns]) -> dict[Sender, list[float]]:
    """When each sender sent DM1."""
    times = defaultdict(list)
    for each in script:
        if isinstance(each, Says):
            times[each.channel, each.address].append(each.second)
    return times


def expected(before: Script, after: Script) -> dict[Key, str]:
    """By plain sets; of those active in both, by the sender's last DM1 in AFTER that counts."""
    old, new, senders = active(before), active(after), heard(after)
    changes = {}
    for key in old | new:
        if key not in old:
            changes[key] = "came"
        elif key in new:
            last = [each for each in after if isinstance(each, Says) and (each.channel, each.address) == key[:2]][-1]
            changes[key] = "stayed" if key[2:] in last.codes else "cleared"
        else:
            changes[key] = "went" if senders[key[:2]] else "not_heard"
    return changes


def key_of(fault: dict[str, Any]) -> Key:
    """The fault by its name in BEFORE, which here is that in AFTER."""
    assert fault["channel"]["before"] == fault["channel"]["after"]
    return fault["channel"]["before"], fault["source_address"], fault["spn"], fault["fmi"]


SLOWLY = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])


@SLOWLY
@given(scripts(), scripts())
def test_changes_are_those_of_the_script(before: Script, after: Script) -> None:
    """Every fault of the scripts stands there once, in order, with the change that sets of its DM1s give."""
    code, document = compared(before, after, "--fail-on-new")
    changes = {key_of(fault): fault["change"] for fault in document["faults"]}
    assert changes == expected(before, after)
    assert [key_of(fault) for fault in document["faults"]] == sorted(changes)
    assert code == (3 if "came" in changes.values() else 0)
    for name, count in document["counts"].items():
        assert count == list(changes.values()).count(name)


@SLOWLY
@given(scripts(), scripts())
def test_the_page_and_the_rows_name_every_fault(before: Script, after: Script) -> None:
    """The page has a line a fault, CSV a row a fault, in any combination of circumstances."""
    changes = expected(before, after)
    page, rows = printed(before, after, "table"), printed(before, after, "csv")
    assert page.count("  SPN ") == len(changes)
    assert page.count(" on can1, count ") == sum(key[0] == "can1" for key in changes)
    listed = {(row["channel_before"], int(row["source_address"]), int(row["spn"]), int(row["fmi"])): row["change"]
              for row in csv.DictReader(io.StringIO(rows))}
    assert listed == changes


@SLOWLY
@given(scripts(), scripts())
def test_swapping_turns_went_into_came(before: Script, after: Script) -> None:
    """What came is, the other way round, what went or was not heard."""
    ahead, back = compared(before, after)[1], compared(after, before)[1]

    def those(document: Any, *changes: str) -> set[Key]:
        return {key_of(fault) for fault in document["faults"] if fault["change"] in changes}

    assert those(ahead, "came") == those(back, "went", "not_heard")
    assert those(back, "came") == those(ahead, "went", "not_heard")
    assert those(ahead, "stayed", "cleared") == those(back, "stayed", "cleared")


@SLOWLY
@given(scripts())
def test_the_same_recording_twice(script: Script) -> None:
    """Nothing went, nothing came, and nobody is missing."""
    _, document = compared(script, script)
    assert {fault["change"] for fault in document["faults"]} <= {"stayed", "cleared"}
    assert (document["verdict"] == "nothing_before") == (not active(script))
    assert [channel["matched_by"] for channel in document["channels"]] == ["name", "name"]


@SLOWLY
@given(scripts(), scripts())
def test_both_sides_are_what_faults_prints(before: Script, after: Script) -> None:
    """Each side of a fault is its entry in the document of `faults`, and so are the key cycles and the capture."""
    _, document = compared(before, after)
    with logs(before, after) as paths:
        for name, path in zip(("before", "after"), paths, strict=True):
            alone = json.loads(run("faults", path, "--format", "json")[1])
            sides = {key_of(fault): fault[name] for fault in document["faults"] if fault[name] is not None}
            assert document["key_cycles"][name] == alone["key_cycles"]
            assert {**document[name], "files": 0} == {**alone["capture"], "files": 0}
            assert sides == {
                (fault["channel"], fault["source_address"], fault["spn"], fault["fmi"]): {
                    field: fault[field] for field in fault
                    if field not in ("channel", "source_address", "spn", "fmi", "spn_name", "fmi_meaning")
                } for fault in alone["faults"]
            }


@SLOWLY
@given(scripts(), scripts())
def test_evidence_is_not_more_than_the_script_has(before: Script, after: Script) -> None:
    """Seconds heard are those without a gap of 5 s; key cycles claimed free of a fault held a DM1 without it."""
    _, document = compared(before, after)
    times = heard(after)
    for fault in document["faults"]:
        evidence, sender = fault["evidence_after"], key_of(fault)[:2]
        spoken = times[sender]
        gaps = [later - earlier for earlier, later in pairwise(spoken)]
        assert evidence["heard"] == bool(spoken)
        assert evidence["heard_s"] == sum(gap for gap in gaps if gap < SILENCE_S)
        lists = [each.second for each in after if isinstance(each, Says) and (each.channel, each.address) == sender
                 and key_of(fault)[2:] in each.codes]
        last = max(lists, default=-1.0)
        cycles = [(cycle["start"] - START_S - 3600, cycle["end"]) for cycle in document["key_cycles"]["after"]
                  if cycle["channel"] == sender[0]]
        free = 0
        for start, end in cycles:
            stop = float("inf") if end is None else end - START_S - 3600
            free += any(start <= second <= stop for second in spoken) and start > last
        assert evidence["without_fault_engine_ran"] <= evidence["without_fault"] <= free
        assert evidence["with_fault"] <= evidence["key_cycles"] <= len(cycles)
        if fault["proven"]:
            assert evidence["without_fault_engine_ran"] >= 1
            assert sum(gap for place, gap in enumerate(gaps) if gap < SILENCE_S and spoken[place + 1] > last) >= 10
