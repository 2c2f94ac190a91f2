"""`faultlamp compare` as a technician and a script meet it: formats, exit codes, one line for every failure."""

from __future__ import annotations

import csv
import gzip
import io
import json
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest

from faultlamp.cli.main import main
from support.documents import shape
from support.two_recordings import START_S, Says, every_second, log

# An invented pump set: the coolant sensor's connector is off, and is put on again.
UNPLUGGED = log(every_second(0, 30, codes=[(110, 3)], rpm=1500))
REPAIRED = log(every_second(0, 30, rpm=1500) + every_second(40, 70, rpm=1500), START_S + 3600)
SPOILT = log(every_second(0, 30, codes=[(100, 1)], rpm=1500), START_S + 3600)


@pytest.fixture
def pair(tmp_path: Path) -> tuple[str, str]:
    """A recording before the repair and one after it."""
    before, after = tmp_path / "before.log", tmp_path / "after.log"
    before.write_text(UNPLUGGED)
    after.write_text(REPAIRED)
    return str(before), str(after)


def test_the_page_says_it_first(pair: tuple[str, str], capsys: pytest.CaptureFixture[str]) -> None:
    """Verdict, evidence, lamps and cautions, without colour where nobody looks at a terminal."""
    assert main(["compare", *pair, "--format", "table"]) == 0
    text, errors = capsys.readouterr()
    words = " ".join(text.split())
    assert text.startswith("The repair held for as long as AFTER lasts.")
    for part in ("Of 1 fault active before: 1 went.", "None came.", "Went (1)", "SPN 110 FMI 3", "engine 1 (0)",
                 "over 2 key cycles, 2 with the engine running", "Key off before a connector is pulled",
                 "amber warning", "can0 in both"):
        assert part in words
    assert "\x1b" not in text
    assert errors == ""


