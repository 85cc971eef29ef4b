"""The writer's side of the store: SQLite in WAL with `synchronous=FULL`, one connection, one thread.

    with store.transaction():
        store.add_reading(reading)          new | same | conflict
        store.add_journal(entry)
        store.add_outcome(events, notices)
        store.put_state(version, pieces)

All of it, or nothing, is there after a kill.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import IO, Literal, Self

from monitor.model.errors import StoreBusy, StoreTrouble
from monitor.model.events import AlertEvent, Event, Notice, as_line
from monitor.model.inputs import JOURNAL, Identity, JournalEntry, Reading, Unreadable
from monitor.store.outbox import Outbox
from monitor.store.salvage import salvage
from monitor.store.schema import migrate

Added = Literal["new", "same", "conflict"]
Held = tuple[int, str, int, str, str, float, int]  # id, boot, mono, probe, quantity, value, shift

RECEIPTS_KEPT = 30_000  # a killed broker sends again all that its last file holds: 20,000 with our settings
UNREADABLE_KEPT = 500
CONTENT_KEPT = 2_048  # bytes of an unreadable message
WORDS_KEPT = 500  # characters of where it came from, and of why it cannot be read


@contextlib.contextmanager
def _trouble() -> Iterator[None]:
    """Turn what SQLite says of a full, locked or failing disk into our words."""
    try:
        yield
    except sqlite3.Error as error:
        raise StoreTrouble(
            f"the store cannot be written: {error}",
            "free space on its disk and check the card; nothing committed is lost, and what arrives meanwhile waits",
        ) from error


class Store:
    """The one connection that writes. Open it with `Store.open`, or `Store.private` for a replay."""

    def __init__(self, connection: sqlite3.Connection, path: Path | None, lock: IO[str] | None) -> None:
        self._connection = connection
        self.path = path
        self._lock = lock
        self.outbox = Outbox(connection)
        self._series: dict[tuple[str, str], int] = {}
        self._sound = True  # nothing has failed that the next start should look into
        self.salvaged: str | None = None  # what had to be mended at opening, as a sentence

    # --- opening and closing -----------------------------------------------------------------------------------

    @classmethod
    def open(cls, path: Path) -> Store:
        """Open for writing: takes the lock, mends what is damaged, brings the schema up to date.

        StoreBusy when another process is the writer; StoreNewer when a later version wrote it; StoreTrouble
        when the disk refuses.
        """
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            lock = take_lock(path)
        except OSError as error:
            raise StoreTrouble(
                f"the store {path} cannot be opened: {error.strerror}",
                "name another [store].path, or give this user the right to write there",
            ) from error
        with contextlib.ExitStack() as undo:
            undo.callback(lock.close)
            with _trouble():
                salvaged = salvage(path)
                connection = _connect(path)
                undo.callback(connection.close)
                connection.execute("PRAGMA journal_mode = WAL")
                connection.execute("PRAGMA synchronous = FULL")
                migrate(connection)
                connection.execute("INSERT OR REPLACE INTO meta VALUES ('clean', 0)")
            undo.pop_all()
        store = cls(connection, path, lock)
        store.salvaged = salvaged
        return store

    @classmethod
    def private(cls) -> Store:
        """A store in memory, for a replay: gone when closed."""
        connection = _connect(None)
        migrate(connection)
        return cls(connection, None, None)

    def close(self) -> None:
        """Mark the end as orderly (else the next start checks all of it), fold the log back in, let go of the lock."""
        if self._sound:
            with contextlib.suppress(sqlite3.Error):
                self._connection.execute("INSERT OR REPLACE INTO meta VALUES ('clean', 1)")
        self._connection.close()
        if self._lock is not None:
            self._lock.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    # --- one commit --------------------------------------------------------------------------------------------

    @contextlib.contextmanager
    def transaction(self) -> Iterator[None]:
        """All or nothing; StoreTrouble when the disk refuses, with everything inside undone."""
        with _trouble():
            self._begin()
        try:
            with _trouble():
                yield
                self._connection.execute("COMMIT")
        except BaseException as error:
            self._sound = self._sound and not isinstance(error, StoreTrouble)
            self._series.clear()
            with contextlib.suppress(sqlite3.Error):
                self._connection.execute("ROLLBACK")
            raise

    def _begin(self) -> None:
        """A beginning that breaks off may leave a transaction open, in which no other could begin ever after."""
        try:
            self._connection.execute("BEGIN IMMEDIATE")
        except sqlite3.Error:
            if self._connection.in_transaction:
                self._connection.execute("ROLLBACK")
            raise

    def add_reading(self, reading: Reading) -> Added:
        """File a reading under (series, measured time). The first value stays; another one is a conflict."""
        probe, quantity, measured, value, received = reading
        series = self._series_id(probe, quantity)
        done = self._connection.execute(
            "INSERT OR IGNORE INTO readings VALUES (?, ?, ?, ?, 0)", (series, measured, received, value)
        )
        if done.rowcount == 1:
            return "new"
        (before,) = self._connection.execute(
            "SELECT value FROM readings WHERE series = ? AND measured = ?", (series, measured)
        ).fetchone()
        if before == value:
            self.count("duplicates")
            return "same"
        self.count("conflicts")
        return "conflict"

    def has_reading(self, probe: str, quantity: str, measured_ms: int) -> bool:
        """Whether a series already has a value at that millisecond."""
        return (
            self._connection.execute(
                "SELECT 1 FROM readings WHERE series = ? AND measured = ?",
                (self._series_id(probe, quantity), measured_ms),
            ).fetchone()
            is not None
        )

    def flag_reading(self, reading: Reading, flags: int) -> None:
        """Keep with a reading what the rules found about it."""
        self._connection.execute(
            "UPDATE readings SET flags = ? WHERE series = ? AND measured = ?",
            (flags, self._series_id(reading.probe, reading.quantity), reading.measured_ms),
        )

    def add_journal(self, entry: JournalEntry) -> None:
        """Append to the journal, under its `received`."""
        self._connection.execute(
            "INSERT INTO journal VALUES (?, ?, ?)",
            (entry.received, entry.kind, JOURNAL.dump_json(entry, exclude_defaults=False).decode()),
        )

    def queue_reading(
        self, reading: Reading, flags: int, place: str | None, batch: str | None, *, past: int = 0
    ) -> None:
        """Put a reading into the outbox."""
        self.outbox.add_reading(
            self._series_id(reading.probe, reading.quantity), reading.measured_ms, reading.received_ms, reading.value,
            flags, place, batch, past=past,
        )  # fmt: skip

    def add_outcome(self, events: Sequence[Event], notices: Sequence[Notice], routes: Sequence[str]) -> list[int]:
        """Append what the engine said, and return the events' numbers; each notice gets a delivery for each route."""
        numbers: list[int] = []
        for event in events:
            about = event.about if isinstance(event, AlertEvent) else f"batch:{event.batch}"
            kind = "alert" if isinstance(event, AlertEvent) else "verdict"
            number = self._connection.execute(
                "INSERT INTO events (time, event, about, record) VALUES (?, ?, ?, ?)",
                (event.time_ms, kind, about, as_line(event.record())),
            ).lastrowid
            numbers.append(number or 0)
        for notice in notices:
            number = self._connection.execute(
                "INSERT INTO notices (time, alert_id, alert, about, priority, reason, title, body, seen)"
                " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (
                    notice.time_ms, notice.alert_id, notice.alert, notice.about, notice.priority, notice.reason,
                    notice.title, notice.body, notice.seen_ms,
                ),
            ).lastrowid  # fmt: skip
            self._connection.executemany(
                "INSERT INTO deliveries (notice, route) VALUES (?, ?)", [(number, route) for route in routes]
            )
        return numbers

    def put_state(self, version: int, pieces: Mapping[str, bytes | None]) -> None:
        """Write the pieces of the engine's state that changed; None removes one."""
        self.put_meta("state_version", version)
        for key, value in pieces.items():
            if value is None:
                self._connection.execute("DELETE FROM state WHERE key = ?", (key,))
            else:
                self._connection.execute("INSERT OR REPLACE INTO state VALUES (?, ?)", (key, value))

    def clear_state(self) -> None:
        """Forget the engine's state: it is rebuilt from the inputs."""
        self._connection.execute("DELETE FROM state")

    def count(self, name: str, by: int = 1) -> None:
        """Add to a counter that survives restarts."""
        self._connection.execute(
            "INSERT INTO counters VALUES (?, ?) ON CONFLICT (name) DO UPDATE SET n = n + excluded.n", (name, by)
        )

    def counted(self, name: str) -> int:
        """How far a counter has come."""
        row = self._connection.execute("SELECT n FROM counters WHERE name = ?", (name,)).fetchone()
        return int(row[0]) if row else 0

    def put_meta(self, key: str, value: str | int | None) -> None:
        """Keep one named value."""
        self._connection.execute("INSERT OR REPLACE INTO meta VALUES (?, ?)", (key, value))

    # --- messages that are not (yet) readings ------------------------------------------------------------------

    def seen_before(self, identity: Identity) -> bool:
        """Whether a message without its own time came already, on an earlier connection of the same session."""
        return (
            self._connection.execute(
                "SELECT 1 FROM receipts WHERE session = ? AND packet = ? AND digest = ? AND connection <> ?",
                (identity.session, identity.packet, identity.digest, identity.connection),
            ).fetchone()
            is not None
        )

    def add_receipt(self, identity: Identity) -> None:
        """Remember such a message; the broker's window is far shorter than what is kept."""
        number = self._connection.execute(
            "INSERT INTO receipts (session, connection, packet, digest) VALUES (?, ?, ?, ?)",
            (identity.session, identity.connection, identity.packet, identity.digest),
        ).lastrowid
        self._connection.execute("DELETE FROM receipts WHERE id <= ?", ((number or 0) - RECEIPTS_KEPT,))

    def last_session(self) -> str | None:
        """The broker session of the latest message that was remembered."""
        row = self._connection.execute("SELECT session FROM receipts ORDER BY id DESC LIMIT 1").fetchone()
        return None if row is None else str(row[0])

    def add_unreadable(self, item: Unreadable, received_ms: int) -> None:
        """Keep what could not be read (the latest few hundred) and count it (for good)."""
        self.count(f"unreadable:{item.source}")
        number = self._connection.execute(
            "INSERT INTO unreadable (received, source, origin, reason, content) VALUES (?, ?, ?, ?, ?)",
            (received_ms, item.source, item.origin[:WORDS_KEPT], item.reason[:WORDS_KEPT], item.content[:CONTENT_KEPT]),
        ).lastrowid
        self._connection.execute("DELETE FROM unreadable WHERE id <= ?", ((number or 0) - UNREADABLE_KEPT,))

    def hold(self, *, boot: str, mono_ms: int, probe: str, quantity: str, value: float, shift_ms: int) -> None:
        """Keep a value whose time is not known yet: the clock is not set."""
        self._connection.execute(
            "INSERT INTO held (boot, mono, probe, quantity, value, shift) VALUES (?, ?, ?, ?, ?, ?)",
            (boot, mono_ms, probe, quantity, value, shift_ms),
        )

    def held(self) -> list[Held]:
        """What is being held, oldest first."""
        return self._connection.execute(
            "SELECT id, boot, mono, probe, quantity, value, shift FROM held ORDER BY id"
        ).fetchall()

    def release(self, number: int) -> None:
        """Drop one held value: it has become a reading, or was given up with a reason."""
        self._connection.execute("DELETE FROM held WHERE id = ?", (number,))

    # --- deliveries --------------------------------------------------------------------------------------------

    def delivered(self, notice: int, route: str, done_ms: int) -> None:
        """Mark a delivery as done."""
        self._connection.execute(
            "UPDATE deliveries SET done = ?, attempts = attempts + 1, error = NULL WHERE notice = ? AND route = ?",
            (done_ms, notice, route),
        )

    def not_delivered(self, notice: int, route: str, next_ms: int, error: str) -> None:
        """Note a failed delivery and when it is tried again."""
        self._connection.execute(
            "UPDATE deliveries SET next = ?, attempts = attempts + 1, error = ? WHERE notice = ? AND route = ?",
            (next_ms, error[:500], notice, route),
        )

    # --- reading back (only for the writer's own start; others use Reader) ----------------------------------------

    def load_state(self) -> tuple[int, dict[str, bytes]] | None:
        """The engine's state and its version, or None in a new store."""
        version = self.meta("state_version")
        if version is None:
            return None
        return int(version), dict(self._connection.execute("SELECT key, value FROM state"))

    def meta(self, key: str) -> str | int | None:
        """One named value."""
        row = self._connection.execute("SELECT value FROM meta WHERE key = ?", (key,)).fetchone()
        value: str | int | None = row[0] if row else None
        return value

    def last_received(self) -> int:
        """The largest `received` in the store; 0 in a new one."""
        return stored_last(self._connection)

    def inputs(self) -> Iterator[Reading | JournalEntry]:
        """Every stored input in the writer's order."""
        return stored_inputs(self._connection)

    def journal(self) -> Iterator[JournalEntry]:
        """Every journal entry, as received."""
        return stored_journal(self._connection)

    def value_at(self, probe: str, quantity: str, measured_ms: int) -> float | None:
        """The value of a series at that millisecond; None when there is none."""
        return stored_value(self._connection, probe, quantity, measured_ms)

    # --- retention ---------------------------------------------------------------------------------------------

    def thin(self, probe: str, from_ms: int, to_ms: int, cell_ms: int) -> int:
        """Keep the first reading of each cell of time of a probe's series; returns how many went."""
        done = self._connection.execute(
            """DELETE FROM readings WHERE (series, measured) IN (
                   SELECT series, measured FROM (
                       SELECT series, measured, row_number() OVER (
                           PARTITION BY series, measured / ?4 ORDER BY measured) AS place
                       FROM readings WHERE series IN (SELECT id FROM series WHERE probe = ?1)
                       AND measured >= ?2 AND measured < ?3)
                   WHERE place > 1)""",
            (probe, from_ms, to_ms, cell_ms),
        )
        return done.rowcount

    def _series_id(self, probe: str, quantity: str) -> int:
        number = self._series.get((probe, quantity))
        if number is None:
            self._connection.execute("INSERT OR IGNORE INTO series (probe, quantity) VALUES (?, ?)", (probe, quantity))
            (number,) = self._connection.execute(
                "SELECT id FROM series WHERE probe = ? AND quantity = ?", (probe, quantity)
            ).fetchone()
            self._series[(probe, quantity)] = number
        return number


