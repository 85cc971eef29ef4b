"""A store damaged by a power cut or a failing card: move it aside, copy what can be read, go on, and say so."""

from __future__ import annotations

import contextlib
import sqlite3
from pathlib import Path

from monitor.store.schema import migrate

# In order of worth. State is not copied: it is rebuilt from the inputs, which are.
_TABLES = ("series", "readings", "journal", "events", "notices", "deliveries", "receipts", "held", "unreadable",
           "counters")  # fmt: skip


def salvage(path: Path) -> str | None:
    """Check a store that was not closed in good order; if damaged, salvage it. Returns what was done, or None."""
    if not path.exists() or path.stat().st_size == 0:
        return None
    fault = _fault(path)
    if fault is None:
        return None
    aside = _free_name(path)
    path.rename(aside)
    for tail in ("-wal", "-shm"):
        beside = Path(f"{path}{tail}")
        if beside.exists():
            beside.rename(f"{aside}{tail}")
    kept, lost = _copy(aside, path)
    return (
        f"the store was damaged ({fault}); {kept} rows were saved, {lost} ranges could not be read, "
        f"and the damaged file is kept as {aside.name}"
    )


def _fault(path: Path) -> str | None:
    try:
        with contextlib.closing(sqlite3.connect(path, timeout=2.0)) as connection:
            clean = connection.execute("SELECT value FROM meta WHERE key = 'clean'").fetchone()
            if clean and clean[0] == 1:
                return None
            (result,) = connection.execute("PRAGMA quick_check(1)").fetchone()
            return None if result == "ok" else str(result).splitlines()[0]
    except sqlite3.OperationalError as error:
        # Locked or unreadable is trouble of another kind; a missing table means a store that was never finished.
        return None if "locked" in str(error) or "no such table" in str(error) else str(error)
    except sqlite3.DatabaseError as error:
        return str(error)


def _free_name(path: Path) -> Path:
    number = 1
    while Path(f"{path}.damaged-{number}").exists():
        number += 1
    return Path(f"{path}.damaged-{number}")


def _copy(damaged: Path, path: Path) -> tuple[int, int]:
    kept = lost = 0
    with (
        contextlib.closing(sqlite3.connect(damaged)) as source,
        contextlib.closing(sqlite3.connect(path, isolation_level=None)) as target,
    ):
        migrate(target)
        target.execute("BEGIN")
        for table in _TABLES:
            saved, gaps = _copy_table(source, target, table)
            kept += saved
            lost += gaps
        target.execute("COMMIT")
    return kept, lost


def _copy_table(source: sqlite3.Connection, target: sqlite3.Connection, table: str) -> tuple[int, int]:
    """Copy forwards until a page cannot be read, then backwards from the end to the same page."""
    key = {"readings": "series {0}, measured {0}", "deliveries": "notice {0}", "counters": "name {0}"}.get(
        table, "rowid {0}"
    )
    kept = gaps = 0
    for direction in ("ASC", "DESC"):
        try:
            for row in source.execute(f"SELECT * FROM {table} ORDER BY {key.format(direction)}"):  # noqa: S608
                marks = ",".join("?" * len(row))
                kept += target.execute(f"INSERT OR IGNORE INTO {table} VALUES ({marks})", row).rowcount  # noqa: S608
        except sqlite3.DatabaseError:
            gaps += 1
        else:
            break
    return kept, gaps
