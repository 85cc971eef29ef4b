"""The store as a file: its lock, its durability, its schema, full disks, kills, readers beside the writer."""

import contextlib
import hashlib
import os
import random
import resource
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.ledger import Ledger
from monitor.model.errors import StoreBusy, StoreError, StoreNewer, StoreTrouble
from monitor.model.events import as_line
from monitor.model.inputs import Unreadable
from monitor.store import schema
from monitor.store.reader import Reader
from monitor.store.store import Store

from .helpers import NOW, alert, entry, file_group, notice, reading, rows, rows_of, verdict

TOP = Path(__file__).parents[2]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "store.db"


# --- durability and the lock -----------------------------------------------------------------------------------


def test_every_commit_is_on_the_disk(path: Path) -> None:
    """The connection that writes is in WAL and syncs at each commit."""
    with Store.open(path) as store:
        asked = [store._connection.execute(f"PRAGMA {name}").fetchone()[0] for name in ("journal_mode", "synchronous")]

    assert asked == ["wal", 2]


def test_a_second_writer_is_refused_with_the_first_ones_number(path: Path) -> None:
    """StoreBusy names the process that holds the store, and once that lets go the store can be had."""
    with Store.open(path):
        with pytest.raises(StoreBusy, match=rf"another process \(pid {os.getpid()}\) is the writer of {path}"):
            Store.open(path)
        code = (
            "import sys; from pathlib import Path; from monitor.store.store import Store; Store.open(Path(sys.argv[1]))"
        )
        other = subprocess.run([sys.executable, "-c", code, path], cwd=TOP, capture_output=True, text=True, check=False)
        assert f"pid {os.getpid()}" in other.stderr

    Store.open(path).close()


def test_a_killed_writers_lock_holds_nobody_up(path: Path) -> None:
    """The lock goes with the process, whatever its file still says."""
    with writing(path) as (process, _):
        until_rows(path, 3)
        process.kill()
        process.wait()

    with Store.open(path) as store:
        assert store.salvaged is None


def test_a_folder_that_is_missing_is_made(tmp_path: Path) -> None:
    """The first start needs nobody to make the state's folder."""
    Store.open(tmp_path / "a/b/store.db").close()

    assert (tmp_path / "a/b/store.db").exists()


def test_a_place_that_cannot_be_had_is_trouble_with_a_remedy(tmp_path: Path) -> None:
    """A file where the folder should be is said in our words, not SQLite's."""
    (tmp_path / "file").write_text("x")

    with pytest.raises(StoreTrouble, match="name another"):
        Store.open(tmp_path / "file/store.db")
    (tmp_path / "folder.db").mkdir()
    with pytest.raises(StoreTrouble, match="cannot be written"):
        Store.open(tmp_path / "folder.db")


# --- the schema --------------------------------------------------------------------------------------------------


def test_version_one_is_never_edited() -> None:
    """A step that was released stays as it is, for stores in the field have run it. (Until 0.1.0: write it anew.)"""
    digest = hashlib.sha256(schema.MIGRATIONS[0].encode()).hexdigest()

    assert digest == "a7045261b4bf3835ae4e84a451c7d74397dcc250b250a22048a1ec88a47f33b4"


def version_one(path: Path) -> None:
    """A store as version 1 wrote it, with something of everything in it."""
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.executescript(f"BEGIN; {schema.MIGRATIONS[0]} PRAGMA user_version = 1; COMMIT;")
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("INSERT INTO series VALUES (1, 'float-a', 'temperature')")
        connection.execute("INSERT INTO readings VALUES (1, ?, ?, 20.5, 0)", (NOW, NOW + 250))
        line = '{"received":"2026-03-02T18:00:01.000Z","kind":"stopped"}'
        connection.execute("INSERT INTO journal VALUES (?, 'stopped', ?)", (NOW + 1_000, line))
        connection.execute(
            "INSERT INTO events (time, event, about, record) VALUES (?, 'verdict', 'batch:amber-1', ?)",
            (NOW, as_line(verdict().record())),
        )
        connection.execute("INSERT INTO meta VALUES ('clean', 1), ('state_version', 1)")
        connection.execute("INSERT INTO state VALUES ('clock', CAST('{}' AS BLOB))")
        connection.execute("INSERT INTO counters VALUES ('unreadable:mqtt', 7)")


