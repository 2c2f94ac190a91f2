"""`faultlamp values` as a script meets it."""

import csv
import io
from pathlib import Path

import duckdb
import pandas
import polars
import pyarrow.parquet
import pytest

from faultlamp.cli.main import main
from faultlamp.values import parquet

# EEC1 700 rpm, a public generator-set controller's example frame; ET1 coolant 26 degC of LX engine_temperature_1.
LOG = """\
(1700000000.000000) can0 0CF00400#FF7D7DE015FFF0FF
(1700000000.400000) can0 0CF00400#FF7D7D8020FFF0FF
(1700000001.000000) can0 18FEEE00#423BFFFFFFFFFFFF
(1700000002.500000) can0 0CF00400#FFFFFFFFFFFFFFFF
"""


@pytest.fixture
def log(tmp_path: Path) -> Path:
    """Two groups over 2.5 s."""
    path = tmp_path / "a.log"
    path.write_text(LOG)
    return path


def test_selection_in_file_order(log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """--spn picks; rows are in the order of the frames."""
    assert main(["values", str(log), "--format", "csv", "--spn", "190,110"]) == 0
    assert capsys.readouterr().out == (
        "time,channel,source_address,pgn,spn,name,value,unit,state\n"
        "1700000000.000000,can0,0,61444,190,Engine Speed,700.000,rpm,ok\n"
        "1700000000.400000,can0,0,61444,190,Engine Speed,1040.000,rpm,ok\n"
        "1700000001.000000,can0,0,65262,110,Engine Coolant Temperature 1,26,degC,ok\n"
        "1700000002.500000,can0,0,61444,190,Engine Speed,,rpm,not_available\n"
    )


def test_thinning(log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """--every keeps the last of each interval, with its own time."""
    assert main(["values", str(log), "--format", "csv", "--spn", "190", "--every", "1s"]) == 0
    rows = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
    assert [row["time"] for row in rows] == ["1700000000.400000", "1700000002.500000"]


def test_parquet_has_real_types(log: Path, tmp_path: Path) -> None:
    """The CSV's columns, as numbers and nulls; the file that exists is left alone."""
    out = tmp_path / "a.parquet"
    assert main(["values", str(log), "--format", "parquet", "--spn", "190", "-o", str(out)]) == 0
    table = pyarrow.parquet.read_table(out)
    assert table.column_names == [
        "time", "channel", "source_address", "pgn", "spn", "name", "value", "unit", "state",
    ]
    assert table.column("value").to_pylist() == [700.0, 1040.0, None]
    assert table.column("time").to_pylist() == [1700000000.0, 1700000000.4, 1700000002.5]
    assert table.column("state").to_pylist() == ["ok", "ok", "not_available"]


def test_the_usual_readers_take_the_parquet(
    log: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """pandas, polars and DuckDB read the same values, and no row group is larger than its bound."""
    monkeypatch.setattr(parquet, "ROWS_A_GROUP", 100)
    log.write_text("".join(LOG.replace("17000000", f"17000{number:03d}") for number in range(20)))
    out = tmp_path / "a.parquet"
    assert main(["values", str(log), "--format", "parquet", "-o", str(out)]) == 0
    assert main(["values", str(log), "--format", "csv", "-o", str(tmp_path / "a.csv")]) == 0
    with (tmp_path / "a.csv").open(newline="") as file:
        expected = [float(row["value"]) for row in csv.DictReader(file) if row["state"] == "ok"]
    assert [value for value in polars.read_parquet(out)["value"].to_list() if value is not None] == expected
    assert pandas.read_parquet(out)["value"].dropna().to_list() == expected
    table = f"read_parquet('{out}', file_row_number = true)"
    rows = duckdb.sql(f"SELECT value FROM {table} WHERE state = 'ok' ORDER BY file_row_number").fetchall()
    assert [value for (value,) in rows] == expected
    metadata = pyarrow.parquet.ParquetFile(out).metadata
    sizes = [metadata.row_group(number).num_rows for number in range(metadata.num_row_groups)]
    assert len(sizes) > 1
    assert max(sizes) <= 100


def test_an_existing_file_is_not_overwritten(log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Nothing recorded is lost to a slip of the keyboard."""
    assert main(["values", str(log), "-o", str(log)]) == 1
    assert "exists" in capsys.readouterr().err
    assert log.read_text() == LOG


def test_a_number_that_no_layout_has(log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One line that names the SPN and the way out."""
    assert main(["values", str(log), "--spn", "190,99999"]) == 1
    captured = capsys.readouterr()
    assert "99999" in captured.err
    assert "--dbc" in captured.err
    assert captured.err.count("\n") == 1


def test_a_table_for_people(log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Values with their unit, states in words."""
    assert main(["values", str(log), "--format", "table", "--spn", "190"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert "700.000 rpm" in lines[1]
    assert "not available" in lines[3]


def test_a_users_dbc(log: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A group of one's own is decoded beside the shipped ones."""
    dbc = tmp_path / "own.dbc"
    dbc.write_text('VERSION ""\nNS_ :\nBS_:\nBU_: X\nBO_ 2566848766 OWN: 8 X\n'
                   ' SG_ Flow : 0|16@1+ (0.1,0) [0|0] "L/s" X\n')
    log.write_text("(1700000000.000000) can0 18FF0000#6400FFFFFFFFFFFF\n")
    assert main(["values", str(log), "--format", "csv", "--dbc", str(dbc)]) == 0
    assert "1700000000.000000,can0,0,65280,,Flow,10.0,L/s,ok" in capsys.readouterr().out
