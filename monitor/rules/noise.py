"""The noise floor of a series, learned in a handful of numbers.

Second differences cancel the slow course of a ferment. Their median is followed by small steps up and down, once
quickly and once slowly: bubbles are few and move a median little. All in O(1) a reading.
"""

from __future__ import annotations

from dataclasses import dataclass

from monitor.model.clock import HOUR

LEARNED = 150  # readings until its usual noise is known
NOISY = 2.5  # of the tracked medians: white noise of three times the usual is told, one of twice is not
CALM = 1.7
HOLD = 3 * HOUR
QUICK, SLOW = 0.06, 0.006
PER_SD = 1.652  # median of |x0 - 2 x1 + x2| of white noise, in its standard deviations: 0.6745 times root 6


@dataclass(slots=True)
class Noise:
    """Medians of the second difference: `usual` over days, `recent` over some fifty readings."""

    n: int = 0
    last: float = 0.0
    before: float = 0.0
    usual: float = 0.0
    recent: float = 0.0
    noisy_ms: int | None = None  # since when it is much noisier than usual
    changed_ms: int | None = None  # since when it is half or twice as noisy

    def take(self, measured_ms: int, value: float, least: float) -> None:
        """Learn from a reading; `least` is the smallest step it was seen to make (0: none yet)."""
        if self.n >= 2:
            self._follow(abs(value - 2.0 * self.last + self.before), least)
        self.before, self.last = self.last, value
        self.n += 1
        if self.n > LEARNED:
            self._compare(measured_ms)

    def _follow(self, found: float, least: float) -> None:
        if self.recent <= 0.0:
            self.recent = self.usual = found
            return
        quick = QUICK if self.n > 40 else 0.25
        self.recent = max(self.recent * (1.0 + quick if found > self.recent else 1.0 / (1.0 + quick)), least)
        learning = self.n <= LEARNED or self.recent < CALM * self.usual
        slow = max(SLOW, 3.0 / self.n) if learning else 0.0
        self.usual = max(self.usual * (1.0 + slow if found > self.usual else 1.0 / (1.0 + slow)), least)

    def _compare(self, measured_ms: int) -> None:
        ratio = self.times()
        if ratio < NOISY:
            self.noisy_ms = None if ratio < CALM else self.noisy_ms
        elif self.noisy_ms is None:
            self.noisy_ms = measured_ms
        if 0.6 < ratio < CALM:
            self.changed_ms = None
        elif self.changed_ms is None:
            self.changed_ms = measured_ms

    def noisy(self, measured_ms: int) -> bool:
        """Whether it has been three times as noisy as it used to be for three hours."""
        return self.noisy_ms is not None and measured_ms - self.noisy_ms >= HOLD

    def times(self) -> float:
        """How many times as noisy as usual it is now."""
        return self.recent / self.usual if self.usual > 0.0 else 1.0

    def changed(self, measured_ms: int) -> bool:
        """Whether it has trembled unlike itself for an hour, more or less than it used to."""
        return self.changed_ms is not None and measured_ms - self.changed_ms >= HOUR

    def sd(self) -> float:
        """Standard deviation of its usual white noise; 0 until learned."""
        return self.usual / PER_SD if self.n > LEARNED else 0.0
