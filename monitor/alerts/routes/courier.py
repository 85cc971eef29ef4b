"""The courier: a worker for each route, so that a slow or broken route never holds up another."""

from __future__ import annotations

import functools
import logging
import sqlite3
from collections.abc import Sequence
from pathlib import Path
from zoneinfo import ZoneInfo

from monitor.alerts.routes.base import Route
from monitor.alerts.routes.quiet import QuietHours
from monitor.alerts.routes.text import Writing
from monitor.alerts.routes.worker import Do, RouteStatus, Worker
from monitor.model.clock import Clock
from monitor.model.errors import StoreError
from monitor.model.events import Notice
from monitor.store.reader import Reader
from monitor.store.store import Store

STOP_SECONDS = 5.0

_log = logging.getLogger(__name__)


class Courier:
    """Delivers what the store says is due.

    `path` is the store, read through a connection of each worker; `do` hands a chore to the one writer and must
    outlive the courier: stop the courier first. `quiet` is the configuration's pair of local times.
    """

    def __init__(
        self, routes: Sequence[Route], path: Path, do: Do, clock: Clock, zone: ZoneInfo, *,
        quiet: tuple[str, str] | None = None, public_url: str | None = None,
    ) -> None:  # fmt: skip
        hours = None if quiet is None else QuietHours(quiet[0], quiet[1], zone)
        writing = Writing(zone, public_url)
        reader = functools.partial(Reader, path)
        self._reader, self._do, self._clock = reader, do, clock
        self._workers = [Worker(route, reader, do, clock, writing, hours) for route in routes]
        clock.on_advance(self.wake)

    @property
    def names(self) -> list[str]:
        """The routes as the store knows them: what `Store.add_outcome` is given."""
        return [worker.route.name for worker in self._workers]

    def start(self) -> None:
        """Begin; what waits from before goes out at once, whatever its back-off was."""
        try:
            self._let_go_of_gone_routes()
        except (StoreError, sqlite3.Error) as error:
            _log.warning("what waits for routes that are gone was not looked at: %s", error)
        for worker in self._workers:
            worker.start()

    def _let_go_of_gone_routes(self) -> None:
        """What waits for a route that is no longer configured would wait for ever: it is counted and let go."""
        with self._reader() as reader:
            gone = {route: reader.due(route, 1_000_000) for route in reader.waiting() if route not in self.names}
        if not gone:
            return
        now = self._clock.wall_ms()

        def chore(store: Store) -> None:
            for route, left in gone.items():
                for each in left:
                    store.delivered(each.number, route, now)
                store.count(f"gave-up:{route}", len(left))

        self._do(chore)
        _log.warning("let go of what waited for routes that are no longer configured: %s", ", ".join(sorted(gone)))

    def wake(self) -> None:
        """Something was committed that people are to be told. From any thread."""
        for worker in self._workers:
            worker.wake()

    def urgent(self, notice: Notice) -> None:
        """Send a notice that could not be stored, such as that the disk is full; best effort. From any thread."""
        for worker in self._workers:
            worker.urgent(notice)

    def status(self) -> list[RouteStatus]:
        """How each route is."""
        return [worker.status() for worker in self._workers]

    def stop(self, seconds: float = STOP_SECONDS) -> bool:
        """Stop all; False when a send still hangs after so many seconds. Its letter goes out again at next start."""
        for worker in self._workers:
            worker.stop()
        ended = [worker.join(seconds if index == 0 else 0.5) for index, worker in enumerate(self._workers)]
        return all(ended)