def test_eighty_columns(pair: tuple[str, str], monkeypatch: pytest.MonkeyPatch,
                        capsys: pytest.CaptureFixture[str]) -> None:
    """Nothing is wider than a small terminal."""
    from rich.console import Console

    from faultlamp.cli import compare_table

    monkeypatch.setattr(compare_table, "console", lambda: Console(width=80, no_color=True))
    assert main(["compare", *pair, "--format", "table"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert max(map(len, lines)) <= 80
    assert len(lines) > 10


def test_json_is_the_default_when_piped(pair: tuple[str, str]) -> None:
    """One document, the shape that docs/compare.md shows, nothing else on either output."""
    result = subprocess.run([sys.executable, "-m", "faultlamp", "compare", *pair], capture_output=True, check=False)
    assert (result.returncode, result.stderr) == (0, b"")
    document = json.loads(result.stdout)
    assert (document["schema"], document["verdict"], document["order"]) == (1, "held", "in_order")
    assert document["counts"] == {"stayed": 0, "cleared": 0, "went": 1, "not_heard": 0, "came": 0, "stored_only": 0}
    manual = (Path(__file__).parents[2] / "docs" / "compare.md").read_text(encoding="utf-8")
    shown = json.loads(manual.split("```json\n")[1].split("```")[0])
    assert shape(document["faults"]) == shape(shown["faults"])
    assert {name: shape(document[name]) for name in document if name != "faults"} == {
        name: shape(shown[name]) for name in shown if name != "faults"
    }


def test_the_same_every_time(pair: tuple[str, str], capsys: pytest.CaptureFixture[str]) -> None:
    """Two runs, one process or several, words in another order: the same bytes."""
    texts = []
    for words in ([*pair], ["--jobs", "1", *pair], [pair[0], "--jobs", "2", pair[1]]):
        assert main(["compare", *words, "--format", "json"]) == 0
        texts.append(capsys.readouterr().out)
    assert texts[0] == texts[1] == texts[2]


@pytest.mark.parametrize(
    ("after", "words", "code"),
    [
        pytest.param(REPAIRED, ["--fail-on-new"], 0, id="nothing new"),
        pytest.param(SPOILT, ["--fail-on-new"], 3, id="one is new"),
        pytest.param(SPOILT, [], 0, id="nobody asked"),
        pytest.param(UNPLUGGED, ["--fail-on-new"], 0, id="the old one stayed"),
        pytest.param(log([Says(1, 0, [(100, 1)], pgn=65227)]), ["--fail-on-new"], 0, id="new in DM2 only"),
        pytest.param(log([Says(1, 0, [(100, 1)]), Says(2, 0)]), ["--fail-on-new"], 3, id="new, and cleared again"),
        pytest.param("", ["--fail-on-new"], 0, id="empty"),
    ],
)
@pytest.mark.parametrize("form", ["table", "json", "csv"])
def test_fail_on_new(
    pair: tuple[str, str], after: str, words: list[str], code: int, form: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """3 only when asked for and a fault was active that BEFORE never had active, after the usual output."""
    Path(pair[1]).write_text(after)
    assert main(["compare", *pair, *words, "--format", form]) == code
    assert capsys.readouterr().out


def test_csv_has_a_row_a_fault(pair: tuple[str, str], capsys: pytest.CaptureFixture[str]) -> None:
    """One header, one row, what is not known empty."""
    assert main(["compare", *pair, "--format", "csv"]) == 0
    (row,) = csv.DictReader(io.StringIO(capsys.readouterr().out))
    expected = {
        "change": "went", "how": "not_listed", "proven": "true", "doubts": "", "channel_before": "can0", "spn": "110",
        "fmi": "3", "state_before": "active", "state_after": "", "occurrence_count_before": "1",
        "occurrence_count_after": "", "active_spans_before": "1", "active_spans_after": "0", "absent_after_s": "58.0",
        "key_cycles_without_fault_engine_ran": "2",
    }
    assert {name: row[name] for name in expected} == expected


def test_hostile_names_stay_inert(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A channel and a user's table that would be a formula or move a cursor are neither in CSV nor on the page."""
    before, after, table = tmp_path / "before.log", tmp_path / "after.log", tmp_path / "names.csv"
    before.write_text(UNPLUGGED.replace("can0", "=1+1"))
    after.write_text(SPOILT.replace("can0", "@x"))
    table.write_text('spn,name\n110,"=cmd|x\x1b[2J"\n100,[red]+1\n')
    words = ["compare", str(before), str(after), "--spn-table", str(table)]
    assert main([*words, "--format", "csv"]) == 0
    rows = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
    assert [(row["channel_before"], row["channel_after"], row["spn_name"][:6]) for row in rows] == [
        ("'=1+1", "'@x", "[red]+"), ("'=1+1", "'@x", "'=cmd|"),
    ]
    assert main([*words, "--format", "table"]) == 0
    text = capsys.readouterr().out
    assert "\x1b" not in text
    assert "[red]+1" in text
    assert "=1+1 before is @x after" in text


def test_standard_input_is_either_one(pair: tuple[str, str]) -> None:
    """`-` stands for one of them; twice is an error in one line."""
    for words, given in ((["-", pair[1]], UNPLUGGED), ([pair[0], "-"], REPAIRED)):
        result = subprocess.run(
            [sys.executable, "-m", "faultlamp", "compare", *words], input=given, capture_output=True, text=True,
            check=False,
        )
        assert result.returncode == 0
        assert json.loads(result.stdout)["verdict"] == "held"
    assert main(["compare", "-", "-"]) == 1


def test_compressed(pair: tuple[str, str], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """.gz as everywhere."""
    packed = tmp_path / "before.log.gz"
    packed.write_bytes(gzip.compress(UNPLUGGED.encode()))
    assert main(["compare", str(packed), pair[1], "--format", "json"]) == 0
    assert json.loads(capsys.readouterr().out)["verdict"] == "held"


@pytest.mark.parametrize(
    ("before", "after", "verdict", "said"),
    [
        pytest.param(UNPLUGGED, "", "not_proven", "AFTER has no frames", id="nothing after"),
        pytest.param("", REPAIRED, "nothing_before", "BEFORE has no frames", id="nothing before"),
        pytest.param("", "", "nothing_before", "BEFORE has no frames", id="nothing at all"),
        pytest.param(REPAIRED, UNPLUGGED, "nothing_before", "the other way round", id="swapped"),
        pytest.param(UNPLUGGED, log(every_second(20, 60)), "not_proven", "begins before BEFORE ends", id="overlapping"),
        pytest.param(UNPLUGGED, log(every_second(0, 60), 0), "not_proven", "", id="one without a date"),
    ],
)
@pytest.mark.parametrize("form", ["table", "json", "csv"])
def test_doubtful_pairs_are_warned_about(
    pair: tuple[str, str], before: str, after: str, verdict: str, said: str, form: str,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """A line on standard error, and exit 0: what can be compared is."""
    Path(pair[0]).write_text(before)
    Path(pair[1]).write_text(after)
    assert main(["compare", *pair, "--format", form]) == 0
    text, errors = capsys.readouterr()
    assert said in errors
    assert all(line.startswith("faultlamp: warning: ") for line in errors.splitlines())
    assert bool(errors) == bool(said)
    if form == "json":
        assert json.loads(text)["verdict"] == verdict


def test_two_channels(pair: tuple[str, str], capsys: pytest.CaptureFixture[str]) -> None:
    """By name; what has no counterpart is warned about; --channels decides."""
    other = log([Says(5, 61, [(3216, 4)], "can1")])
    Path(pair[0]).write_text(UNPLUGGED + other)
    Path(pair[1]).write_text(REPAIRED + log([Says(75, 61, (), "can2")], START_S + 3600))
    assert main(["compare", *pair, "--format", "json"]) == 0
    text, errors = capsys.readouterr()
    document = json.loads(text)
    assert [fault["change"] for fault in document["faults"]] == ["went", "not_heard"]
    assert "channel can1 of BEFORE has no counterpart" in errors
    assert "channel can2 of AFTER has no counterpart" in errors
    assert main(["compare", *pair, "--channels", "can1=can2", "--format", "json"]) == 0
    text, errors = capsys.readouterr()
    assert [fault["change"] for fault in json.loads(text)["faults"]] == ["went", "went"]
    assert errors == ""


@pytest.mark.parametrize(
    ("words", "named"),
    [
        pytest.param(["BEFORE", "nowhere.log"], "nowhere.log", id="missing"),
        pytest.param(["demo:nothing-like-it", "BEFORE"], "nothing-like-it", id="no such demo"),
        pytest.param(["BEFORE", "AFTER", "--channels", "can9=can0"], "BEFORE has no channel can9",
                     id="no such channel"),
        pytest.param(["BEFORE", "BAD", "--strict"], "line 1", id="strict"),
        pytest.param(["BEFORE", "AFTER", "--spn-table", "nowhere.csv"], "nowhere.csv", id="no such table"),
    ],
)
def test_every_failure_is_one_line(
    pair: tuple[str, str], tmp_path: Path, words: list[str], named: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """What, where, what to do; exit 1; nothing on standard output."""
    bad = tmp_path / "bad.log"
    bad.write_text("not a frame\n" + REPAIRED)
    names = {"BEFORE": pair[0], "AFTER": pair[1], "BAD": str(bad)}
    assert main(["compare", *(names.get(word, word) for word in words)]) == 1
    text, errors = capsys.readouterr()
    assert text == ""
    assert errors.count("\n") == 1
    assert named in errors


@pytest.mark.parametrize(
    "words",
    [
        pytest.param([], id="no recording"), pytest.param(["a.log"], id="one recording"),
        pytest.param(["a.log", "b.log", "c.log"], id="three recordings"),
        pytest.param(["a.log", "b.log", "--channels", "can0"], id="no pair of channels"),
        pytest.param(["a.log", "b.log", "--channels", "=can0"], id="half a pair"),
        pytest.param(["a.log", "b.log", "--format", "parquet"], id="unknown format"),
    ],
)
def test_wrong_usage(words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    """Exit 2, with the usage on standard error."""
    with pytest.raises(SystemExit) as stop:
        main(["compare", *words])
    assert stop.value.code == 2
    assert "usage" in capsys.readouterr().err


def test_one_recording_twice_is_said(pair: tuple[str, str], capsys: pytest.CaptureFixture[str]) -> None:
    """However the path is written: such a page tells nothing about a repair."""
    other = str(Path(pair[0]).parent / "." / ".." / Path(pair[0]).parent.name / "before.log")
    for again in (pair[0], other):
        assert main(["compare", pair[0], again, "--format", "csv"]) == 0
        assert capsys.readouterr().err == (
            "faultlamp: warning: BEFORE and AFTER are one recording, so nothing can have changed: name two\n"
        )


def test_standard_input_is_called_so(
    pair: tuple[str, str], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The page names it in words; the document keeps the word of the command line."""
    for form in ("table", "json"):
        monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(REPAIRED.encode())))
        assert main(["compare", pair[0], "-", "--format", form]) == 0
        text = capsys.readouterr().out
        if form == "table":
            assert "AFTER   standard input: " in text
        else:
            assert json.loads(text)["after"]["files"] == ["-"]


def test_counts_are_numbers(pair: tuple[str, str], capsys: pytest.CaptureFixture[str]) -> None:
    """One key cycle is 1, in CSV and JSON, and not the word true."""
    assert main(["compare", pair[1], pair[0], "--format", "csv"]) == 0
    (row,) = csv.DictReader(io.StringIO(capsys.readouterr().out))
    assert {name: row[name] for name in row if name.startswith("key_cycles")} == {
        "key_cycles_after": "1", "key_cycles_with_fault": "1", "key_cycles_without_fault": "0",
        "key_cycles_without_fault_engine_ran": "0",
    }
    assert main(["compare", *pair, "--format", "json"]) == 0
    (fault,) = json.loads(capsys.readouterr().out)["faults"]
    for side in ("before", "after"):
        assert not [name for name, value in fault[f"evidence_{side}"].items() if value is True and name != "heard"]


def test_a_long_document_leaves_in_large_pieces(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each write into a pipe costs; the text is the one that the standard library writes."""
    from faultlamp.cli.output import print_json

    document = {"é": [{"place": place, "none": None, "list": [], "text": "\x1b"} for place in range(50_000)]}
    written: list[str] = []
    monkeypatch.setattr(sys, "stdout", SimpleNamespace(write=written.append))
    print_json(document)
    assert "".join(written) == json.dumps(document, indent=2) + "\n"
    assert 1 < len(written) < 20


def test_one_of_each_is_counted_in_words(pair: tuple[str, str], capsys: pytest.CaptureFixture[str]) -> None:
    """One frame, one bad line, one step of the clock; no length where the time stamps give none."""
    frame = "(1700000000.0) can0 18FECA00#00FF00000000FFFF\n"
    Path(pair[0]).write_text(frame + "no frame\n")
    Path(pair[1]).write_text(frame + frame.replace("1700", "1600"))
    assert main(["compare", *pair, "--format", "table"]) == 0
    text = " ".join(capsys.readouterr().out.split())
    assert "before.log: 1 frame in 0.0 s from 2023-11-14 22:13:20 UTC, 1 line that is no frame" in text
    assert "after.log: 2 frames from 2023-11-14 22:13:20 UTC, the clock stepped back once channels" in text
