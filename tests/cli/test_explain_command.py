"""`faultlamp explain` as a person and a script meet it."""

import json
import os
import pty
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from faultlamp.cli.explain_page import page
from faultlamp.cli.main import main
from faultlamp.knowledge.explanation import explanation
from support.documents import shape

ROOT = Path(__file__).parents[2]
EXAMPLE = ROOT / "docs" / "crosswalk-example.csv"
PAGE = (ROOT / "docs" / "explaining.md").read_text(encoding="utf-8")
Out = pytest.CaptureFixture[str]


def table(capsys: Out, *words: str) -> str:
    """The page for these words."""
    assert main(["explain", *words, "--format", "table"]) == 0
    return capsys.readouterr().out


def document(capsys: Out, *words: str) -> dict[str, Any]:
    """The JSON for these words."""
    assert main(["explain", *words, "--format", "json"]) == 0
    content: dict[str, Any] = json.loads(capsys.readouterr().out)
    return content


@pytest.mark.parametrize("words", [
    ("110", "3"), ("110/3",), ("SPN", "110", "FMI", "3"), ("spn:", "110", "fmi:", "3"), ("SPN 110 FMI 3",),
    ("SPN110", "FMI3"), ("spn=110", "fmi=3"), ("SPN=110/FMI=3",), ("110,3",), ("6E", "00", "03", "05"), ("6e000305",),
    ("0x6E000305",), ("0X6e000305",), ("6E 00 03 05",),
    ("0x6E", "0x00", "0x03", "0x05"), ("6E:00:03:05",),
], ids=" ".join)
def test_the_same_code_however_it_is_written(capsys: Out, words: tuple[str, ...]) -> None:
    """SPN 110 FMI 3, in numbers, as other commands print it, or as the bytes of SAE J1939-73, section 5.7.1."""
    content = document(capsys, *words)
    assert (content["spn"], content["fmi"], content["no_fault"]) == (110, 3, False)
    assert content["spn_name"] == "Engine Coolant Temperature 1"
    assert (content["dtc"] is None) == ("6" not in words[0])


# Codes published in unit tests of public libraries: Laixer J1939 (diagnostic_1_message_1, _2, _5), AgIsoStack++
# (diagnostic_protocol_tests), and for the four methods python-can-j1939 (test_dtc_conversion_methods).
@pytest.mark.parametrize(("code", "options", "expected"), [
    ("9F000301", (), (159, 3, 1, 0)),
    ("FB060B32", (), (1787, 11, 50, 0)),
    ("7F020200", (), (639, 2, 0, 0)),
    ("D2041F01", (), (1234, 31, 1, 0)),
    ("CE220C01", (), (8910, 12, 1, 0)),
    ("2468A583", ("--spn-conversion", "1"), (74565, 5, 3, 1)),
    ("6824A583", ("--spn-conversion", "2"), (74565, 5, 3, 1)),
    ("45232583", ("--spn-conversion", "3"), (74565, 5, 3, 1)),
    ("45232503", ("--spn-conversion", "4"), (74565, 5, 3, 0)),
    ("45232503", ("--spn-conversion", "1"), (74565, 5, 3, 0)),
    # SAE J1939-73, section 5.7.1, the example of SPN 1208 FMI 3, count 10 (from memory).
    ("B804030A", (), (1208, 3, 10, 0)), ("0097038A", ("--spn-conversion", "1"), (1208, 3, 10, 1)),
    ("6E00037F", (), (110, 3, None, 0)),
])
def test_published_codes(capsys: Out, code: str, options: tuple[str, ...], expected: tuple[int | None, ...]) -> None:
    """SPN, FMI, count and CM of the four bytes; the conversion counts only where CM is 1."""
    content = document(capsys, code, *options)
    dtc = content["dtc"]
    assert (dtc["spn"], dtc["fmi"], dtc["occurrence_count"], dtc["conversion_method"]) == expected
    assert (content["spn"], content["fmi"]) == expected[:2]


