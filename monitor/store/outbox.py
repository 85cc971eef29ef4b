"""The outbox: what waits for the time-series server, in the order of the writer.

A row is put in with the commit that files what it is about, and taken out only when the server has had it for good:

    queued ──2xx──► sent, with the stamp of the server's start ──held, same start──► gone
       ▲                     │
       └──── it restarted ───┘

`seq` rises by one for each row for as long as the store lives, so that a gap at the server is a loss. Rows of the past
(`past`, queued when somebody asks for what came before the relay) go only when nothing of today waits.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

Kind = Literal["reading", "event", "entry"]

REFUSED = "relay-refused"  # the counter of all that were set aside
REFUSED_KEPT, REFUSED_SPARE = 10_000, 1_000
LINE_KEPT = 4_096  # characters


@dataclass(frozen=True, slots=True)
class Row:
    """One row of the outbox; times are UTC ms."""

    seq: int
    kind: Kind
    time_ms: int
    """When it was measured, said or received: its time at the server."""
    of: int
    """`received` of a reading or journal entry; the number of an event."""
    place: str | None
    batch: str | None
    probe: str = ""
    quantity: str = ""
    value: float | None = None
    flags: int = 0
    text: str = ""
    """An event's record or a journal entry, as JSON."""
    past: int = 0
    """1 where it was queued because somebody asked for what came before the relay."""


@dataclass(frozen=True, slots=True)
class Backlog:
    """What waits: not sent yet (`past`: of the past), and sent but still held."""

    waiting: int
    past: int
    held: int
    oldest_ms: int | None
    """`received` of the oldest of today that was not sent; of an event its time."""
    refused: int
    """All that ever were; the latest of them are kept."""


class Outbox:
    """The writer's side; it lives on the store's connection and in its transactions."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection

    def add_reading(
        self, series: int, time_ms: int, received_ms: int, value: float, flags: int, place: str | None,
        batch: str | None, *, past: int = 0,
    ) -> None:  # fmt: skip
        """Queue a reading."""
        self._connection.execute(
            "INSERT INTO outbox (kind, time, of, series, value, flags, place, batch, past)"
            " VALUES ('reading', ?, ?, ?, ?, ?, ?, ?, ?)",
            (time_ms, received_ms, series, value, flags, place, batch, past),
        )

    def add(
        self, kind: Kind, time_ms: int, of: int, place: str | None = None, batch: str | None = None, *,
        past: int = 0,
    ) -> None:  # fmt: skip
        """Queue an event or a journal entry."""
        self._connection.execute(
            "INSERT INTO outbox (kind, time, of, place, batch, past) VALUES (?, ?, ?, ?, ?, ?)",
            (kind, time_ms, of, place, batch, past),
        )

    def mark_sent(self, first: int, last: int, stamp: str, *, past: int) -> None:
        """The server, which started at `stamp`, has taken these rows."""
        self._connection.execute(
            "UPDATE outbox SET sent = ? WHERE seq BETWEEN ? AND ? AND past = ? AND sent IS NULL",
            (stamp, first, last, past),
        )

    def send_again(self, but: str) -> int:
        """Rows that were sent to a server which has started anew since are queued again; returns how many."""
        done = self._connection.execute("UPDATE outbox SET sent = NULL WHERE sent IS NOT NULL AND sent <> ?", (but,))
        return done.rowcount

    def let_go(self, upto: int, stamp: str, *, past: int) -> int:
        """Take out what the server of this start has had long enough; returns how many."""
        done = self._connection.execute(
            "DELETE FROM outbox WHERE seq <= ? AND past = ? AND sent = ?", (upto, past, stamp)
        )
        return done.rowcount

    def refuse(self, seq: int, line: str, reason: str, now_ms: int) -> None:
        """Set a row aside that the server will not take, with what it says: the latest are kept, all are counted."""
        self._connection.execute("DELETE FROM outbox WHERE seq = ?", (seq,))
        self._connection.execute(
            "INSERT OR REPLACE INTO refused VALUES (?, ?, ?, ?)", (seq, now_ms, line[:LINE_KEPT], reason[:500])
        )
        (count,) = self._connection.execute(
            "INSERT INTO counters VALUES (?, 1) ON CONFLICT (name) DO UPDATE SET n = n + 1 RETURNING n", (REFUSED,)
        ).fetchone()
        if count % REFUSED_SPARE == 0:  # to look each time would cost a walk through all of them
            self._connection.execute(
                "DELETE FROM refused WHERE seq <= (SELECT seq FROM refused ORDER BY seq DESC LIMIT 1 OFFSET ?)",
                (REFUSED_KEPT,),
            )

    # --- what came before the relay ------------------------------------------------------------------------------

    def entries_after(self, received_ms: int, limit: int) -> list[int]:
        """`received` of the journal's next entries."""
        rows = self._connection.execute(
            "SELECT received FROM journal WHERE received > ? ORDER BY received LIMIT ?", (received_ms, limit)
        )
        return [received for (received,) in rows]

    def events_after(self, number: int, limit: int) -> list[tuple[int, int, str | None, str | None]]:
        """Number, time, batch and place of the next events; the place of what was said long ago is not known."""
        rows = self._connection.execute(
            "SELECT id, time, CASE event WHEN 'verdict' THEN substr(about, 7) END, NULL FROM events"
            " WHERE id > ? ORDER BY id LIMIT ?", (number, limit),
        )  # fmt: skip
        return rows.fetchall()

    def readings_after(
        self, at: tuple[int, int], from_ms: int, to_ms: int, limit: int
    ) -> list[tuple[int, int, int, float, int, str]]:
        """Series, measured, received, value, flags and probe of the next readings measured in a span.

        Series by series, because readings lie in that order: what is outside of the span is not looked at. `at` is the
        last that was seen.
        """
        found: list[tuple[int, int, int, float, int, str]] = []
        series = self._connection.execute("SELECT id, probe FROM series WHERE id >= ? ORDER BY id", (at[0],)).fetchall()
        for number, probe in series:
            since = max(from_ms, at[1] + 1) if number == at[0] else from_ms
            found += self._connection.execute(
                "SELECT series, measured, received, value, flags, ? FROM readings"
                " WHERE series = ? AND measured BETWEEN ? AND ? ORDER BY measured LIMIT ?",
                (probe, number, since, to_ms, limit - len(found)),
            )
            if len(found) == limit:
                break
        return found


