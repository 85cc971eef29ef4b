"""The table of largest errors in DEVELOPERS.md is what is measured here."""

from pathlib import Path

import pytest

from .accuracy import ROWS, markdown
from .tables import FOLDER

DOCUMENT = Path(__file__).parents[2] / "DEVELOPERS.md"


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row.quantity}, {row.source}")
def test_the_stated_error_is_the_largest_one(row):
    """No figure of the source lies further off than the table says, and the table is not stale."""
    found = row.measured()
    assert row.holds(found), f"stated {row.stated:g}, measured {found:.3g}"


def test_the_document_has_the_table_as_it_is_measured():
    """The section on the trade's numbers holds every line of the table, and no line of an older one."""
    section = DOCUMENT.read_text(encoding="utf-8").split("\n## The trade's numbers\n")[1].split("\n## ")[0]
    lines = [line for line in section.splitlines() if line.startswith("|")]
    start = lines.index(markdown()[0])
    assert lines[start : start + len(markdown())] == markdown()


def test_every_published_table_says_where_it_comes_from():
    """The first line of every table names its source."""
    tables = sorted(FOLDER.glob("*.csv"))
    assert len(tables) > 30
    for table in tables:
        assert table.read_text(encoding="utf-8").startswith("# source: "), table.name


def test_every_published_table_is_used():
    """No table lies about unread: some test or the table of errors opens it by name."""
    text = "".join(path.read_text(encoding="utf-8") for path in Path(__file__).parent.glob("*.py"))
    for table in FOLDER.glob("*.csv"):
        assert f'"{table.stem}"' in text, table.name
