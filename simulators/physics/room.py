"""A room: day and night, and a slow wander of its own."""

from __future__ import annotations

import math
from random import Random


class RoomAir:
    """Air temperature by hour: mean, a day's swing and a first-order random wander (12 h memory)."""

    def __init__(
        self, *, mean_c: float, swing_k: float, warmest_hour: float, wander_k: float, days: float, seed: str
    ) -> None:
        self._mean = mean_c
        self._swing = swing_k
        self._warmest = warmest_hour
        chance = Random(seed)
        keep = math.exp(-1 / 12)
        value, self._wander = 0.0, [0.0]
        for _ in range(int(days * 24) + 2):
            value = keep * value + wander_k * math.sqrt(1 - keep * keep) * chance.gauss()
            self._wander.append(value)

    def at(self, hours: float, clock_hour: float) -> float:
        """°C at `hours` from the start, when local clocks show `clock_hour`."""
        place = min(max(hours, 0.0), len(self._wander) - 1.001)
        low = int(place)
        wander = self._wander[low] + (self._wander[low + 1] - self._wander[low]) * (place - low)
        swing = self._swing * math.cos(2 * math.pi * (clock_hour - self._warmest) / 24)
        return self._mean + swing + wander
