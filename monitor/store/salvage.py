"""A store damaged by a power cut or a failing card: move it aside, copy what can be read, go on, and say so."""

from __future__ import annotations

import contextlib
import os
import sqlite3
from pathlib import Path
from typing import Any

from monitor.model.inputs import JOURNAL
from monitor.store.schema import MIGRATIONS, migrate, version_of

# In order of worth, each with its key. State is not copied: it is rebuilt from the inputs, which are.
_TABLES = {
    "series": "rowid", "readings": "measured", "journal": "rowid", "events": "rowid", "notices": "rowid",
    "deliveries": "notice", "receipts": "rowid", "held": "rowid", "unreadable": "rowid", "counters": "name",
    "meta": "key", "outbox": "rowid", "refused": "rowid",
}  # fmt: skip
_FIRST, _LAST = -(2**62), 2**62
_OLDEST_MS, _NEWEST_MS = 946_684_800_000, 4_102_444_800_000  # 2000 and 2100: nothing outside was ever written
_SOUND_READING = (
    "typeof(measured) = 'integer' AND typeof(received) = 'integer' AND typeof(value) = 'real'"
    f" AND measured BETWEEN {_OLDEST_MS} AND {_NEWEST_MS} AND received BETWEEN {_OLDEST_MS} AND {_NEWEST_MS}"
)
_BROKEN = (sqlite3.DatabaseError, UnicodeDecodeError)  # the latter: garbage in the very words of an error
_UNREADABLE = (sqlite3.SQLITE_IOERR_READ, sqlite3.SQLITE_IOERR_SHORT_READ, sqlite3.SQLITE_IOERR_CORRUPTFS)


def salvage(path: Path) -> str | None:
    """Check a store before it is opened; if damaged, salvage it. Returns what was done as a sentence, or None.

    At any instant of it a file lies under the store's name or under that of the finished copy, which the next start
    then takes: a power cut here loses nothing either.
    """
    part = Path(f"{path}.part")
    if not path.exists() and part.exists():
        part.rename(path)  # cut short after the damaged file was moved aside, when the copy was complete
    if not path.exists() or path.stat().st_size == 0:
        return None
    fault = _fault(path)
    if fault is None:
        return None
    part.unlink(missing_ok=True)
    kept, lost = _copy(path, part)
    aside = _free_name(path)
    for tail in ("-wal", "-shm"):
        beside = Path(f"{path}{tail}")
        if beside.exists():
            beside.rename(f"{aside}{tail}")
    path.rename(aside)
    part.rename(path)
    _sync(path.parent)
    return (
        f"the store was damaged ({fault}); {kept} rows were saved, "
        f"{f'{lost} stretches' if lost != 1 else 'one stretch'} could not be read, "
        f"and the damaged file is kept as {aside.name}"
    )


def _fault(path: Path) -> str | None:
    """What is wrong with a store, or None. One that was closed in good order is not read through."""
    with contextlib.closing(sqlite3.connect(path, timeout=2.0)) as connection:
        try:
            if version_of(connection) > len(MIGRATIONS):
                return None  # not ours to mend: it is refused when it is opened
            if connection.execute("SELECT value FROM meta WHERE key = 'clean'").fetchone() == (1,):
                _read_as_at_start(connection)
                return None
            (result,) = connection.execute("PRAGMA quick_check(1)").fetchone()
            return _garbage(connection) if result == "ok" else str(result).splitlines()[-1]
        except UnicodeDecodeError:
            return "a text in it is no text"
        except sqlite3.DatabaseError as error:
            return str(error) if _is_damage(error, connection) else None


def _garbage(connection: sqlite3.Connection) -> str | None:
    """What SQLite's own check does not see: well-formed pages that hold nonsense, on which the start would fail."""
    if connection.execute(f"SELECT 1 FROM readings WHERE NOT ({_SOUND_READING}) LIMIT 1").fetchone():  # noqa: S608
        return "a reading in it has an impossible time or value"
    if connection.execute("SELECT 1 FROM events WHERE NOT json_valid(record) LIMIT 1").fetchone():
        return "an event in it is no event"
    if connection.execute("SELECT 1 FROM deliveries WHERE notice NOT IN (SELECT id FROM notices) LIMIT 1").fetchone():
        return "a notice in it is gone"
    for table in _tables(connection):
        rows = connection.execute(f"SELECT * FROM {table}")  # noqa: S608 - names of our own
        if table != "readings" and not all(_sound(table, row) for row in rows):
            return f"a row of its {table} is garbage"
    return None


def _is_damage(error: sqlite3.DatabaseError, connection: sqlite3.Connection) -> bool:
    """A store that is locked, or may not be read or written, is trouble of another kind: opening it says so."""
    if "no such table" in str(error):
        return version_of(connection) > 0  # at 0 it was never finished
    code: int = getattr(error, "sqlite_errorcode", sqlite3.SQLITE_CORRUPT)  # none: text that is no UTF-8
    return code & 0xFF in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB) or code in _UNREADABLE


def _read_as_at_start(connection: sqlite3.Connection) -> None:
    """Damage done while it lay closed must not stop the start either, and the start reads this much."""
    for table in ("readings", "journal"):
        connection.execute(f"SELECT max(received) FROM {table}").fetchone()  # noqa: S608 - names of our own
    for table in ("state", "meta", "series", "counters", "held"):
        connection.execute(f"SELECT * FROM {table}").fetchall()  # noqa: S608 - names of our own
    connection.execute("SELECT min(id), max(id) FROM events").fetchone()