def test_an_old_form_says_what_else_it_could_be(capsys: Out) -> None:
    """With CM 1 the four readings are shown and the one taken is named (same source as above)."""
    assert document(capsys, "2468A583", "--spn-conversion", "1")["dtc"]["spn_by_method"]["1"] == 74565
    text = " ".join(table(capsys, "2468A583").split())
    assert "CM is 1" in text
    assert "Read by method 4, the present layout" in text
    assert "74565 by 1" in text


@pytest.mark.parametrize("words", [
    ("0", "0"), ("524287", "31"), ("00000000",), ("FFFFFFFF",), ("FF", "FF", "FF", "FF"),
], ids=" ".join)
def test_no_fault_is_one_line(capsys: Out, words: tuple[str, ...]) -> None:
    """The two ways in which controllers say that there is none (SAE J1939-73, section 5.7.1, from memory)."""
    out = table(capsys, *words)
    assert out.count("\n") == 1
    assert "no fault" in out
    assert document(capsys, *words)["no_fault"] is True


@pytest.mark.parametrize(("words", "complaint"), [
    (("110",), "the FMI is missing"),
    (("110", "32"), "FMI 32 is outside 0..31"),
    (("524288", "3"), "SPN 524288 is outside 0..524287"),
    (("-1", "3"), "SPN -1 is outside"),
    (("110", "-3"), "FMI -3 is outside"),
    (("110", "3", "5"), "a code has two numbers"),
    (("coolant",), "'coolant' is no code"),
    (("6E0003",), "'6E0003' is no code"),
    (("6E", "00", "03"), "is no code"),
    (("6E00030599",), "is no code"),
    (("110", "3.5"), "is no code"),
    (("\u0661\u0661\u0660", "3"), "is no code"),
    (("\x1b[2J", "3"), "is no code"),
    (("SPN",), "a code has two numbers"),
    (("9" * 400, "3"), "is no code"),
    (("110", "3", "--spn-conversion", "1"), "--spn-conversion says how to read a code given as four hex bytes"),
])
def test_wrong_usage_is_one_line(capsys: Out, words: tuple[str, ...], complaint: str) -> None:
    """Exit code 2, nothing on standard output, one harmless line that says what to give."""
    assert main(["explain", *words]) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert captured.err.count("\n") == 1
    assert captured.err.rstrip("\n").isprintable()
    assert complaint in captured.err


@pytest.mark.parametrize("options", [
    ("--lamp", "purple"), ("--spn-conversion", "5"), ("--format", "csv"), ("--nothing",),
])
def test_wrong_options(options: tuple[str, ...]) -> None:
    """argparse's own complaint, exit code 2."""
    with pytest.raises(SystemExit, match="2"):
        main(["explain", "110", "3", *options])


@pytest.mark.parametrize("words", [
    ("--lamp", "red_stop", "--crosswalk", str(EXAMPLE), "110", "3"), ("110", "3", "--crosswalk", str(EXAMPLE), "--lamp",
    "Red-Stop"), ("--crosswalk", str(EXAMPLE), "110/3", "--lamp", "stop"),
], ids=["options-first", "options-last", "around"])
def test_the_order_of_options_does_not_matter(capsys: Out, words: tuple[str, ...]) -> None:
    """The red stop lamp's row comes first wherever the options stand."""
    assert [row["code"] for row in document(capsys, *words)["codes"]] == [
        "INVENTED-1103R", "INVENTED-1103", "INVENTED-1103A"
    ]


def test_the_page_has_everything_in_order(capsys: Out) -> None:
    """Meaning, causes, steps with the caution before the words that need it, codes, and the manual at the end."""
    text = table(capsys, "110", "3", "--lamp", "red", "--crosswalk", str(EXAMPLE))
    marks = [
        "SPN 110 FMI 3   Engine Coolant Temperature 1", "voltage above normal", "Usual causes, the likeliest first",
        "  1. Connector off", "Test in this order", "  2. ! Key off before a connector is pulled or plugged.",
        "     Unplug the connector", "     good  ", "     if not  ", "The maker's codes, from your crosswalk",
        "  1. INVENTED-1103R", "which is asked for (line 4)", "https://example.org/pump-set/1103R",
        "the maker's manual decides.",
    ]
    places = [text.index(mark) for mark in marks[:6]]
    assert places == sorted(places)
    assert all(mark in text for mark in marks)
    assert text.rstrip().endswith("Common practice, no source: the maker's manual decides.")


