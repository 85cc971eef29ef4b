from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest

from monitor.jobs import back_up, thin_closed, upkeep
from monitor.model.clock import DAY, HOUR, MINUTE
from monitor.model.errors import StoreTrouble
from monitor.model.inputs import Reading
from monitor.store.reader import Reader
from monitor.store.store import Store
from tests.alerts.desk import NIGHT, Desk


def fill(desk: Desk, probe: str, from_ms: int, to_ms: int) -> None:
    """A reading a minute of two quantities."""

    def chore(store: Store) -> None:
        for at in range(from_ms, to_ms, MINUTE):
            store.add_reading(Reading(probe, "temperature", at, 20.0, at))
            store.add_reading(Reading(probe, "gravity", at, 1.05, at + 1))

    desk.do(chore).result()


def times(desk: Desk, probe: str, quantity: str = "gravity") -> list[int]:
    with Reader(desk.path) as reader:
        return [at for at, _ in reader.curve(probe, quantity, 0, NIGHT * 2)]


def test_only_what_is_closed_and_old_is_thinned(desk: Desk) -> None:
    """In the closed span the first of each ten minutes stays, of each quantity; all else is untouched."""
    start, closed, now = NIGHT, NIGHT + 4 * HOUR, NIGHT + 6 * HOUR
    fill(desk, "float-a", start, now)
    fill(desk, "float-b", start, now)
    gone = thin_closed(desk.path, desk.do, [("float-a", start, closed)], before_ms=now)
    assert gone == 2 * 4 * 54
    sparse, dense = list(range(start, closed, 10 * MINUTE)), list(range(closed, now, MINUTE))
    assert times(desk, "float-a") == times(desk, "float-a", "temperature") == sparse + dense
    assert times(desk, "float-b") == list(range(start, now, MINUTE))


def test_young_readings_of_a_closed_batch_stay(desk: Desk) -> None:
    """What is younger than the limit stays in full, up to the whole hour that the limit lies in."""
    fill(desk, "float-a", NIGHT, NIGHT + 6 * HOUR)
    thin_closed(desk.path, desk.do, [("float-a", NIGHT, NIGHT + 6 * HOUR)], NIGHT + 3 * HOUR + 25 * MINUTE)
    assert sum(at >= NIGHT + 3 * HOUR for at in times(desk, "float-a")) == 180
    assert sum(at < NIGHT + 3 * HOUR for at in times(desk, "float-a")) == 18


def test_every_night_goes_on_where_the_last_stopped(desk: Desk) -> None:
    """Thinning in two nights leaves what one would have left, and does not walk over the old span again."""
    span = ("float-a", NIGHT + 7 * MINUTE, NIGHT + 6 * HOUR + 13 * MINUTE)
    fill(desk, "float-a", NIGHT, NIGHT + 7 * HOUR)
    fill(desk, "float-b", NIGHT, NIGHT + 7 * HOUR)
    thin_closed(desk.path, desk.do, [span], NIGHT + 3 * HOUR + 25 * MINUTE)
    chores = desk.chores
    assert thin_closed(desk.path, desk.do, [span], NIGHT + 3 * HOUR + 26 * MINUTE) == 0
    assert desk.chores == chores
    thin_closed(desk.path, desk.do, [span], NIGHT + DAY)
    thin_closed(desk.path, desk.do, [("float-b", *span[1:])], NIGHT + DAY)
    assert times(desk, "float-a") == times(desk, "float-b")
    assert len(times(desk, "float-a")) < 100


def test_thinning_that_the_disk_refuses_is_an_error_and_resumes(desk: Desk) -> None:
    """Nothing is half done: what was thinned is noted in the same transaction, and the rest follows."""
    fill(desk, "float-a", NIGHT, NIGHT + 2 * HOUR)
    desk.full = True
    with pytest.raises(StoreTrouble):
        thin_closed(desk.path, desk.do, [("float-a", NIGHT, NIGHT + 2 * HOUR)], NIGHT + DAY)
    desk.full = False
    assert len(times(desk, "float-a")) == 120
    assert thin_closed(desk.path, desk.do, [("float-a", NIGHT, NIGHT + 2 * HOUR)], NIGHT + DAY) == 2 * 108


def test_a_backup_can_be_opened_as_a_store(desk: Desk, tmp_path: Path) -> None:
    """The copy, made while the writer has the store open, opens for writing and holds every input."""
    fill(desk, "float-a", NIGHT, NIGHT + HOUR)
    copy = back_up(desk.path, tmp_path / "copies", "2026-03-09", kept=7)
    assert copy.name == "leeswatch-2026-03-09.db"
    with Reader(desk.path) as reader:
        inputs = list(reader.inputs())
    with Store.open(copy) as restored:
        assert list(restored.inputs()) == inputs
        assert len(inputs) == 120
        assert restored.salvaged is None
    assert not list(copy.parent.glob(".*"))


def test_the_latest_copies_are_kept(desk: Desk, tmp_path: Path) -> None:
    """Older copies go once a new one is whole; files of other names are nobody's business here."""
    folder = tmp_path / "copies"
    folder.mkdir()
    (folder / "leeswatch-notes.db").touch()
    for day in range(1, 6):
        back_up(desk.path, folder, f"2026-03-{day:02}", kept=3)
    back_up(desk.path, folder, "2026-03-05", kept=3)  # a second run on a day replaces the first
    assert sorted(each.name for each in folder.iterdir()) == [
        "leeswatch-2026-03-03.db", "leeswatch-2026-03-04.db", "leeswatch-2026-03-05.db", "leeswatch-notes.db",
    ]  # fmt: skip


def test_a_full_disk_costs_no_old_copy(desk: Desk, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """With too little room no copy is begun, the remedy is named, and the old copies stay."""
    folder = tmp_path / "copies"
    back_up(desk.path, folder, "2026-03-01", kept=1)
    monkeypatch.setattr(upkeep, "SPARE", 2**60)
    with pytest.raises(StoreTrouble, match="free space there"):
        back_up(desk.path, folder, "2026-03-02", kept=1)
    assert [each.name for each in folder.iterdir()] == ["leeswatch-2026-03-01.db"]


def test_a_damaged_copy_is_not_kept(desk: Desk, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A copy that comes out damaged never gets the name of a good one, and the old copies stay."""
    folder = tmp_path / "copies"
    back_up(desk.path, folder, "2026-03-01", kept=1)
    fill(desk, "float-a", NIGHT, NIGHT + 4 * HOUR)
    whole = Reader.backup

    def bad_card(self: Reader, out: Path) -> None:
        whole(self, out)
        content = bytearray(out.read_bytes())
        content[4096:] = b"\x55" * (len(content) - 4096)
        out.write_bytes(content)

    monkeypatch.setattr(Reader, "backup", bad_card)
    with pytest.raises((StoreTrouble, sqlite3.DatabaseError)):
        back_up(desk.path, folder, "2026-03-02", kept=1)
    assert [each.name for each in folder.iterdir()] == ["leeswatch-2026-03-01.db"]
