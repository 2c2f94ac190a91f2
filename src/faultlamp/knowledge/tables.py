"""The package's own tables of numbers and names: CSV files in `data/`, each read once, when first asked for.

Lines that start with # are comments; they and the column `source` say where the rows come from.
"""

import csv
import os
from functools import cache

# Neither importlib.resources nor pathlib: importing those takes several times as long as reading every table here.
_DATA = os.path.join(os.path.dirname(__file__), "data")


@cache
def number_table(file_name: str) -> dict[int, str]:
    """First column to second column of a shipped table, for instance SPN to name."""
    with open(os.path.join(_DATA, file_name), encoding="utf-8", newline="") as lines:
        rows = csv.reader(line for line in lines if not line.startswith("#"))
        next(rows)  # column titles
        return {int(row[0]): row[1] for row in rows}
