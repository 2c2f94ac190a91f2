"""What became of a fault, and what the recording after the repair can prove.

The cases are written second by second. DM1 comes once a second (SAE J1939-73, section 5.7.1); 5 s without one are
silence and 2 s without the engine end a key cycle (docs/faults-json.md). What counts as proof is our own rule
(docs/compare.md).
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from faultlamp.cli.main import main
from support.two_recordings import START_S, Says, Turns, every_second, log

Script = Sequence[Says | Turns]
CODE = (110, 3)
COOLANT = [CODE]
BEFORE = every_second(0, 30, codes=COOLANT, rpm=1500)


def compared(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], after: Script, before: Script = BEFORE, *words: str
) -> dict[str, Any]:
    """The document about a script before and one after, an hour apart."""
    (tmp_path / "before.log").write_text(log(before))
    (tmp_path / "after.log").write_text(log(after, START_S + 3600))
    assert main(["compare", str(tmp_path / "before.log"), str(tmp_path / "after.log"), *words, "--format", "json"]) == 0
    document: dict[str, Any] = json.loads(capsys.readouterr().out)
    return document


def running(first: int, end: int, codes: Sequence[tuple[int, int]] = ()) -> list[Says | Turns]:
    """The engine runs, and its controller says this."""
    return every_second(first, end, codes=codes, rpm=1500)


def key_on(first: int, end: int, codes: Sequence[tuple[int, int]] = ()) -> list[Says | Turns]:
    """The key is on, the engine stands."""
    return every_second(first, end, codes=codes, rpm=0)


CASES = [
    # after, change, how, doubts, key cycles (heard, with the fault, without it, of these with the engine running)
    pytest.param(running(0, 30), "went", "not_listed", [], (1, 0, 1, 1), id="absent with the engine running"),
    pytest.param(key_on(0, 30), "went", "not_listed", ["engine_did_not_run"], (1, 0, 1, 0), id="engine never ran"),
    pytest.param(running(0, 6), "went", "not_listed", ["heard_too_briefly"], (1, 0, 1, 1), id="only six seconds"),
    pytest.param(every_second(0, 30, rpm=None), "went", "not_listed", ["no_engine_speed"], (1, 0, 1, 0),
                 id="the engine's address sends DM1 only"),
    pytest.param(running(0, 15) + [Turns(second, 1500) for second in range(15, 40)], "went", "not_listed",
                 ["sender_fell_silent"], (1, 0, 1, 1), id="fell silent while the key was on"),
    pytest.param([Turns(second, 1500) for second in range(30)], "not_heard", None, [], (0, 0, 0, 0),
                 id="no DM1 at all"),
    pytest.param([Turns(second, 1500) for second in range(30)] + [Says(31, 61)], "not_heard", None, [], (0, 0, 0, 0),
                 id="only another controller's DM1"),
    pytest.param(key_on(0, 15) + [Turns(second, 1500) for second in range(20, 40)], "went", "not_listed",
                 ["engine_did_not_run", "sender_fell_silent"], (1, 0, 1, 0), id="missing in the cycle that ran"),
    pytest.param(key_on(0, 15) + [Turns(second, 1500) for second in range(15, 40)], "went", "not_listed",
                 ["engine_did_not_run", "sender_fell_silent"], (1, 0, 1, 0), id="silent before the engine ran"),
    pytest.param([*running(0, 30), Says(30.5, 0, COOLANT, pgn=65227)], "went", "previously_active", [], (1, 0, 1, 1),
                 id="remembered in DM2"),
    pytest.param([*running(0, 30), Says(30.5, 0, COOLANT, pgn=65231)], "went", "otherwise_reported",
                 ["still_reported"], (1, 0, 1, 1), id="pending in DM6"),
    pytest.param([*running(0, 30), Says(30.5, 0, COOLANT, pgn=64949)], "went", "otherwise_reported", [], (1, 0, 1, 1),
                 id="previously active in DM23"),
    pytest.param(running(0, 30, COOLANT), "stayed", "active_at_end", [], (1, 1, 0, 0), id="still there"),
    pytest.param(running(0, 10, COOLANT) + [Turns(second) for second in range(10, 30)], "stayed", "silent", [],
                 (1, 1, 0, 0), id="there until its sender fell silent"),
    pytest.param(running(0, 10, COOLANT) + running(10, 30), "cleared", "cleared", ["no_clean_key_cycle"], (1, 1, 0, 0),
                 id="cleared while the engine ran, no key cycle since"),
    pytest.param(running(0, 10, COOLANT) + running(20, 40), "cleared", "cleared", [], (2, 1, 1, 1),
                 id="gone in the next key cycle"),
    pytest.param(running(0, 10) + running(10, 15, COOLANT) + running(15, 20) + running(30, 50), "cleared", "cleared",
                 ["came_again"], (2, 1, 1, 1), id="came after it was absent"),
    pytest.param(running(0, 5, COOLANT) + running(5, 10) + running(10, 15, COOLANT) + running(15, 18) +
                 running(30, 50), "cleared", "cleared", ["came_again"], (2, 1, 1, 1), id="came and went twice"),
]


@pytest.mark.parametrize(("after", "change", "how", "doubts", "cycles"), CASES)
def test_a_fault_that_was_active_before(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], after: Script, change: str, how: str | None,
    doubts: list[str], cycles: tuple[int, int, int, int],
) -> None:
    """No repair is claimed that the recording does not prove, and every doubt has its name."""
    document = compared(tmp_path, capsys, after)
    (fault,) = document["faults"]
    evidence = fault["evidence_after"]
    assert (fault["change"], fault["how"], fault["doubts"]) == (change, how, doubts)
    assert fault["proven"] == (change in ("went", "cleared") and not doubts)
    assert cycles == tuple(
        evidence[name] for name in ("key_cycles", "with_fault", "without_fault", "without_fault_engine_ran")
    )
    expected = {"stayed": "not_held", "not_heard": "not_proven"}.get(change, "not_proven" if doubts else "held")
    assert document["verdict"] == ("not_held" if "came_again" in doubts else expected)


def test_seconds_without_the_fault(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Heard 9 s and 19 s, of which the fault was there 9 s; the break of the key is not counted."""
    document = compared(tmp_path, capsys, running(0, 10, COOLANT) + running(20, 40))
    evidence = document["faults"][0]["evidence_after"]
    assert (evidence["heard_s"], evidence["absent_s"]) == (28.0, 19.0)
    document = compared(tmp_path, capsys, running(0, 10, COOLANT) + running(10, 30))
    evidence = document["faults"][0]["evidence_after"]
    assert (evidence["heard_s"], evidence["absent_s"]) == (29.0, 19.0)


