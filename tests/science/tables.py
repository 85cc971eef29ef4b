"""Reads the published tables beside this file; each has its source in its first line."""

import csv
from pathlib import Path

from hypothesis import settings

FOLDER = Path(__file__).parent / "reference"

# The machine that tests may be busy: a slow example is no failure.
unhurried = settings(deadline=None, max_examples=80)


def rows(name: str) -> list[dict[str, str]]:
    """Rows of a table as text by column."""
    with (FOLDER / f"{name}.csv").open(encoding="utf-8") as lines:
        return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def numbers(name: str) -> list[dict[str, float]]:
    """Rows of a table of numbers; empty cells are left out."""
    return [{k: float(v) for k, v in row.items() if v} for row in rows(name)]
