"""`leeswatch export --what`: batches, jars and deeds as tables."""

import csv
import json
from pathlib import Path
from typing import Any

import pytest

from monitor.model.clock import HOUR, iso
from monitor.model.deeds import JarCounted, JarDiscarded, Jarred, JarUsed, Noted, Undone
from monitor.report.tables import COLUMNS, MADE_BY, cell
from monitor.settings import load_settings, store_path
from monitor.store.reader import Reader

from .helpers import DAY_AGO, parsed, run_here, with_history
from .test_import import house, state_of, tell

FORMULA = '=HYPERLINK("http://example.invalid","a")'


@pytest.fixture
def config(tmp_path: Path) -> Path:
    """A store with a batch, two jars and some deeds, one of them taken back."""
    config = house(tmp_path / "there")
    with_history(config)
    tell(config, [
        Noted(about="batch:amber-1", text=FORMULA, at=DAY_AGO + HOUR),
        Noted(about="batch:amber-1", text="a mistake, with a comma", at=DAY_AGO + 2 * HOUR),
        Jarred(jar="lees-1", strain="-house", origin="given", volume_ml=250, generation=2, at=DAY_AGO + 4 * HOUR),
        JarUsed(jar="lees-1", ml=40, batch="amber-1", at=DAY_AGO + 5 * HOUR),
        JarCounted(jar="lees-1", cells_per_ml=1.2e9, viability=81.5, at=DAY_AGO + 5 * HOUR),
        Jarred(jar="lees-2", strain="house", origin="starter", volume_ml=90, parents=["lees-1"], at=DAY_AGO + 5 * HOUR),
        JarDiscarded(jar="lees-2", why="smelled off", at=DAY_AGO + 6 * HOUR),
    ])  # fmt: skip
    with Reader(store_path(load_settings(config))) as reader:
        mistake = next(each for each in reader.journal() if isinstance(each, Noted) and "mistake" in each.text)
    tell(config, [Undone(of=mistake.received)])
    return config


def table(config: Path, what: str, capsys: pytest.CaptureFixture[str]) -> tuple[list[dict[str, str]], list[Any]]:
    """The rows of a table, as CSV and as JSON."""
    rows: dict[str, Any] = {}
    for kind in ("csv", "json"):
        out = config.parent / f"{what}.{kind}"
        words = ("export", "--config", config, "--what", what, "--format", kind, "--out", out)
        assert run_here(capsys, *words)[0] == 0
        with out.open(encoding="utf-8", newline="") as file:
            rows[kind] = list(csv.DictReader(file)) if kind == "csv" else json.load(file)
    return rows["csv"], rows["json"]


def test_a_batch_is_one_row_of_facts_and_results(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What is known stands there with its unit in the column's meaning, what is not is empty, or null in JSON."""
    [row], [told] = table(config, "batches", capsys)
    assert (row["batch"], row["vessel"], row["stage"]) == ("amber-1", "bucket-a", "fermenting")
    assert (row["original_gravity"], row["original_how"], row["closed"]) == ("1.062", "told", "")
    assert float(row["gravity"]) == pytest.approx(1.033, abs=0.001)
    assert float(row["abv_low"]) < float(row["abv"]) < float(row["abv_high"])
    assert row["notes"] == "1"
    assert told["closed"] is None
    assert (told["original_gravity"], told["jars"]) == (1.062, [])


def test_a_jar_is_one_row_with_what_is_left_of_it(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Counted and discarded jars too, each with its generation and parents."""
    [first, second], [told, _] = table(config, "shelf", capsys)
    assert (first["jar"], first["generation"], first["volume"], first["left"]) == ("lees-1", "2", "250.0", "210.0")
    assert (first["unit"], first["cells_per_ml"], first["gone"]) == ("mL", "1200000000.0", "")
    assert float(first["viability_low"]) <= float(first["viability"]) <= float(first["viability_high"]) <= 81.5
    assert (second["parents"], second["gone"], second["advice"]) == ("lees-1", "smelled off", "gone")
    assert second["gone_since"] == iso(DAY_AGO + 6 * HOUR)
    assert told["strain"] == "-house"
    assert first["strain"] == "'-house"


def test_a_deed_is_one_row_and_one_taken_back_says_so(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Every deed with its time, subject, words and whole entry, in the order they were told."""
    rows, told = table(config, "deeds", capsys)
    assert [row["kind"] for row in rows] == [
        "note", "note", "jar", "jar-used", "jar-count", "jar", "jar-discarded", "undone"
    ]  # fmt: skip
    assert [row["counts"] for row in rows] == ["yes", "no", *["yes"] * 6]
    assert (rows[0]["about"], rows[0]["name"], rows[0]["text"]) == ("batch", "amber-1", f"note: {FORMULA}")
    assert rows[1]["taken_back"] == rows[-1]["received"]
    assert [row["received"] for row in rows] == sorted(row["received"] for row in rows)
    assert told[0]["entry"]["text"] == FORMULA
    assert json.loads(rows[0]["entry"]) == told[0]["entry"]


@pytest.mark.parametrize(
    ("value", "wanted"),
    [
        ("=1+1", "'=1+1"), ("+49 1", "'+49 1"), ("-dry", "'-dry"), ("@home", "'@home"), ("\tx", "'\tx"),
        ("\rx", "'\rx"),
        ("plain", "plain"), ("", ""), (None, ""), (-0.004, "-0.004"), (1.5e9, "1500000000.0"), (True, "yes"),
        (["=a", "b"], "'=a b"), ({"a": 1}, '{"a": 1}'),
    ],
)  # fmt: skip
def test_no_cell_is_taken_for_a_formula(value: object, wanted: str) -> None:
    """Text that begins like one gets an apostrophe; a number stays a number."""
    assert cell(value) == wanted


def test_the_columns_are_those_of_the_rows(config: Path) -> None:
    """The list of columns, which an empty table has too, is that of the rows, in their order."""
    state = state_of(config)
    for what, make in MADE_BY.items():
        for row in make(state, DAY_AGO + 8 * HOUR):
            assert tuple(row) == COLUMNS[what]


def test_an_empty_table_has_its_header(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """No jar: the header alone, and an empty list in JSON."""
    config = house(tmp_path / "there")
    with_history(config, hours=1, fault=False)
    assert table(config, "shelf", capsys) == ([], [])
    assert (config.parent / "shelf.csv").read_text(encoding="utf-8").startswith("jar,strain,")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--what", "batches", "--out", "b.json"), "b.json does not end in .csv"),
        (("--what", "deeds", "--format", "json", "--out", "b.csv"), "b.csv does not end in .json"),
        (("--format", "json", "--out", "b.json"), "a recording is a CSV file"),
        (("--what", "shelf", "--batch", "amber-1", "--out", "b.csv"), "are of a recording"),
    ],
)
def test_what_does_not_go_together_is_refused(
    config: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], said: str
) -> None:
    """It is said, and no file is written."""
    words = tuple(str(config.parent / word) if word.startswith("b.") else word for word in words)
    code, _, err = run_here(capsys, "export", "--config", config, *words)
    assert code == 2
    assert said in err
    assert not list(config.parent.glob("b.*"))


def test_how_many_rows_is_said(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """As JSON where that is asked for."""
    out = config.parent / "b.csv"
    words = ("export", "--config", config, "--what", "shelf", "--out", out, "--json")
    assert parsed(run_here(capsys, *words)[1]) == {"what": "shelf", "file": str(out), "rows": 2}