def test_a_sender_that_outlives_the_key_cycles(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One that talks all the time is heard in both key cycles; the engine ran in the second."""
    after: list[Says | Turns] = [Says(second + 0.1, 61) for second in range(60)]
    after += [Turns(second, 0) for second in range(10, 20)] + [Turns(second, 1500) for second in range(40, 50)]
    before = [Says(second, 61, COOLANT) for second in range(5)]
    (fault,) = compared(tmp_path, capsys, sorted(after, key=lambda each: each.second), before)["faults"]
    evidence = fault["evidence_after"]
    assert (evidence["key_cycles"], evidence["without_fault_engine_ran"], fault["doubts"]) == (2, 1, [])


def test_the_numbers_of_the_key_cycles(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """There in the first two key cycles and in the fourth of five, counted from 1."""
    there, gone = COOLANT, ()
    after = [each for number, codes in enumerate((there, there, gone, there, gone))
             for each in running(20 * number, 20 * number + 12, codes)]
    evidence = compared(tmp_path, capsys, after)["faults"][0]["evidence_after"]
    assert evidence["with_fault_numbers"] == [[1, 2], [4, 4]]
    assert (evidence["with_fault"], evidence["without_fault"]) == (3, 1)


def test_a_fault_that_came(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """New ones say whether BEFORE knew them, and whether their sender was heard in it at all."""
    before = [*running(0, 30), Says(31, 0, COOLANT, pgn=65227)]
    after = [*running(0, 30, [CODE, (100, 1)]), Says(31, 61, [(3216, 4)])]
    document = compared(tmp_path, capsys, after, before)
    found = {
        (fault["source_address"], fault["spn"]): (fault["change"], fault["known_before"],
                                                  fault["evidence_before"]["heard"]) for fault in document["faults"]
    }
    assert found == {
        (0, 100): ("came", False, True), (0, 110): ("came", True, True), (61, 3216): ("came", False, False),
    }
    assert document["verdict"] == "nothing_before"


def test_stored_codes_are_no_change(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What only DM2 names, and nobody lists as active, neither went nor came."""
    before = [*running(0, 12), Says(13, 0, COOLANT, pgn=65227)]
    document = compared(tmp_path, capsys, running(0, 12), before)
    assert [(fault["change"], fault["after"]) for fault in document["faults"]] == [("stored_only", None)]
    assert document["counts"]["stored_only"] == 1


def test_counts_before_and_after(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The last occurrence count of each recording; a fault that comes and goes is called so."""
    before = [*running(0, 5), Says(6, 0, COOLANT, count=2)]
    after = [*running(0, 5), Says(6, 0, COOLANT, count=3), Says(7, 0), Says(8, 0, COOLANT, count=4)]
    (fault,) = compared(tmp_path, capsys, after, before)["faults"]
    assert (fault["before"]["occurrence_count"], fault["after"]["occurrence_count"]) == (2, 4)
    assert (fault["change"], fault["intermittent"]) == ("stayed", True)


def test_lamps_of_each_sender(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Red stop asked for 3 s and then no more; in AFTER never (bits: SAE J1939-73, section 5.7.1)."""
    before = [Says(second, 0, COOLANT, lamps=0x10) for second in range(4)] + [Says(4, 0, COOLANT, lamps=0x00)]
    after = [Says(second, 0, lamps=0x00) for second in range(3)]
    document = compared(tmp_path, capsys, after, before)
    lamps = {lamp["lamp"]: (lamp["before"], lamp["after"]) for lamp in document["lamps"]}
    # Flash bits 11 beside a lamp that is on: steady.
    assert lamps["red_stop"] == (
        {"last_state": "off", "lit_s": 4.0, "heard_s": 4.0}, {"last_state": "off", "lit_s": 0.0, "heard_s": 2.0}
    )
    assert list(lamps) == ["malfunction_indicator", "red_stop", "amber_warning", "protect"]


def test_another_engine_address(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """With the address of a node that never sends there is no key cycle, so nothing is proven."""
    document = compared(tmp_path, capsys, running(0, 30), BEFORE, "--engine-address", "1")
    assert document["faults"][0]["doubts"] == ["no_key_cycle"]


def test_a_clock_that_steps_back(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """After the step the same times come again; they are of another stretch, and the fault is not in it."""
    after = running(100, 130, COOLANT) + running(100, 130)
    document = compared(tmp_path, capsys, after)
    (fault,) = document["faults"]
    evidence = fault["evidence_after"]
    assert document["after"]["clock_steps"] == 1
    assert (fault["change"], fault["doubts"]) == ("cleared", [])
    assert (evidence["key_cycles"], evidence["with_fault"], evidence["without_fault_engine_ran"]) == (2, 1, 1)
    assert evidence["absent_s"] == 29.0
    assert document["order"] == "unknown"


def test_two_stretches_the_other_way_round(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A fault that is there after the step has stayed, whatever the times say."""
    document = compared(tmp_path, capsys, running(100, 130) + running(50, 80, COOLANT))
    assert [(fault["change"], fault["how"]) for fault in document["faults"]] == [("stayed", "active_at_end")]


@pytest.mark.parametrize(
    ("before", "after", "doubts"),
    [
        pytest.param(COOLANT, running(0, 30, [(110, 4)]), {(110, 3): ["other_fmi"], (110, 4): []},
                     id="fails in another way"),
        pytest.param([*COOLANT, (110, 4)], running(0, 30, [(110, 4)]), {(110, 3): ["other_fmi"], (110, 4): []},
                     id="one of two stayed"),
        pytest.param(COOLANT, running(0, 30, [(100, 4)]), {(110, 3): [], (100, 4): []}, id="another SPN"),
        pytest.param(COOLANT, [*running(0, 30), *(Says(second + 0.2, 3, [(110, 4)]) for second in range(30))],
                     {(110, 3): [], (110, 4): []}, id="another sender"),
        pytest.param([*COOLANT, (110, 4)], running(0, 10, [*COOLANT, (110, 4)]) + running(20, 40),
                     {(110, 3): [], (110, 4): []}, id="both cleared"),
    ],
)
def test_another_failure_mode_of_the_same_part_is_no_repair(
    before: Sequence[tuple[int, int]], after: Script, doubts: dict[tuple[int, int], list[str]], tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """A connector put on the wrong way round makes 'shorted to high' into 'shorted to low' (SAE J1939-73, FMI 3, 4)."""
    document = compared(tmp_path, capsys, after, every_second(0, 30, codes=before, rpm=1500))
    assert {(fault["spn"], fault["fmi"]): fault["doubts"] for fault in document["faults"]} == doubts
    assert (document["verdict"] == "held") == (not any(doubts.values()))