@pytest.mark.parametrize("clean", [True, False])
def test_a_store_of_version_one_opens_with_all_it_holds(path: Path, *, clean: bool) -> None:
    """Whatever versions follow, a store of the first comes up to date and loses nothing."""
    version_one(path)
    if not clean:
        with contextlib.closing(sqlite3.connect(path)) as connection, connection:
            connection.execute("UPDATE meta SET value = 0 WHERE key = 'clean'")

    with Store.open(path) as store:
        assert store.salvaged is None
        assert [type(each).__name__ for each in store.inputs()] == ["Reading", "Stopped"]
        assert store.load_state() == (1, {"clock": b"{}"})
    with Reader(path) as reader:
        assert reader.latest_verdicts()["amber-1"]["gravity"] == 1.041
        assert reader.counters() == {"unreadable:mqtt": 7}


def test_an_empty_file_becomes_a_store(path: Path) -> None:
    """A file of no bytes, as a power cut at the first start leaves it, is no damage."""
    path.touch()

    with Store.open(path) as store:
        assert store.salvaged is None
        file_group(store, 0)
    assert len(rows(path)["readings"]) == 2


def test_steps_run_in_order_and_once(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A store is brought from its own version to the program's, each step once."""
    version_one(path)
    monkeypatch.setattr(
        schema,
        "MIGRATIONS",
        (*schema.MIGRATIONS, "ALTER TABLE journal ADD COLUMN who TEXT;", "CREATE TABLE third (a);"),
    )
    for _ in range(2):
        Store.open(path).close()

    found = rows(path)
    assert found["third"] == []
    assert found["journal"][0][-1] is None
    with contextlib.closing(sqlite3.connect(path)) as connection:
        assert schema.version_of(connection) == len(schema.MIGRATIONS)


def test_a_step_that_fails_leaves_the_version_before(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Half a step is never there: the store stays as it was, for the old program to go on with."""
    version_one(path)
    Store.open(path).close()  # brought up to date, but for the step to come
    before = rows(path)
    monkeypatch.setattr(schema, "MIGRATIONS", (*schema.MIGRATIONS, "CREATE TABLE half (a); CREATE TABLE half (b);"))

    with pytest.raises(StoreTrouble, match="half"):
        Store.open(path)

    assert rows(path) == before
    monkeypatch.undo()
    Store.open(path).close()


def test_a_store_of_a_later_version_is_refused_and_untouched(path: Path) -> None:
    """An old program never writes into what a newer one made, nor reads it wrongly."""
    Store.open(path).close()
    with contextlib.closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA user_version = 99")
    before = path.read_bytes()

    with pytest.raises(StoreNewer, match="schema 99"):
        Store.open(path)
    with pytest.raises(StoreNewer, match="later version"):
        Reader(path)
    assert path.read_bytes() == before


# --- kills and full disks ----------------------------------------------------------------------------------------


@contextlib.contextmanager
def writing(path: Path) -> Iterator[tuple[subprocess.Popen[str], threading.Event]]:
    """A process that commits one group after another, as fast as it goes."""
    code = (
        "import sys; from pathlib import Path; from itertools import count\n"
        "from monitor.store.store import Store; from tests.store.helpers import file_group\n"
        "store = Store.open(Path(sys.argv[1])); first = len(list(store.inputs())) // 3\n"
        "for number in count(first): file_group(store, number)\n"
    )
    process = subprocess.Popen([sys.executable, "-c", code, path], cwd=TOP, stderr=subprocess.PIPE, text=True)
    try:
        yield process, threading.Event()
    finally:
        process.kill()
        process.communicate()


def until_rows(path: Path, count: int, seconds: float = 20.0) -> None:
    """Wait until so many journal entries are in the store."""
    for _ in range(int(seconds / 0.01)):
        with contextlib.suppress(sqlite3.Error, KeyError):
            if len(rows(path)["journal"]) >= count:
                return
        time.sleep(0.01)
    raise AssertionError("waited in vain")


def test_a_kill_at_any_instant_leaves_whole_groups(path: Path) -> None:
    """Killed without warning again and again, the store never holds a part of a commit, and goes on where it was."""
    chance = random.Random(7)
    had = 0
    for _ in range(6):
        with writing(path) as (process, _):
            until_rows(path, had + 1)
            time.sleep(chance.uniform(0.0, 0.1))
            process.send_signal(signal.SIGKILL)
            process.wait()
        found = rows(path)
        groups = len(found["journal"])
        assert groups > had
        had = groups
        assert [len(found[each]) for each in ("readings", "events", "notices", "deliveries")] == [
            2 * groups, 2 * groups, groups, 2 * groups,
        ]  # fmt: skip
        assert dict(found["state"])["clock"] == str(groups - 1).encode()
        assert dict(found["counters"]) == {"groups": groups}


@pytest.mark.parametrize("share", [0.0, 0.3, 0.6, 0.95])
@pytest.mark.parametrize("how", ["overwritten", "cut off"])
def test_a_damaged_log_costs_only_what_came_after_the_damage(path: Path, how: str, share: float) -> None:
    """With SQLite's log torn anywhere, as by a power cut on a lying card, whole groups from the first on are left."""
    with Store.open(path.with_name("live.db")) as store:
        for number in range(40):
            file_group(store, number)
        path.write_bytes(path.with_name("live.db").read_bytes())  # as the power cut finds it
        content = bytearray(path.with_name("live.db-wal").read_bytes())
    log = Path(f"{path}-wal")
    at = int(len(content) * share)
    if how == "overwritten":
        content[at : at + 64] = b"\xa5" * len(content[at : at + 64])
    log.write_bytes(content if how == "overwritten" else content[:at])

    with Store.open(path) as store:
        found = rows_of(store)
        groups = len(found["journal"])
        assert [len(found[each]) for each in ("readings", "events", "notices")] == [2 * groups, 2 * groups, groups]
        assert [entry for entry, *_ in found["journal"]] == [NOW + number * 60_000 + 500 for number in range(groups)]
        file_group(store, groups)


def test_a_disk_that_fills_at_any_byte_leaves_whole_groups(path: Path) -> None:
    """Wherever in the log a write is refused, the commit is undone, told as trouble, and works once there is room."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    with Store.open(path) as store:
        file_group(store, 0)
        log = Path(f"{path}-wal")
        refused = 0
        number = 1
        for spare in range(0, 60_000, 1_500):
            before = rows_of(store)
            resource.setrlimit(resource.RLIMIT_FSIZE, (log.stat().st_size + spare, hard))
            try:
                file_group(store, number)
            except StoreTrouble:
                refused += 1
                resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
                assert rows_of(store) == before
                file_group(store, number)
            finally:
                resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
            number += 1
            assert len(rows_of(store)["journal"]) == number
    assert refused > 5
    with Store.open(path) as store:
        assert store.salvaged is None


def test_a_store_that_may_not_grow_says_so_and_recovers(path: Path) -> None:
    """SQLite's own word for a full disk becomes trouble with a remedy; nothing committed is lost."""
    with Store.open(path) as store:
        file_group(store, 0)
        (pages,) = store._connection.execute("PRAGMA page_count").fetchone()
        store._connection.execute(f"PRAGMA max_page_count = {pages}")
        refused = None
        for number in range(1, 200):
            try:
                file_group(store, number)
            except StoreTrouble as error:
                refused = number, str(error)
                break
        assert refused is not None
        assert "full" in refused[1]
        assert "free space" in refused[1]
        assert len(rows_of(store)["journal"]) == refused[0]
        store._connection.execute("PRAGMA max_page_count = 1073741823")
        file_group(store, refused[0])

    assert len(rows(path)["journal"]) == refused[0] + 1


# --- readers -----------------------------------------------------------------------------------------------------


def test_a_reader_can_change_nothing(path: Path) -> None:
    """Whatever a reader is made to run, the store refuses it."""
    with Store.open(path) as store:
        file_group(store, 0)
        with Reader(path) as reader:
            for change in ("DELETE FROM readings", "CREATE TABLE more (a)", "PRAGMA user_version = 7"):
                with pytest.raises(sqlite3.OperationalError, match="readonly"):
                    reader._connection.execute(change)
    assert len(rows(path)["readings"]) == 2


def test_a_reader_sees_one_moment_while_the_writer_goes_on(path: Path) -> None:
    """Inside `moment` several questions get answers of one state; afterwards the new rows are there."""
    with Store.open(path) as store, Reader(path) as reader:
        file_group(store, 0)
        with reader.moment():
            first = reader.last_event()
            file_group(store, 1)
            assert reader.last_event() == first
            assert len(list(reader.inputs())) == 3
        assert reader.last_event() == first + 2


def test_a_reader_reads_what_the_writer_filed(path: Path) -> None:
    """Latest values, curves, verdicts, alerts, deliveries and unreadable messages, each as it was filed."""
    with Store.open(path) as store:
        for number in range(3):
            file_group(store, number)
        with store.transaction():
            late = reading(0)._replace(measured_ms=NOW - 60_000, value=1.0, received_ms=NOW + 10**6)
            store.add_reading(late)
            store.add_unreadable(Unreadable("serial", "/dev/ttyUSB0", "no pattern fits", b"T=?"), NOW)
        with Reader(path) as reader:
            assert reader.latest() == [reading(2, quantity="gravity", value=1.04), reading(2)]
            assert reader.curve("float-a", "temperature", NOW, NOW + 60_000) == [(NOW, 20.5), (NOW + 60_000, 20.5)]
            assert reader.latest_verdicts()["amber-1"] == verdict(2).record()
            assert reader.alerts(2) == [alert(2).record(), alert(1).record()]
            assert [number for number, _ in reader.events(2, 3)] == [3, 4, 5]
            assert next(reader.event_lines()) == as_line(verdict(0).record())
            assert [each.notice for each in reader.due("phone", 2)] == [notice(0), notice(1)]
            assert reader.waiting() == {"phone": (3, None), "screen": (3, None)}
            assert reader.unreadable() == [(NOW, "serial", "/dev/ttyUSB0", "no pattern fits", b"T=?")]
            assert reader.state() == {"clock": b"2", "book": b"{}"}
            assert reader.meta("state_version") == 1


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (None, "there is no store"),
        (b"", "never used"),
        (b"this is no store at all, but a letter" * 100, "cannot be read: file is not a database"),
    ],
)
def test_what_is_no_store_is_refused_in_words(path: Path, content: bytes | None, words: str) -> None:
    """A reader of nothing, of an empty file and of another kind of file says what is so and what to do."""
    if content is not None:
        path.write_bytes(content)

    with pytest.raises(StoreError, match=words) as refused:
        Reader(path)
    assert refused.value.remedy


