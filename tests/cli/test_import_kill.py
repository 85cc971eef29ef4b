"""`leeswatch import` cut off by a real SIGKILL: the store is consistent, and a second run completes it."""

import json
import signal
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

from monitor.model.clock import MINUTE, iso
from monitor.model.deeds import Noted
from monitor.model.inputs import Configured, Exported, Started
from monitor.settings import load_settings

from .helpers import CELLAR, DAY_AGO, TOP, environment, run_here, until
from .test_import import OTHER, contents, house, stranger, tell

ROWS = 24_000
BEGIN = DAY_AGO - ROWS // 3 * MINUTE


def many(folder: Path) -> Path:
    """A recording of so many rows with a journal: three quantities a minute, and notes between them."""
    file = folder / "many.csv"
    told = load_settings(house(folder / "there")).for_rules().as_json()
    lines = ["time,probe,quantity,value,unit,received"]
    for number in range(ROWS):
        quantity, unit = (("temperature", "Cel"), ("humidity", "%RH"), ("pressure", "Pa"))[number % 3]
        at = BEGIN + number // 3 * MINUTE + number % 3 + 5
        lines.append(f"{iso(at)},cellar-air,{quantity},{14 + number % 7},{unit},{iso(at + 3)}")
    entries = [
        Started(version="0.1.0", watched_until=None, received=BEGIN),
        Configured(settings=told, received=BEGIN + 1),
    ]
    entries += [
        Noted(about="batch:amber-1", text=f"note {n}", at=BEGIN + n * MINUTE, received=BEGIN + n * 100 * MINUTE + 100)
        for n in range(1, 70)
    ]
    entries.append(Exported(received=DAY_AGO + MINUTE))
    file.write_text("\n".join(lines) + "\n", encoding="utf-8")
    journal = "".join(entry.model_dump_json() + "\n" for entry in entries)
    file.with_name("many.journal.jsonl").write_text(journal, encoding="utf-8")
    return file


def count(store: Path) -> int:
    if not store.exists():
        return 0
    try:
        with closing(sqlite3.connect(f"{store.as_uri()}?mode=ro", uri=True)) as connection:
            return int(connection.execute("SELECT count(*) FROM readings").fetchone()[0])
    except sqlite3.Error:
        return 0


def killed(recording: Path, config: Path, at_rows: int) -> int:
    """Import in a process of its own, and kill it once so many readings are in the store; how many there are then."""
    store = config.parent / "store.db"
    process = subprocess.Popen(
        [sys.executable, "-m", "monitor.cli.main", "import", str(recording), "--config", str(config)],
        cwd=TOP, env=environment(), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    until(lambda: count(store) >= at_rows or process.poll() is not None, 60)
    process.send_signal(signal.SIGKILL)
    assert process.wait(10) == -signal.SIGKILL
    with closing(sqlite3.connect(store)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    return count(store)


@pytest.mark.parametrize("at_rows", [1, 9_000])
def test_an_import_into_an_empty_store_is_completed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], at_rows: int
) -> None:
    """After the second run readings, journal and events are those of an import that nobody cut off."""
    recording = many(tmp_path)
    whole, config = house(tmp_path / "whole"), house(tmp_path / "cut")
    assert run_here(capsys, "import", recording, "--config", whole)[0] == 0

    there = killed(recording, config, at_rows)
    assert at_rows <= there < ROWS
    code, said, _ = run_here(capsys, "import", recording, "--config", config, "--json")

    assert code == 0
    assert json.loads(said)["readings"]["new"] == ROWS - there
    assert json.loads(said)["as_it_was"]
    assert contents(config) == contents(whole)
    assert len(contents(config)["readings"]) == ROWS


def test_a_merge_is_completed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Every reading and deed is there once, whatever the first run had filed; the copy is still that of before."""
    recording = many(tmp_path)
    config = house(tmp_path / "cut", OTHER)
    tell(config, [Started(version="0.1.0", watched_until=None), *stranger(config)], at_ms=DAY_AGO - 10_000 * MINUTE)

    there = killed(recording, config, 9_000)
    assert 9_000 <= there < ROWS
    code, said, _ = run_here(capsys, "import", recording, "--config", config, "--json")

    found = json.loads(said)
    assert code == 0
    assert (found["readings"]["new"], found["readings"]["already_there"]) == (ROWS + 1 - there, there - 1)
    rows = contents(config)
    assert len(rows["readings"]) == ROWS + 1
    assert sum('"note"' in entry for _, entry in rows["journal"]) == 69
    assert count(Path(found["backup"])) == 1


def test_a_half_import_that_a_daemon_went_on_from_is_merged(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What the cut-off import left out comes in as received now: nothing is lost, nothing is doubled."""
    recording = many(tmp_path)
    config = house(tmp_path / "cut", CELLAR)
    there = killed(recording, config, 9_000)
    assert run_here(capsys, "batch", "note", "amber-1", "went on", "--config", config)[0] == 0

    code, said, _ = run_here(capsys, "import", recording, "--config", config, "--json")

    assert code == 0
    assert not json.loads(said)["as_it_was"]
    assert json.loads(said)["readings"] == {
        "new": ROWS - there, "already_there": there, "conflicts": 0, "unreadable": 0
    }  # fmt: skip
    notes = [json.loads(entry)["text"] for _, entry in contents(config)["journal"] if '"note"' in entry]
    assert sorted(notes) == sorted([*(f"note {n}" for n in range(1, 70)), "went on"])
