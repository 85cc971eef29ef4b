"""Stores that a power cut or a failing card has damaged: the daemon starts, keeps what can be read, and says so."""

import contextlib
import random
import re
import sqlite3
from pathlib import Path

import pytest

from monitor.ledger import Ledger
from monitor.model.clock import MINUTE
from monitor.model.errors import StoreTrouble
from monitor.model.inputs import Reading
from monitor.store import salvage as module
from monitor.store.schema import MIGRATIONS, migrate
from monitor.store.store import Store

from .helpers import NOW, entry, file_group, reading, rows, rows_of

READINGS = 20_000


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A store of some two megabytes that was not closed in good order."""
    path = tmp_path / "store.db"
    with Store.open(path) as store:
        with store.transaction():
            for number in range(READINGS):
                store.add_reading(reading(number, probe=f"float-{'ab'[number % 2]}", value=20 + number % 7 / 8))
        for number in range(READINGS, READINGS + 200):
            file_group(store, number)
        store._sound = False
    return path


def page_size(path: Path) -> int:
    return int.from_bytes(path.read_bytes()[16:18], "big")


def overwrite(path: Path, pages: list[int], content: bytes = b"\xa5") -> None:
    """Fill whole pages (counted from 1) with a byte, as a dying block of a card does."""
    size = page_size(path)
    with path.open("r+b") as file:
        for page in pages:
            file.seek((page - 1) * size)
            file.write(content * size)


def pages_of(path: Path, table: str, kind: str = "leaf") -> list[int]:
    """The pages of a table in order: its leaves, or the inner ones."""
    with contextlib.closing(sqlite3.connect(path)) as connection:
        try:
            return [
                number
                for (number,) in connection.execute(
                    "SELECT pageno FROM dbstat WHERE name = ? AND pagetype = ? ORDER BY path", (table, kind)
                )
            ]
        except sqlite3.OperationalError:
            pytest.skip("this SQLite was built without dbstat")


def temperatures(store: Store) -> list[Reading]:
    return [each for each in store.inputs() if isinstance(each, Reading) and each.quantity == "temperature"]


def test_a_sound_store_is_left_alone(path: Path) -> None:
    """One that was not closed in good order, but is whole, is opened as it is."""
    before = rows(path)

    with Store.open(path) as store:
        assert store.salvaged is None
    assert rows(path)["readings"] == before["readings"]
    assert not list(path.parent.glob("*damaged*"))


@pytest.mark.parametrize("count", [1, 3])
def test_damaged_pages_of_readings_cost_what_lay_on_them(path: Path, count: int) -> None:
    """Of pages overwritten far apart only their own readings are gone, with all before, between and after kept."""
    leaves = pages_of(path, "readings")
    victims = [leaves[len(leaves) * part // (count + 1)] for part in range(1, count + 1)]
    whole = len(rows(path)["readings"])
    overwrite(path, victims)

    with Store.open(path) as store:
        kept = len(rows_of(store)["readings"])
        words = store.salvaged
        found = rows_of(store)

    per_page = whole / len(leaves)
    assert words is not None
    assert re.search(r"the store was damaged \(.+\); \d+ rows were saved, .+ kept as store\.db\.damaged-1", words)
    assert 0 < whole - kept <= 2.5 * per_page * count
    assert [len(found[each]) for each in ("journal", "events", "notices", "deliveries")] == [200, 400, 200, 400]
    assert (path.parent / "store.db.damaged-1").exists()


def test_a_damaged_inner_page_costs_what_hangs_on_it_at_most(path: Path) -> None:
    """With the root of the readings gone they are lost, but the store opens, and journal and events are kept."""
    with contextlib.closing(sqlite3.connect(path)) as connection:
        (root,) = connection.execute("SELECT rootpage FROM sqlite_schema WHERE name = 'readings'").fetchone()
    overwrite(path, [root])

    with Store.open(path) as store:
        found = rows_of(store)

    assert len(found["readings"]) == 0
    assert [len(found[each]) for each in ("journal", "events", "series")] == [200, 400, 3]


@pytest.mark.parametrize("share", [0.2, 0.5, 0.9, 0.999])
def test_a_truncated_store_keeps_what_is_left(path: Path, share: float) -> None:
    """Cut off at any length, it starts, with a part of what it had."""
    content = path.read_bytes()
    path.write_bytes(content[: int(len(content) * share)])

    with Store.open(path) as store:
        assert store.salvaged is not None
        file_group(store, 50_000)
        assert rows_of(store)["journal"]


@pytest.mark.parametrize(
    "content", [b"\0" * 8_192, b"A letter to the brewer.\n" * 500, b"SQLite format 3\0" + b"\xff" * 5_000],
    ids=["zeros", "text", "header"],
)  # fmt: skip
def test_what_is_no_store_is_moved_aside(tmp_path: Path, content: bytes) -> None:
    """A file that is no database is kept under another name, and the watcher starts with an empty store."""
    path = tmp_path / "store.db"
    path.write_bytes(content)

    with Store.open(path) as store:
        assert store.salvaged is not None
        assert "0 rows were saved" in store.salvaged
        file_group(store, 0)
    assert (tmp_path / "store.db.damaged-1").read_bytes() == content
    assert len(rows(path)["readings"]) == 2


def test_any_damage_is_survived(path: Path) -> None:
    """Random pages overwritten with random bytes, twenty times over: it opens, takes a group, and opens again."""
    chance = random.Random(11)
    pristine = path.read_bytes()
    size = page_size(path)
    for _ in range(20):
        damaged = bytearray(pristine)
        for _ in range(chance.choice((1, 1, 2, 5))):
            at = chance.randrange(len(damaged) // size) * size + chance.choice((0, 0, chance.randrange(size)))
            end = min(len(damaged), at + chance.choice((16, 512, size)))
            damaged[at:end] = chance.randbytes(end - at)
        path.write_bytes(damaged)
        with Store.open(path) as store:
            for each in store.inputs():
                assert each
            file_group(store, 10**6 + chance.randrange(10**6))
        with Store.open(path) as store:
            assert list(store.inputs())
        for left in path.parent.iterdir():
            left.unlink()


def test_the_engines_state_is_rebuilt_after_a_salvage(path: Path) -> None:
    """A salvaged store has no state of its own: its inputs are gone through again, and nobody is told anew."""
    overwrite(path, [pages_of(path, "readings")[5]])

    with Store.open(path) as store:
        notices = len(rows_of(store)["notices"])
        inputs = len(list(store.inputs()))
        ledger = Ledger(store, ["phone"])
        ledger.load()
        assert ledger.rebuilt == inputs
        assert ledger.state.clock.last_ms == store.last_received()
        assert len(rows_of(store)["notices"]) == notices


def test_garbage_that_reads_like_rows_is_left_out(path: Path) -> None:
    """A journal line that says nothing, or a reading that is no number, would stop every start: it is not kept."""
    with contextlib.closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("UPDATE journal SET entry = 'garbage' WHERE rowid = (SELECT min(rowid) FROM journal)")
        connection.execute("UPDATE readings SET value = 'warm' WHERE series = 1 AND measured = ?", (NOW,))
    overwrite(path, [pages_of(path, "readings")[-1]])

    with Store.open(path) as store:
        found = list(store.inputs())
        assert store.salvaged is not None

    assert sum(not isinstance(each, Reading) for each in found) == 199
    assert all(isinstance(each.value, float) for each in found if isinstance(each, Reading))


def test_damage_done_while_it_lay_closed_does_not_stop_the_start(path: Path) -> None:
    """Also a store closed in good order is mended when what the start reads of it cannot be read."""
    with Store.open(path):
        pass
    overwrite(path, [pages_of(path, "readings")[7]])

    with Store.open(path) as store:
        assert store.salvaged is not None
        assert len(temperatures(store)) > READINGS * 0.9


def test_after_trouble_the_next_start_checks_everything(path: Path) -> None:
    """A store that failed while it was written is not marked as closed in good order, so damage is found and mended."""
    with Store.open(path):
        pass
    overwrite(path, [pages_of(path, "deliveries")[-1]])
    with Store.open(path) as store:
        assert store.salvaged is None, "the start does not read deliveries"
        with pytest.raises(StoreTrouble, match="malformed"):
            _file_many(store)

    with Store.open(path) as store:
        assert store.salvaged is not None
        file_group(store, READINGS + 500)


def _file_many(store: Store) -> None:
    for number in range(READINGS + 200, READINGS + 400):
        file_group(store, number)


@pytest.mark.parametrize("renamed", [0, 1])
def test_a_power_cut_during_the_salvage_loses_nothing(
    path: Path, monkeypatch: pytest.MonkeyPatch, renamed: int
) -> None:
    """Cut short anywhere, the next start finds either the damaged file or the finished copy."""
    overwrite(path, [pages_of(path, "readings")[5]])
    seen = 0

    def rename(self: Path, target: Path | str) -> Path:
        nonlocal seen
        if seen == renamed:
            raise KeyboardInterrupt
        seen += 1
        return self.replace(target)

    monkeypatch.setattr(Path, "rename", rename)
    with pytest.raises(KeyboardInterrupt):
        module.salvage(path)
    monkeypatch.undo()

    with Store.open(path) as store:
        assert len(temperatures(store)) > READINGS * 0.9
        assert not Path(f"{path}.part").exists()


def test_a_full_disk_during_the_salvage_keeps_the_damaged_file(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """With no room for the copy it is trouble, the damaged file stays where it was, and the next start tries again."""
    overwrite(path, [pages_of(path, "readings")[5]])
    before = path.read_bytes()
    real = sqlite3.connect

    def connect(name: Path, **settings: object) -> sqlite3.Connection:
        connection: sqlite3.Connection = real(name, **settings)  # type: ignore[call-overload]
        if str(name).endswith(".part"):
            connection.execute("PRAGMA max_page_count = 60")
        return connection

    monkeypatch.setattr(sqlite3, "connect", connect)
    with pytest.raises(StoreTrouble, match="full"):
        Store.open(path)
    monkeypatch.undo()

    assert path.read_bytes() == before
    with Store.open(path) as store:
        assert store.salvaged is not None


def test_a_damaged_store_of_an_earlier_version_is_mended_too(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It is copied into tables of its own version and only then brought up to date."""
    overwrite(path, [pages_of(path, "readings")[5]])
    steps = (*MIGRATIONS, "ALTER TABLE readings ADD COLUMN weight REAL; ALTER TABLE journal ADD COLUMN who TEXT;")
    monkeypatch.setattr("monitor.store.schema.MIGRATIONS", steps)
    monkeypatch.setattr("monitor.store.salvage.MIGRATIONS", steps)

    with Store.open(path) as store:
        assert store.salvaged is not None
        found = rows_of(store)

    assert len(found["readings"]) > READINGS * 0.9
    assert len(found["journal"]) == 200
    assert found["readings"][0][-1] is None


