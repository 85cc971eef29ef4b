from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from monitor.jobs import Jobs
from monitor.model.clock import HOUR, Clock, ManualClock
from monitor.model.config import Settings
from tests.alerts.desk import NIGHT, Desk


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
def jobs_for(desk: Desk, clock: ManualClock) -> Iterator[Callable[..., Jobs]]:
    """Starts the calendar over the desk's store; `plan` is the configuration's [jobs]."""
    started: list[Jobs] = []

    def start(plan: dict[str, Any] | None = None, *, by: Clock | None = None, **given: Any) -> Jobs:
        settings = Settings.model_validate({"site": {"timezone": "Europe/Lisbon"}, "jobs": plan or {}})
        given = {"routes": ["phone"], "closed": list, "healthy": lambda: True} | given
        jobs = Jobs(settings, desk.path, desk.do, by or clock, **given)
        jobs.start()
        started.append(jobs)
        return jobs

    yield start
    for jobs in started:
        jobs.stop()