def _free_name(path: Path) -> Path:
    number = 1
    while Path(f"{path}.damaged-{number}").exists():
        number += 1
    return Path(f"{path}.damaged-{number}")


def _copy(damaged: Path, path: Path) -> tuple[int, int]:
    """Make a store of what can be read; returns the rows kept and the stretches lost. sqlite3.Error for a full disk."""
    with (
        contextlib.closing(sqlite3.connect(damaged)) as source,
        contextlib.closing(sqlite3.connect(path, isolation_level=None)) as target,
    ):
        target.execute("PRAGMA synchronous = FULL")
        try:
            version = version_of(source)
        except _BROKEN:
            version = 0
        migrate(target, version or None)  # the tables as the damaged store had them; opening brings them up to date
        copy = _Copy(source, target)
        target.execute("BEGIN")
        for table in _tables(target):
            copy.table(table, _TABLES[table])
        _go_on_counting(source, target)
        # Of a notice that is lost its deliveries are of no use, and would stand in the way of the next of its number.
        target.execute("DELETE FROM deliveries WHERE notice NOT IN (SELECT id FROM notices)")
        # No state was ever written as version 0: it says that the inputs are to be gone through again.
        target.execute("INSERT OR REPLACE INTO meta VALUES ('state_version', 0), ('clean', 0)")
        target.execute("COMMIT")
        return copy.kept, copy.lost


def _tables(connection: sqlite3.Connection) -> list[str]:
    """Those of ours that a store of its version has."""
    found = {name for (name,) in connection.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")}
    return [table for table in _TABLES if table in found]


def _go_on_counting(source: sqlite3.Connection, target: sqlite3.Connection) -> None:
    """Numbers of rows that were sent and let go are never given again: the server knows them."""
    with contextlib.suppress(*_BROKEN):
        found = source.execute("SELECT seq FROM sqlite_sequence WHERE name = 'outbox'").fetchone()
        if found is not None and isinstance(found[0], int):
            target.execute("DELETE FROM sqlite_sequence WHERE name = 'outbox'")
            target.execute("INSERT INTO sqlite_sequence VALUES ('outbox', ?)", found)


class _Copy:
    """Copies tables row by row and hops over what cannot be read."""

    def __init__(self, source: sqlite3.Connection, target: sqlite3.Connection) -> None:
        self._source = source
        self._target = target
        self.kept = self.lost = 0

    def table(self, table: str, key: str) -> None:
        """One table by its key; readings series by series, for a key of two parts cannot be hopped along."""
        if table == "readings":
            for (number,) in self._target.execute("SELECT id FROM series ORDER BY id").fetchall():
                self._along(table, key, f" AND series = {number}")
        elif key == "rowid":
            self._along(table, key, "")
        else:
            _, whole = self._walk(table, f"SELECT *, 0 FROM {table} ORDER BY {key}", ())  # noqa: S608 - names of our own
            self.lost += not whole

    def _along(self, table: str, key: str, where: str) -> None:
        """Forwards to the damage, then past it by growing hops, then backwards from there to its other side."""
        forth = f"SELECT *, {key} FROM {table} WHERE {key} > ?{where} ORDER BY {key}"  # noqa: S608
        back = f"SELECT *, {key} FROM {table} WHERE {key} > ? AND {key} < ?{where} ORDER BY {key} DESC"  # noqa: S608
        at, whole = self._walk(table, forth, (_FIRST,))
        hop = 1
        self.lost += not whole
        while not whole and at + hop < _LAST:
            try:
                found = self._source.execute(f"{forth} LIMIT 1", (at + hop,)).fetchone()
            except _BROKEN:
                hop *= 2
                continue
            if found is None:
                self._walk(table, back, (at, _LAST))
                return
            self._walk(table, back, (at, found[-1]))
            at, whole = self._walk(table, forth, (found[-1] - 1,))
            hop = 1
            self.lost += not whole

    def _walk(self, table: str, rows: str, bounds: tuple[int, ...]) -> tuple[int, bool]:
        """Copy what a query gives until it fails; returns the last key, and whether it came to its end."""
        at = bounds[0] if bounds else 0
        try:
            cursor = self._source.execute(rows, bounds)
        except _BROKEN:
            return at, False
        while True:
            try:
                row = cursor.fetchone()
            except _BROKEN:
                return at, False
            if row is None:
                return at, True
            at = row[-1]
            self._keep(table, row[:-1])

    def _keep(self, table: str, row: tuple[Any, ...]) -> None:
        if not _sound(table, row):
            self.lost += 1
            return
        marks = ",".join("?" * len(row))
        done = self._target.execute(f"INSERT OR IGNORE INTO {table} VALUES ({marks})", row)  # noqa: S608
        self.kept += done.rowcount


def _sound(table: str, row: tuple[Any, ...]) -> bool:
    """Whether the inputs that everything is rebuilt from are what they should be."""
    if table == "readings":
        sane = [type(each) for each in row] == [int, int, int, float, int]
        return sane and all(_OLDEST_MS <= each <= _NEWEST_MS for each in row[1:3])
    if table != "journal":
        return True
    try:
        return _OLDEST_MS <= row[0] <= _NEWEST_MS and bool(JOURNAL.validate_json(row[2]).received == row[0])
    except (ValueError, TypeError):
        return False


def _sync(folder: Path) -> None:
    number = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(number)
    finally:
        os.close(number)