# A failure mode of each kind, known and unknown parameters.
@pytest.mark.parametrize("width", [79, 60, 40])
@pytest.mark.parametrize("pair", [(110, 3), (3226, 0), (3703, 31), (520200, 14), (2017, 9), (157, 4)], ids=str)
def test_no_line_is_wider_than_the_terminal(pair: tuple[int, int], width: int) -> None:
    """80 columns and narrower ones; no word of the page is lost in wrapping."""
    lines = [line.text for line in page(explanation(*pair), None, width)]
    assert max(map(len, lines)) <= width
    wide = " ".join(" ".join(line.text for line in page(explanation(*pair), None, 10_000)).split())
    assert re.sub(r"\s", "", " ".join(lines)) == re.sub(r"\s", "", wide)


def test_an_unknown_number_is_no_dead_end(capsys: Out, tmp_path: Path) -> None:
    """The failure mode is explained all the same, and an own table gives the number a name."""
    assert "no public name known" in table(capsys, "520200", "3")
    own = tmp_path / "own.csv"
    own.write_text("spn,name\n520200,Suction Side Dry\n")
    assert "Suction Side Dry" in table(capsys, "520200", "3", "--spn-table", str(own))
    assert document(capsys, "520200", "3", "--spn-table", str(own))["spn_name"] == "Suction Side Dry"


def test_bad_rows_are_warnings_and_not_too_many(capsys: Out, tmp_path: Path) -> None:
    """The first 20 by line, then how many more; the good row is still found."""
    rows = "".join(f"110,3,red,,{number},,\n" for number in range(50))
    codes = tmp_path / "codes.csv"
    codes.write_text(f"spn,fmi,lamp,code,title\n{rows}110,3,red,GOOD,\n")
    assert main(["explain", "110", "3", "--crosswalk", str(codes), "--format", "json"]) == 0
    captured = capsys.readouterr()
    assert [row["code"] for row in json.loads(captured.out)["codes"]] == ["GOOD"]
    warnings = captured.err.splitlines()
    assert len(warnings) == 21
    assert "line 2: " in warnings[0]
    assert "and 30 more" in warnings[-1]


@pytest.mark.parametrize("option", ["--crosswalk", "--spn-table"])
def test_a_table_that_is_not_there(capsys: Out, option: str) -> None:
    """Exit code 1 and one line with the name."""
    assert main(["explain", "110", "3", option, "gone.csv"]) == 1
    captured = capsys.readouterr()
    assert captured.out == ""
    assert captured.err == (
        "faultlamp: gone.csv: cannot read the table: No such file or directory; check path and permissions\n"
    )


@pytest.mark.parametrize("encoding", ["ascii", "cp1252", "utf-8"])
def test_a_terminal_that_lacks_a_letter(tmp_path: Path, encoding: str) -> None:
    """What the output's encoding cannot show is escaped; the page goes on to its end."""
    codes = tmp_path / "codes.csv"
    codes.write_text("spn,fmi,lamp,code,title\n110,3,red,C1,Kühlmittel Жар\n", encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-m", "faultlamp", "explain", "110", "3", "--crosswalk", codes, "--format", "table"],
        capture_output=True, check=False, env={**os.environ, "PYTHONIOENCODING": encoding, "PYTHONUTF8": "0"},
    )
    assert (done.returncode, done.stderr) == (0, b"")
    shown = done.stdout.decode(encoding)
    assert "C1  K" in shown
    assert ("Жар" if encoding == "utf-8" else r"\u0416\u0430\u0440") in shown
    assert "manual decides" in shown.splitlines()[-1]


