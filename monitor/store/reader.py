"""The readers' side: read-only connections for the page, the commands, the routes and the export."""

from __future__ import annotations

import contextlib
import json
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from monitor.model.errors import StoreError, StoreNewer, StoreTrouble
from monitor.model.events import Notice
from monitor.model.inputs import JOURNAL, JournalEntry, Reading
from monitor.store import outbox
from monitor.store.outbox import Backlog, Row
from monitor.store.schema import MIGRATIONS, version_of
from monitor.store.store import stored_inputs, stored_journal, stored_last, stored_value


@dataclass(frozen=True, slots=True)
class Due:
    """A delivery that waits: which notice, which route, how often it was tried."""

    number: int
    route: str
    attempts: int
    next_ms: int
    notice: Notice


class Reader:
    """Reads a store while the writer writes. Not to be shared between threads."""

    def __init__(self, path: Path) -> None:
        if not path.exists():
            raise StoreError(
                f"there is no store at {path}", "start `leeswatch run` first, or name another [store].path"
            )
        try:
            self._connection = sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True, timeout=5.0)
            self._connection.execute("PRAGMA query_only = 1")
            version = version_of(self._connection)
        except sqlite3.Error as error:
            raise StoreTrouble(
                f"the store {path} cannot be read: {error}",
                "`leeswatch run` mends what is damaged when it starts; else check its disk and who may read it",
            ) from error
        if version != len(MIGRATIONS):
            self._connection.close()
            raise _other_version(path, version)

    def close(self) -> None:
        """Let go of the file."""
        self._connection.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def inputs(self) -> Iterator[Reading | JournalEntry]:
        """Every stored input in the writer's order, as of one moment."""
        return stored_inputs(self._connection)

    @contextlib.contextmanager
    def moment(self) -> Iterator[None]:
        """Hold one state of the store while several questions are asked."""
        self._connection.execute("BEGIN")
        try:
            yield
        finally:
            self._connection.execute("ROLLBACK")

    def events(self, after: int = 0, limit: int = 1_000_000) -> Iterator[tuple[int, dict[str, Any]]]:
        """Events with their number, in the order they happened, after a number."""
        for number, record in self._connection.execute(
            "SELECT id, record FROM events WHERE id > ? ORDER BY id LIMIT ?", (after, limit)
        ):
            yield number, json.loads(record)

    def event_lines(self) -> Iterator[str]:
        """Every event as its stored line of JSON."""
        for (record,) in self._connection.execute("SELECT record FROM events ORDER BY id"):
            yield record

    def last_event(self) -> int:
        """The number of the latest event; 0 when there is none."""
        (last,) = self._connection.execute("SELECT coalesce(max(id), 0) FROM events").fetchone()
        return int(last)

    def latest_verdicts(self) -> dict[str, dict[str, Any]]:
        """The latest verdict event of each batch."""
        rows = self._connection.execute(
            "SELECT record FROM events WHERE id IN (SELECT max(id) FROM events WHERE event = 'verdict' GROUP BY about)"
        )
        return {record["batch"]: record for record in (json.loads(row[0]) for row in rows)}

    def verdicts(self, batch: str) -> Iterator[dict[str, Any]]:
        """The verdict events of one batch, in the order they happened."""
        for (record,) in self._connection.execute(
            "SELECT record FROM events WHERE about = ? AND event = 'verdict' ORDER BY id", (f"batch:{batch}",)
        ):
            yield json.loads(record)

    def alerts(self, limit: int = 200) -> list[dict[str, Any]]:
        """The latest alert events, newest first."""
        rows = self._connection.execute(
            "SELECT record FROM events WHERE event = 'alert' ORDER BY id DESC LIMIT ?", (limit,)
        )
        return [json.loads(row[0]) for row in rows]

    def latest(self) -> list[Reading]:
        """The latest reading, by measured time, of each series."""
        return [
            Reading(*row)
            for row in self._connection.execute(
                "SELECT probe, quantity, measured, value, received FROM series JOIN readings ON readings.series = id"
                " AND measured = (SELECT max(measured) FROM readings AS inner WHERE inner.series = series.id)"
                " ORDER BY probe, quantity"
            )
        ]

    def curve(self, probe: str, quantity: str, from_ms: int, to_ms: int) -> list[tuple[int, float]]:
        """Measured times and values of one series."""
        return self._connection.execute(
            "SELECT measured, value FROM readings JOIN series ON series.id = series"
            " WHERE probe = ? AND quantity = ? AND measured BETWEEN ? AND ? ORDER BY measured",
            (probe, quantity, from_ms, to_ms),
        ).fetchall()

    def value_at(self, probe: str, quantity: str, measured_ms: int) -> float | None:
        """The value of a series at that millisecond; None when there is none."""
        return stored_value(self._connection, probe, quantity, measured_ms)

    def journal(self) -> Iterator[JournalEntry]:
        """Every journal entry, as received."""
        return stored_journal(self._connection)

    def last_entry(self) -> JournalEntry | None:
        """The journal entry received last; None in an empty journal."""
        row = self._connection.execute("SELECT entry FROM journal ORDER BY received DESC LIMIT 1").fetchone()
        return JOURNAL.validate_json(row[0]) if row else None

    def last_received(self) -> int:
        """The largest `received` in the store; 0 in a new one."""
        return stored_last(self._connection)

    def counters(self) -> dict[str, int]:
        """All counters."""
        return dict(self._connection.execute("SELECT name, n FROM counters"))

    def unreadable(self, limit: int = 50) -> list[tuple[int, str, str, str, bytes]]:
        """Received, source, origin, reason and content of the latest messages that could not be read."""
        return self._connection.execute(
            "SELECT received, source, origin, reason, content FROM unreadable ORDER BY id DESC LIMIT ?", (limit,)
        ).fetchall()

    def due(self, route: str, limit: int = 20) -> list[Due]:
        """What waits for a route, oldest first."""
        rows = self._connection.execute(
            "SELECT notice, route, attempts, next, time, alert_id, alert, about, priority, reason, title, body, seen"
            " FROM deliveries JOIN notices ON notices.id = notice WHERE done IS NULL AND route = ?"
            " ORDER BY notice LIMIT ?",
            (route, limit),
        )
        return [Due(row[0], row[1], row[2], row[3], Notice(*row[4:])) for row in rows]

    def waiting(self) -> dict[str, tuple[int, str | None]]:
        """How many deliveries wait on each route, and the latest error."""
        rows = self._connection.execute(
            "SELECT route, count(*), max(error) FROM deliveries WHERE done IS NULL GROUP BY route"
        )
        return {route: (count, error) for route, count, error in rows}

    def unsent(self, limit: int) -> list[Row]:
        """The oldest rows of the outbox that were not sent."""
        return outbox.unsent(self._connection, limit)

    def backlog(self) -> Backlog:
        """What waits for the time-series server."""
        return outbox.backlog(self._connection)

    def held_stamps(self) -> list[tuple[str, int, int]]:
        """Stamps of the servers that rows are held for, whether of the past, and the last row of each."""
        return outbox.held_stamps(self._connection)

    def refused(self, limit: int = 50) -> list[tuple[int, int, str, str]]:
        """Number, time, line and reason of what the time-series server would not take, newest first."""
        return list(outbox.refused(self._connection, limit))

    def holds(self, from_ms: int, to_ms: int) -> bool:
        """Whether anything was received in a span, both ends within."""
        return any(
            self._connection.execute(
                f"SELECT 1 FROM {table} WHERE received BETWEEN ? AND ? LIMIT 1",  # noqa: S608 - names of our own
                (from_ms, to_ms),
            ).fetchone()
            for table in ("journal", "readings")
        )

    def state(self) -> dict[str, bytes]:
        """The pieces of the engine's state as last committed."""
        return dict(self._connection.execute("SELECT key, value FROM state"))

    def meta(self, key: str) -> str | int | None:
        """One named value."""
        row = self._connection.execute("SELECT value FROM meta WHERE key = ?", (key,)).fetchone()
        value: str | int | None = row[0] if row else None
        return value

    def backup(self, out: Path) -> None:
        """Copy the whole store, consistent, into a new file: temporary name, sync, rename.

        One moment is held throughout: else each commit of the writer would make the copy begin anew.
        """
        part = out.with_name(f".{out.name}.part")
        part.unlink(missing_ok=True)
        with contextlib.closing(sqlite3.connect(part)) as target, self.moment():
            self.meta("clean")  # the moment begins with the first look
            self._connection.backup(target, pages=500, sleep=0.01)
            target.execute("PRAGMA journal_mode = DELETE")
        part.replace(out)


def _other_version(path: Path, version: int) -> StoreError:
    if version > len(MIGRATIONS):
        return StoreNewer(
            f"the store {path} was written by a later version", "use that version, or name another [store].path"
        )
    return StoreError(
        f"the store {path} was {'written by an earlier version' if version else 'never used'}",
        "start `leeswatch run` first: it brings it up to date",
    )
