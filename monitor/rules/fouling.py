"""A gravity probe fouled by krausen: it reads higher than it did, and trembles unlike itself.

A wash that ferments never gets heavier by itself. A rise alone may be sugar, a change of noise alone a livelier
ferment; both together, while nothing was added, are foam or yeast on the probe (common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass

from monitor.model.clock import HOUR
from monitor.rules.noise import Noise

SMOOTH = 2 * HOUR
FORGET = 72 * HOUR
RISE = {"gravity": 0.002, "extract": 0.5, "float_angle": 1.0}  # a degree is about two points of a usual float


@dataclass(slots=True)
class Course:
    """The smoothed value, and the lowest it has been, slowly forgotten."""

    level: float | None = None
    lowest: float = 0.0
    fouled_ms: int | None = None

    def take(self, gap_ms: int, value: float) -> None:
        """Follow a reading that came `gap_ms` after the one before."""
        if self.level is None or gap_ms <= 0:
            self.level = self.lowest = value
            return
        self.level += min(1.0, gap_ms / SMOOTH) * (value - self.level)
        if self.level <= self.lowest:
            self.lowest = self.level
        else:
            self.lowest += min(1.0, gap_ms / FORGET) * (self.level - self.lowest)

    def start_anew(self) -> None:
        """It rose for a known reason."""
        self.level, self.fouled_ms = None, None

    def judge(self, quantity: str, noise: Noise, measured_ms: int) -> bool:
        """Whether it looks fouled from now on; one that is stays so until both signs have gone."""
        rise = 0.0 if self.level is None else self.level - self.lowest
        if self.fouled_ms is None:
            if noise.changed(measured_ms) and rise >= RISE[quantity]:
                self.fouled_ms = measured_ms
                return True
        elif noise.changed_ms is None and rise < RISE[quantity] / 2:
            self.fouled_ms = None
        return False
