"""The one writer, as the routes see it: a thread that owns a real store and does chores in transactions."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import TypeVar

from monitor.model.errors import StoreTrouble
from monitor.model.events import PRIORITIES, AlertName, Notice
from monitor.store.reader import Reader
from monitor.store.store import Store

T = TypeVar("T")
NIGHT = 1_773_014_400_000  # 2026-03-09T00:00:00Z, a Monday; Lisbon is at UTC then


class Desk:
    """A store with its writer. `full` plays a full disk: every chore is refused."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.full = False
        self.chores = 0
        self._pool = ThreadPoolExecutor(1)
        self.store = Store.open(path)

    def do(self, chore: Callable[[Store], T]) -> Future[T]:
        return self._pool.submit(self._do, chore)

    def _do(self, chore: Callable[[Store], T]) -> T:
        if self.full:
            raise StoreTrouble("the store cannot be written: database or disk is full")
        with self.store.transaction():
            self.chores += 1
            return chore(self.store)

    def post(self, *notices: Notice, routes: list[str]) -> None:
        """What the engine said, committed."""
        self.do(lambda store: store.add_outcome([], notices, routes)).result()

    def open_deliveries(self, route: str) -> list[tuple[int, int]]:
        """Number and attempts of what is not done."""
        with Reader(self.path) as reader:
            return [(due.number, due.attempts) for due in reader.due(route)]

    def counters(self) -> dict[str, int]:
        with Reader(self.path) as reader:
            return reader.counters()

    def close(self) -> None:
        self._pool.shutdown()
        self.store.close()


def a_notice(
    title: str, at: int = NIGHT + 12 * 3_600_000, *, alert: AlertName = "ferment-stalled", number: int = 1,
    reason: str = "first", body: str = "Because.", seen: int | None = None,
) -> Notice:  # fmt: skip
    """A notice as the engine makes them."""
    return Notice(at, f"a{number}", alert, "batch:amber-1", PRIORITIES.get(alert, "low"), reason, title, body, seen)  # type: ignore[arg-type]
