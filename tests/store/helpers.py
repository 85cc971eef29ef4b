"""What the tests of the store share: inputs and outcomes to file, and looking at what is there."""

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

from monitor.model.clock import MINUTE, parse_time
from monitor.model.events import AlertEvent, Notice, VerdictEvent
from monitor.model.inputs import JournalEntry, Reading, StageChanged, Started
from monitor.store.store import Store

NOW = parse_time("2026-03-02T18:00:00Z")


def reading(number: int, *, probe: str = "float-a", quantity: str = "temperature", value: float = 20.5) -> Reading:
    """The `number`-th reading of a probe, one a minute, received a quarter of a second later."""
    return Reading(probe, quantity, NOW + number * MINUTE, value, NOW + number * MINUTE + 250)


def entry(received_ms: int = NOW) -> JournalEntry:
    """A journal entry."""
    return StageChanged(batch="amber-1", stage="cold", received=received_ms)


def started(received_ms: int = NOW) -> JournalEntry:
    """The first entry of every store."""
    return Started(version="0.1.0", watched_until=None, received=received_ms)


def verdict(number: int = 0) -> VerdictEvent:
    """A verdict."""
    return VerdictEvent(NOW + number, "amber-1", "working", 0.9, ("it falls by 0.004 a day",), gravity=1.041)


def alert(number: int = 0) -> AlertEvent:
    """An alert."""
    return AlertEvent(NOW + number, f"id-{number}", "fridge-door", "raised", "fridge:larder", "The door stands open.")


def notice(number: int = 0) -> Notice:
    """Its notice."""
    return Notice(
        NOW + number, f"id-{number}", "fridge-door", "fridge:larder", "high", "first", "Door open", "Close it.", NOW
    )  # fmt: skip


def file_group(store: Store, number: int) -> None:
    """One commit as the writer makes it: readings, an entry, what the engine said, its state."""
    at = NOW + number * MINUTE
    with store.transaction():
        store.add_reading(reading(number))
        store.add_reading(reading(number, quantity="gravity", value=1.04))
        store.add_journal(entry(at + 500))
        store.add_outcome([verdict(number), alert(number)], [notice(number)], ["phone", "screen"])
        store.put_state(1, {"clock": f"{number}".encode(), "book": b"{}"})
        store.count("groups")


def rows(path: Path) -> dict[str, list[Any]]:
    """Everything in a store's file, table by table, read as any other program would."""
    with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)) as connection:
        return _all(connection)


def rows_of(store: Store) -> dict[str, list[Any]]:
    """Everything in an open store."""
    return _all(store._connection)


def _all(connection: sqlite3.Connection) -> dict[str, list[Any]]:
    names = [name for (name,) in connection.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")]
    return {name: connection.execute(f"SELECT * FROM {name}").fetchall() for name in sorted(names)}
