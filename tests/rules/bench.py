"""A batch on the bench: hourly gravity and temperature of any shape, judged hour by hour, no engine round it."""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from typing import Any

from monitor.model.clock import HOUR
from monitor.model.events import VerdictEvent
from monitor.rules.batch import BatchState, HandPoint
from monitor.rules.evidence import Evidence
from monitor.rules.ferment import judge
from monitor.rules.track import PointSource

PITCHED = 1_772_474_400_000  # 2026-03-02T18:00:00Z
Shape = Callable[[float], float | None]


def a_batch(**told: Any) -> BatchState:
    """A batch pitched at `PITCHED`, with what is told of it."""
    told.setdefault("start_within_ms", 36 * HOUR)
    return BatchState("amber-1", "bucket-a", PITCHED, **told)


def ferment(original: float, final: float, *, lag: float = 12.0, middle: float = 48.0, steep: float = 0.09) -> Shape:
    """A logistic fall by the hour after pitching."""

    def gravity(hours: float) -> float:
        return final + (original - final) / (1.0 + math.exp(steep * (hours - lag - middle)))

    return gravity


def stops(shape: Shape, at_h: float) -> Shape:
    """The same, standing still from an hour on."""
    return lambda hours: shape(min(hours, at_h))


class Bench:
    """Noise of `sd` on each hour, from a seed; `trouble` says why the probe cannot be believed at an hour."""

    def __init__(
        self,
        batch: BatchState,
        gravity: Shape | None,
        liquid: Shape | None = lambda _: 20.0,
        *,
        sd: float = 0.0002,
        seed: int = 1,
        trouble: Callable[[float], str | None] = lambda _: None,
    ) -> None:
        self.batch, self._trouble = batch, trouble
        self._chance = random.Random(seed)
        self._gravity = self._source(gravity, sd)
        self._liquid = self._source(liquid, 0.03)
        self._events: list[tuple[float, VerdictEvent]] = []

    def _source(self, shape: Shape | None, sd: float) -> PointSource | None:
        if shape is None:
            return None
        first, points = PITCHED // HOUR, []
        for hour in range(24 * 40):
            value = shape(hour + 0.5)
            noise = self._chance.gauss(0.0, sd)
            if value is not None:
                points.append((first + hour + 0.5, value + noise))

        def between(from_ms: int, to_ms: int) -> list[tuple[float, float]]:
            start, end = -(-from_ms // HOUR), to_ms // HOUR
            return [point for point in points if start < point[0] < end]

        return between

    def evidence(self, hours: float) -> Evidence:
        """What there is to judge by at an hour."""
        now = PITCHED + round(hours * HOUR)
        return Evidence(self._gravity, "float-a", 0.0005, self._trouble(hours), self._liquid, now)

    def settled(self, hours: float) -> VerdictEvent:
        """The verdict at an hour that was asked for in the hours before as well: a standstill must hold for two."""
        for earlier in (3, 2, 1):
            self.judge(hours - earlier)
        return self.judge(hours)

    def judge(self, hours: float) -> VerdictEvent:
        """The verdict at an hour, as the engine would ask for it."""
        event = judge(self.batch, self.evidence(hours), PITCHED + round(hours * HOUR))
        self.batch.verdict, self.batch.hint = event.verdict, event.hint
        self.batch.last_gravity = event.gravity if event.gravity is not None else self.batch.last_gravity
        self._events.append((hours, event))
        return event

    def run(self, to_h: int, from_h: int = 1, every: int = 1) -> list[tuple[float, VerdictEvent]]:
        """Judge hour by hour."""
        for hours in range(from_h, to_h + 1, every):
            self.judge(hours)
        return self._events

    def changes(self) -> list[str]:
        """The verdicts so far, each time it changed."""
        names = [event.verdict for _, event in self._events]
        return [name for i, name in enumerate(names) if i == 0 or names[i - 1] != name]

    def first(self, verdict: str) -> float | None:
        """When a verdict was first given."""
        return next((hours for hours, event in self._events if event.verdict == verdict), None)


def by_hand(batch: BatchState, *points: tuple[float, float], error: float = 0.001) -> BatchState:
    """The batch with hand readings: (hours after pitching, gravity)."""
    batch.hand = [HandPoint(PITCHED + round(hours * HOUR), gravity, error) for hours, gravity in points]
    return batch