def test_faults_and_values_take_own_names_too(tmp_path: Path, capsys: Out) -> None:
    """A DM1 with SPN 520200 FMI 31, count not available (SAE J1939-73, section 5.7.1), and EEC1 with 700 rpm."""
    own, log = tmp_path / "own.csv", tmp_path / "a.log"
    own.write_text("spn,name\n520200,Suction Side Dry\n190,Shaft Speed\n")
    log.write_text("(1.000000) can0 18FECA00#10FF08F0FF7FFFFF\n(1.500000) can0 0CF00400#F07D7DE015FFF0FF\n")
    assert main(["faults", str(log), "--spn-table", str(own), "--format", "json"]) == 0
    (fault,) = json.loads(capsys.readouterr().out)["faults"]
    assert (fault["spn"], fault["spn_name"]) == (520200, "Suction Side Dry")
    assert main(["faults", str(log), "--spn-table", str(own), "--format", "table"]) == 0
    assert "Suction Side Dry" in capsys.readouterr().out
    values = subprocess.run(
        [sys.executable, "-m", "faultlamp", "values", log, "--spn", "190", "--spn-table", own, "--format", "csv"],
        capture_output=True, text=True, check=True,
    )
    assert ",190,Shaft Speed,700.000,rpm,ok" in values.stdout


def test_piped_it_is_json_and_on_a_terminal_a_page(tmp_path: Path) -> None:
    """As other commands do; bold on a terminal, and none of it with NO_COLOR."""
    words = [sys.executable, "-m", "faultlamp", "explain", "110", "3"]
    assert json.loads(subprocess.run(words, capture_output=True, check=True).stdout)["spn"] == 110
    for no_color in ("", "1"):
        child, terminal = pty.fork()
        if not child:
            os.environ.update(TERM="xterm", NO_COLOR=no_color, COLUMNS="80")
            os.execv(words[0], words)
        shown = b""
        try:
            while chunk := os.read(terminal, 65536):
                shown += chunk
        except OSError:  # how a pseudo-terminal says that its other side has gone
            pass
        os.waitpid(child, 0)
        os.close(terminal)
        assert b"Engine Coolant Temperature 1" in shown
        assert (b"\x1b[1m" in shown) == (not no_color)


def test_it_loads_nothing_heavy() -> None:
    """Half a second is promised; numpy, python-can, cantools, rich and textual would use it up."""
    code = (
        "import sys; from faultlamp.cli.main import main; main(['explain', '110', '3', '--crosswalk', sys.argv[1]]); "
        "print({'numpy', 'can', 'cantools', 'rich', 'textual'} & set(sys.modules), file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code, str(EXAMPLE)], capture_output=True, text=True, check=True)
    assert done.stderr == "set()\n"


def test_the_documented_json_is_the_one_that_is_written(capsys: Out) -> None:
    """docs/explaining.md shows every field, in its place."""
    shown = re.findall(r"```json\n(.*?)```", PAGE, re.DOTALL)
    assert len(shown) == 1
    written = document(capsys, "6E000385", "--lamp", "red_stop", "--crosswalk", str(EXAMPLE))
    expected = json.loads(shown[0])
    assert shape(expected) == shape({**written, "cautions": ["x"], "steps": [{**written["steps"][0]}]})
    assert expected["dtc"] == written["dtc"]


def test_the_page_of_documentation_names_every_option_and_file(capsys: Out) -> None:
    """Options of the command, files of the knowledge, and an example that exists."""
    with pytest.raises(SystemExit, match="0"):
        main(["explain", "--help"])
    for option in re.findall(r"--[a-z-]+", capsys.readouterr().out):
        assert option in PAGE or option == "--help"
    for name in ("spn_names.csv", "fmi.csv", "addresses.csv", "failure_families.toml", "component_families.toml",
                 "systems.toml", "test_steps.toml", "cautions.toml"):
        assert name in PAGE
    assert "(crosswalk-example.csv)" in PAGE
