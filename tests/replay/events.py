"""Hand-made events: what a run might have told."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from monitor.model.clock import HOUR
from monitor.model.config import RuleSettings
from monitor.model.events import AlertEvent, AlertName, Change, VerdictEvent, VerdictName
from monitor.replay.compare import Run
from monitor.replay.replay import Replayed
from monitor.replay.told import Told

BEGUN = 1_772_560_800_000  # 2026-03-03T18:00:00Z
SETTINGS = {
    "vessel": [{"name": "bucket", "probes": ["float-a"]}],
    "batch": [{"name": "amber", "vessel": "bucket", "pitched": "2026-03-03T18:00:00Z", "expected_final": 1.008}],
}


def at(hours: float) -> int:
    """UTC ms, so many hours after the beginning."""
    return BEGUN + round(hours * HOUR)


def verdict(
    hours: float, name: VerdictName, gravity: float | None = None, batch: str = "amber", give: float = 0.0005
) -> VerdictEvent:
    """A verdict of a batch; its gravity known to within `give` at 90 %."""
    around = None if gravity is None else (gravity - give, gravity + give)
    return VerdictEvent(
        at(hours), batch, name, 0.9, ("because",), used=("float-a",), gravity=gravity, gravity_range=around
    )


def alert(
    hours: float, name: AlertName, change: Change = "raised", about: str = "batch:amber", number: str | None = None
) -> AlertEvent:
    return AlertEvent(at(hours), number or f"{name}/{about}", name, change, about, "message")


def told(*events: VerdictEvent | AlertEvent) -> Told:
    """A run's telling of these, in order of time."""
    found = Told()
    for event in sorted(events, key=lambda each: each.time_ms):
        found.take(event)
    return found


def run(
    *events: VerdictEvent | AlertEvent, breaks: Iterable[tuple[str, int]] = (), settings: dict[str, Any] | None = None
) -> Run:
    """A whole run, under the settings above unless others are given."""
    return Run(told(*events), Replayed(breaks=list(breaks)), RuleSettings.model_validate(settings or SETTINGS))
