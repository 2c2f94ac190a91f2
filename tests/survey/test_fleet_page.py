"""The queries of docs/fleet.md run as they stand there, and find what is known of the invented fleet."""

import re
from pathlib import Path

import duckdb
import pytest

from faultlamp.survey.tables import SCHEMAS

PAGE = (Path(__file__).parents[2] / "docs" / "fleet.md").read_text(encoding="utf-8")
QUERIES = dict(re.findall(r"```sql\n-- ([^\n]+)\n(.+?)```", PAGE, re.DOTALL))

# See `fleet` in conftest.py for where these come from.
EXPECTED = {
    "most frequent faults": [
        (168, 4, "Battery Potential / Power Input 1", "voltage below normal, or shorted to low source", 10, 10),
        (100, 1, "Engine Oil Pressure", "data valid but below normal operational range - most severe level", 3, 3),
        (110, 0, "Engine Coolant Temperature 1", "data valid but above normal operational range - most severe level",
         3, 3),
        (3509, 3, "Sensor Supply Voltage 1", "voltage above normal, or shorted to high source", 1, 5),
    ],
    "fault before failure": [(100, 1, 3, 3, 3000), (168, 4, 2, 3, 3020)],
    "faults by software version": [
        ("INVENTED ENGINE 1.0", 168, 4, "Battery Potential / Power Input 1", 10, 12, 83),
        ("INVENTED ENGINE 1.0", 100, 1, "Engine Oil Pressure", 3, 12, 25),
        ("INVENTED ENGINE 1.0", 110, 0, "Engine Coolant Temperature 1", 3, 12, 25),
        ("INVENTED ENGINE 2.0", 3509, 3, "Sensor Supply Voltage 1", 1, 12, 8),
    ],
    "machines with intermittent faults": [("INVENTEDPUMP00020", 0, 3509, 3, 5, 12)],
    "readings out of the ordinary": [("machine-15.log", 0, "Engine Coolant Temperature 1", 110.0, 110.0, 0)],
    "what failed": [("cut.log.gz",), ("noise.blf",), ("noise.log.zst",)],
    "one file of a table": [(17,)],
}


@pytest.fixture
def beside(survey: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    """A directory in which `survey` is the survey of the fleet."""
    (tmp_path / "survey").symlink_to(survey)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_every_query_is_run() -> None:
    """None is new without an answer here."""
    assert set(QUERIES) == set(EXPECTED)
    assert PAGE.count("```sql") == len(QUERIES)


@pytest.mark.parametrize("name", sorted(EXPECTED))
def test_a_query_of_the_page(beside: Path, name: str) -> None:
    """Word by word, by DuckDB."""
    found = duckdb.connect().execute(QUERIES[name]).fetchall()
    if name in ("what failed", "readings out of the ordinary"):
        found = [(Path(path).name, *rest) for path, *rest in found]
    expected = EXPECTED[name]
    assert [row[: len(expected[0])] for row in found] == expected
    if name == "one file of a table":
        assert (beside / "faults.parquet").exists()


def test_the_python_of_the_page(beside: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """It prints both tables, the most frequent fault first."""
    (code,) = re.findall(r"```python\n(.+?)```", PAGE, re.DOTALL)
    exec(compile(code, "docs/fleet.md", "exec"), {})
    lines = capsys.readouterr().out.splitlines()
    assert lines[1].split() == ["168", "4", "10"]
    assert any(re.search(r"\b168\b.*\b4\b.*\b10\b", line) for line in lines[6:])


def test_every_table_and_column_is_described() -> None:
    """The page's table names each column, but for the counters that it abbreviates."""
    for table, schema in SCHEMAS.items():
        (row,) = re.findall(rf"^\| `{table}` \|(.+)$", PAGE, re.MULTILINE)
        words = set(re.findall(r"`(\w+)`", row))
        columns = {column for column in schema.names if not column.startswith("transport_")} - {"capture_id"}
        assert columns <= words
        assert {word for word in words if word not in schema.names} <= {
            "ok", "failed", "vin", "component", "software", "ecu"
        }