# --- the readers' side -------------------------------------------------------------------------------------------

_ROWS = """
    SELECT outbox.seq, outbox.kind, outbox.time, outbox.of, outbox.place, outbox.batch,
           coalesce(series.probe, ''), coalesce(series.quantity, ''), outbox.value, outbox.flags,
           coalesce(events.record, journal.entry, ''), outbox.past
    FROM outbox
    LEFT JOIN series ON outbox.kind = 'reading' AND series.id = outbox.series
    LEFT JOIN events ON outbox.kind = 'event' AND events.id = outbox.of
    LEFT JOIN journal ON outbox.kind = 'entry' AND journal.received = outbox.of
    WHERE outbox.sent IS NULL AND outbox.past = ? ORDER BY outbox.seq LIMIT ?
"""


def unsent(connection: sqlite3.Connection, limit: int) -> list[Row]:
    """The oldest rows that were not sent: of today, else of the past; never some of both."""
    for past in (0, 1):
        rows = [Row(*row) for row in connection.execute(_ROWS, (past, limit))]
        if rows:
            return rows
    return []


def backlog(connection: sqlite3.Connection) -> Backlog:
    """How much waits, and since when."""
    waiting, past = connection.execute(
        "SELECT count(*), coalesce(sum(past), 0) FROM outbox WHERE sent IS NULL"
    ).fetchone()
    (every,) = connection.execute("SELECT count(*) FROM outbox").fetchone()
    oldest = connection.execute(
        "SELECT CASE kind WHEN 'event' THEN time ELSE of END FROM outbox WHERE sent IS NULL AND past = 0"
        " ORDER BY seq LIMIT 1"
    ).fetchone()
    (refused,) = connection.execute(
        "SELECT max(count(*), coalesce((SELECT n FROM counters WHERE name = ?), 0)) FROM refused", (REFUSED,)
    ).fetchone()
    return Backlog(waiting, past, every - waiting, oldest[0] if oldest else None, refused)


def held_stamps(connection: sqlite3.Connection) -> list[tuple[str, int, int]]:
    """Stamps of servers that rows were sent to and are held for, whether of the past, and the last row of each."""
    found = connection.execute("SELECT sent, past, max(seq) FROM outbox WHERE sent IS NOT NULL GROUP BY sent, past")
    return found.fetchall()


def refused(connection: sqlite3.Connection, limit: int) -> Iterator[tuple[int, int, str, str]]:
    """Number, time, line and reason of rows that were set aside, newest first."""
    yield from connection.execute("SELECT seq, time, line, reason FROM refused ORDER BY seq DESC LIMIT ?", (limit,))