# --- the copy ----------------------------------------------------------------------------------------------------


def test_a_copy_is_whole_while_the_writer_writes(path: Path, tmp_path: Path) -> None:
    """A backup under constant commits comes to an end, holds whole groups, and is a store without a log beside it."""
    with Store.open(path) as store:
        for number in range(2_000):
            file_group(store, number)
    out = tmp_path / "copy.db"
    with writing(path) as (process, _):
        until_rows(path, 2_001)
        begun = time.monotonic()
        with Reader(path) as reader:
            reader.backup(out)
        took = time.monotonic() - begun
        assert process.poll() is None

    found = rows(out)
    groups = len(found["journal"])
    assert groups > 2_000
    assert [len(found[each]) for each in ("readings", "events", "deliveries")] == [2 * groups] * 3
    assert took < 10.0
    assert sorted(each.name for each in tmp_path.iterdir() if "copy" in each.name) == ["copy.db"]
    with Store.open(out) as copy:
        assert copy.salvaged is None


def test_state_of_an_unknown_version_is_rebuilt_from_the_inputs(path: Path) -> None:
    """A store that says its state is of another version is gone through again, with nobody told."""
    with Store.open(path) as store:
        for number in range(5):
            file_group(store, number)
        with store.transaction():
            store.add_journal(entry(NOW + 10**7))
            store.put_state(0, {})
        before = len(rows_of(store)["notices"])
        ledger = Ledger(store, ["phone"])
        ledger.load()
        assert ledger.rebuilt == 16
        assert len(rows_of(store)["notices"]) == before