def _connect(path: Path | None) -> sqlite3.Connection:
    return sqlite3.connect(
        path or ":memory:", timeout=2.0, isolation_level=None, check_same_thread=False, cached_statements=256
    )


def take_lock(path: Path) -> IO[str]:
    """Become the writer of a store; StoreBusy says who is."""
    handle = Path(f"{path}.lock").open("a+", encoding="ascii")  # noqa: SIM115 - it is held as long as the store is
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        handle.seek(0)
        holder = handle.read().strip() or "unknown"
        handle.close()
        raise StoreBusy(
            f"another process (pid {holder}) is the writer of {path}",
            "let that one do the work, stop it, or name another [store].path",
        ) from error
    handle.truncate(0)
    handle.write(str(os.getpid()))
    handle.flush()
    return handle


def stored_inputs(connection: sqlite3.Connection) -> Iterator[Reading | JournalEntry]:
    """Readings and journal entries merged by `received`."""
    readings = connection.execute(
        "SELECT probe, quantity, measured, value, received FROM readings JOIN series ON series.id = readings.series"
        " ORDER BY received"
    )
    journal = connection.execute("SELECT received, entry FROM journal ORDER BY received")
    waiting = journal.fetchone()
    for row in readings:
        while waiting is not None and waiting[0] < row[4]:
            yield JOURNAL.validate_json(waiting[1])
            waiting = journal.fetchone()
        yield Reading(*row)
    while waiting is not None:
        yield JOURNAL.validate_json(waiting[1])
        waiting = journal.fetchone()


def stored_journal(connection: sqlite3.Connection) -> Iterator[JournalEntry]:
    """Journal entries, as received."""
    for (entry,) in connection.execute("SELECT entry FROM journal ORDER BY received"):
        yield JOURNAL.validate_json(entry)


def stored_last(connection: sqlite3.Connection) -> int:
    """The largest `received`; 0 where nothing is stored."""
    (last,) = connection.execute(
        "SELECT max(coalesce((SELECT max(received) FROM readings), 0),"
        " coalesce((SELECT max(received) FROM journal), 0))"
    ).fetchone()
    return int(last)


def stored_value(connection: sqlite3.Connection, probe: str, quantity: str, measured_ms: int) -> float | None:
    """The value of a series at that millisecond; None when there is none."""
    row = connection.execute(
        "SELECT value FROM readings JOIN series ON series.id = series WHERE probe = ? AND quantity = ?"
        " AND measured = ?", (probe, quantity, measured_ms),
    ).fetchone()  # fmt: skip
    return None if row is None else float(row[0])
