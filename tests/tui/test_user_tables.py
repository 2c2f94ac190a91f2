"""`--crosswalk` and `--spn-table` on watch and replay: what is wrong with a file is said in one line, before any screen
opens."""

from pathlib import Path

import pytest

from faultlamp.cli.main import main
from support.recordings import log_line

# DM1 of engine 1: SPN 110 FMI 3, amber (SAE J1939-73, section 5.7.1).
LOG = "".join(log_line(1_700_000_000 + at, data="04FF6E000301FFFF") for at in range(5))

COMMANDS = {"watch": ("watch", "--rig", "quick-look", "--for", "0.1"), "replay": ("replay",)}


def words(command: str, tmp_path: Path) -> list[str]:
    """A command that ends by itself."""
    log = tmp_path / "pump.log"
    log.write_text(LOG)
    return [*COMMANDS[command], *([str(log)] if command == "replay" else [])]


@pytest.mark.parametrize("command", COMMANDS)
@pytest.mark.parametrize("option", ["--crosswalk", "--spn-table"])
@pytest.mark.parametrize(
    ("content", "said"),
    [(None, "nowhere.csv"), ("what,ever\n1,2\n", "spn"), ("", "spn")],
    ids=["missing", "other columns", "empty"],
)
def test_a_file_that_cannot_be_used_is_one_line(
    command: str, option: str, content: str | None, said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit code 1, the file's name, no traceback, nothing on standard output."""
    path = tmp_path / "nowhere.csv"
    if content is not None:
        path.write_text(content)
    assert main([*words(command, tmp_path), option, str(path)]) == 1
    out, err = capsys.readouterr()
    assert out == ""
    assert len(err.strip().splitlines()) == 1
    assert "nowhere.csv" in err
    assert said in err


def test_bad_rows_are_named_and_the_rest_counts(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A warning with file and line."""
    path = tmp_path / "codes.csv"
    path.write_text("spn,fmi,lamp,code,title\n110,3,,A,B\nx,3,,A,B\n")
    assert main([*words("replay", tmp_path), "--crosswalk", str(path)]) == 0
    out, err = capsys.readouterr()
    assert "codes.csv, line 3" in err
    assert '"spn": 110' in out


def test_own_names_reach_what_is_printed_without_a_terminal(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Replay prints what `faults` prints, with them."""
    path = tmp_path / "names.csv"
    path.write_text("spn,name\n110,Water Jacket\n")
    assert main([*words("replay", tmp_path), "--spn-table", str(path)]) == 0
    assert "Water Jacket" in capsys.readouterr().out