def test_each_damaged_file_is_kept_under_a_name_of_its_own(path: Path) -> None:
    """A second salvage does not overwrite what the first one put aside."""
    for _ in range(2):
        overwrite(path, [pages_of(path, "readings")[5]])
        with Store.open(path) as store:
            store._sound = False

    assert sorted(each.name for each in path.parent.glob("*.damaged-?")) == ["store.db.damaged-1", "store.db.damaged-2"]


def test_a_first_start_cut_short_is_no_damage(tmp_path: Path) -> None:
    """A file with a header and no tables yet is finished, not moved aside."""
    path = tmp_path / "store.db"
    with contextlib.closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("VACUUM")

    with Store.open(path) as store:
        assert store.salvaged is None
        with store.transaction():
            store.add_journal(entry(NOW + MINUTE))


def test_migrating_to_a_version_stops_there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The salvage's copy gets the steps that the damaged store had run, and no more."""
    monkeypatch.setattr("monitor.store.schema.MIGRATIONS", (*MIGRATIONS, "CREATE TABLE later (a);"))
    with contextlib.closing(sqlite3.connect(tmp_path / "x.db", isolation_level=None)) as connection:
        migrate(connection, 1)
        names = {name for (name,) in connection.execute("SELECT name FROM sqlite_schema")}

    assert "readings" in names
    assert "later" not in names
