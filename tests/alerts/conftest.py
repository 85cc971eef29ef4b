from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from monitor.alerts.routes import Courier, Route
from monitor.model.clock import HOUR, ManualClock
from tests.alerts.desk import NIGHT, Desk

LISBON = ZoneInfo("Europe/Lisbon")


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    desk = Desk(tmp_path / "store.db")
    yield desk
    desk.close()


@pytest.fixture
def clock() -> ManualClock:
    """Monday noon in Lisbon."""
    return ManualClock(NIGHT + 12 * HOUR, mono_ms=1_000_000)


@pytest.fixture
def courier_for(desk: Desk, clock: ManualClock) -> Iterator[Callable[..., Courier]]:
    """Starts a courier over the desk's store; all are stopped before the writer."""
    started: list[Courier] = []

    def start(*routes: Route, quiet: tuple[str, str] | None = None, public_url: str | None = None) -> Courier:
        courier = Courier(routes, desk.path, desk.do, clock, LISBON, quiet=quiet, public_url=public_url)
        courier.start()
        started.append(courier)
        return courier

    yield start
    for courier in started:
        courier.stop(1.0)


def until(truth: Callable[[], object], seconds: float = 8.0) -> bool:
    """Wait in real time for something to become so; False when it does not."""
    for _ in range(int(seconds / 0.01)):
        if truth():
            return True
        time.sleep(0.01)
    return False
