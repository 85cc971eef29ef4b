"""Looking after the store: old readings of closed batches grow sparse, and each night there is a copy."""

from __future__ import annotations

import contextlib
import functools
import os
import re
import shutil
import sqlite3
from collections.abc import Iterable
from pathlib import Path

from monitor.alerts.routes.worker import Do
from monitor.model.clock import HOUR, MINUTE
from monitor.model.errors import StoreTrouble
from monitor.store.reader import Reader
from monitor.store.store import Store

Span = tuple[str, int, int]  # probe, from and to in UTC ms: readings of a closed batch, and of no open one

CELL = 10 * MINUTE
CHUNK = HOUR  # of readings in one chore: the writer has other work
WRITER_SECONDS = 60.0
SPARE = 32 * 1024 * 1024  # bytes left free beside a backup: it must not be what fills the disk
_NAME = re.compile(r"leeswatch-\d{4}-\d\d-\d\d\.db")


def thin_closed(path: Path, do: Do, spans: Iterable[Span], before_ms: int) -> int:
    """Keep one reading in ten minutes of each series in `spans` where older than `before_ms`; returns how many went.

    How far each span has been thinned is kept in the store with each step, so that every night, and a night that
    was cut short, goes on from there.
    """
    gone = 0
    with Reader(path) as reader:
        for probe, from_ms, to_ms in spans:
            key = f"thinned:{probe}:{from_ms}"
            end = to_ms if to_ms <= before_ms else before_ms - before_ms % CHUNK  # no cell is thinned in two halves
            at = int(reader.meta(key) or from_ms)
            while at < end:
                upto = min(at - at % CHUNK + CHUNK, end)
                step = functools.partial(_step, probe=probe, from_ms=at, to_ms=upto, key=key)
                gone += do(step).result(WRITER_SECONDS)
                at = upto
    return gone


def _step(store: Store, probe: str, from_ms: int, to_ms: int, key: str) -> int:
    gone = 0
    for at in range(from_ms - from_ms % CELL, to_ms, CELL):  # cell by cell: the store's thinning is quadratic in rows
        gone += store.thin(probe, max(at, from_ms), min(at + CELL, to_ms), CELL)
    store.put_meta(key, to_ms)
    return gone


def back_up(path: Path, folder: Path, day: str, kept: int) -> Path:
    """Copy the store into `folder` as `leeswatch-<day>.db` and keep the latest `kept` copies; returns the copy.

    The copy gets its name only once it has passed SQLite's check and lies on the disk, and older ones go only
    then. StoreTrouble when there is no room or the copy is damaged; OSError and sqlite3.Error as they come.
    """
    folder.mkdir(parents=True, exist_ok=True)
    final = folder / f"leeswatch-{day}.db"
    unchecked = folder / f".leeswatch-{day}.unchecked"
    _need_room(path, folder)
    try:
        with Reader(path) as reader:
            reader.backup(unchecked)
        _check(unchecked)
        _sync(unchecked)
        unchecked.replace(final)
        _sync(folder)
    finally:
        for left in folder.glob(f".leeswatch-{day}.unchecked*"):
            left.unlink(missing_ok=True)
        folder.joinpath(f".{unchecked.name}.part").unlink(missing_ok=True)
    copies = sorted((each for each in folder.iterdir() if _NAME.fullmatch(each.name)), reverse=True)
    for old in copies[kept:]:
        old.unlink()
    return final


def _need_room(path: Path, folder: Path) -> None:
    log = Path(f"{path}-wal")
    needed = path.stat().st_size + (log.stat().st_size if log.exists() else 0) + SPARE
    free = shutil.disk_usage(folder).free
    if free < needed:
        raise StoreTrouble(
            f"no backup was made: {folder} has {free // 2**20} MiB free, {needed // 2**20} are needed",
            "free space there, name another [jobs].backup_dir, or keep fewer with backups_kept",
        )


def _check(copy: Path) -> None:
    with contextlib.closing(sqlite3.connect(copy)) as connection:
        (result,) = connection.execute("PRAGMA quick_check(1)").fetchone()
    if result != "ok":
        raise StoreTrouble(f"the backup is damaged: {result}", "check the disk; the copies of other days are untouched")


def _sync(path: Path) -> None:
    number = os.open(path, os.O_RDONLY)
    try:
        os.fsync(number)
    finally:
        os.close(number)
