"""The tables, and the steps that bring an older store up to date."""

from __future__ import annotations

import sqlite3

from monitor.model.errors import StoreNewer

# One entry a version, never edited once released: a store at version n has run the first n.
MIGRATIONS: tuple[str, ...] = (
    """
    CREATE TABLE meta (key TEXT PRIMARY KEY, value) WITHOUT ROWID;
    CREATE TABLE series (
        id INTEGER PRIMARY KEY, probe TEXT NOT NULL, quantity TEXT NOT NULL, UNIQUE (probe, quantity)
    );
    -- Key first: half the size and faster by time than a rowid table with an index (see DEVELOPERS.md).
    CREATE TABLE readings (
        series INTEGER NOT NULL, measured INTEGER NOT NULL, received INTEGER NOT NULL, value REAL NOT NULL,
        flags INTEGER NOT NULL DEFAULT 0, PRIMARY KEY (series, measured)
    ) WITHOUT ROWID;
    CREATE TABLE journal (received INTEGER PRIMARY KEY, kind TEXT NOT NULL, entry TEXT NOT NULL);
    CREATE TABLE events (
        id INTEGER PRIMARY KEY AUTOINCREMENT, time INTEGER NOT NULL, event TEXT NOT NULL, about TEXT NOT NULL,
        record TEXT NOT NULL
    );
    CREATE INDEX events_time ON events (time);
    CREATE INDEX events_about ON events (about, id);
    CREATE TABLE notices (
        id INTEGER PRIMARY KEY AUTOINCREMENT, time INTEGER NOT NULL, alert_id TEXT NOT NULL, alert TEXT NOT NULL,
        about TEXT NOT NULL, priority TEXT NOT NULL, reason TEXT NOT NULL, title TEXT NOT NULL, body TEXT NOT NULL,
        seen INTEGER
    );
    CREATE TABLE deliveries (
        notice INTEGER NOT NULL, route TEXT NOT NULL, attempts INTEGER NOT NULL DEFAULT 0,
        next INTEGER NOT NULL DEFAULT 0, done INTEGER, error TEXT, PRIMARY KEY (notice, route)
    ) WITHOUT ROWID;
    CREATE INDEX deliveries_open ON deliveries (route, notice) WHERE done IS NULL;
    CREATE TABLE state (key TEXT PRIMARY KEY, value BLOB NOT NULL) WITHOUT ROWID;
    CREATE TABLE receipts (
        id INTEGER PRIMARY KEY AUTOINCREMENT, session TEXT NOT NULL, connection TEXT NOT NULL,
        packet INTEGER NOT NULL, digest TEXT NOT NULL
    );
    CREATE INDEX receipts_digest ON receipts (digest, packet);
    CREATE TABLE held (
        id INTEGER PRIMARY KEY AUTOINCREMENT, boot TEXT NOT NULL, mono INTEGER NOT NULL, probe TEXT NOT NULL,
        quantity TEXT NOT NULL, value REAL NOT NULL, shift INTEGER NOT NULL
    );
    CREATE TABLE unreadable (
        id INTEGER PRIMARY KEY AUTOINCREMENT, received INTEGER NOT NULL, source TEXT NOT NULL,
        origin TEXT NOT NULL, reason TEXT NOT NULL, content BLOB NOT NULL
    );
    CREATE TABLE counters (name TEXT PRIMARY KEY, n INTEGER NOT NULL) WITHOUT ROWID;
    """,
    """
    -- What waits for the time-series server. Readings stand here whole, because the nightly thinning may take them out
    -- of `readings` before they are sent; events and journal entries are pointed to, because those stay.
    CREATE TABLE outbox (
        seq INTEGER PRIMARY KEY AUTOINCREMENT, kind TEXT NOT NULL, time INTEGER NOT NULL, of INTEGER NOT NULL,
        series INTEGER, value REAL, flags INTEGER NOT NULL DEFAULT 0, place TEXT, batch TEXT,
        past INTEGER NOT NULL DEFAULT 0, sent TEXT
    );
    CREATE INDEX outbox_open ON outbox (past, seq) WHERE sent IS NULL;
    CREATE TABLE refused (
        seq INTEGER PRIMARY KEY, time INTEGER NOT NULL, line TEXT NOT NULL, reason TEXT NOT NULL
    );
    """,
)


def version_of(connection: sqlite3.Connection) -> int:
    """How many of the steps a store has run."""
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    return int(version)


def migrate(connection: sqlite3.Connection, to: int | None = None) -> None:
    """Bring the schema up to date (or to version `to`), each step in one transaction; StoreNewer if it is ahead."""
    version = version_of(connection)
    if version > len(MIGRATIONS):
        raise StoreNewer(
            f"the store was written by a later version (schema {version}, this program knows {len(MIGRATIONS)})",
            "install that version again, or name another [store].path",
        )
    for number in range(version, len(MIGRATIONS) if to is None else to):
        connection.executescript(f"BEGIN IMMEDIATE; {MIGRATIONS[number]} PRAGMA user_version = {number + 1}; COMMIT;")
