"""The noise floor of a series, learned in a handful of numbers.

Second differences cancel the slow course of a ferment. Their median is followed by small steps up and down, once
quickly and once slowly: bubbles are few and move a median little. All in O(1) a reading.
"""

from __future__ import annotations

from dataclasses import dataclass

from monitor.model.clock import HOUR

LEARNED = 150  # readings until its usual noise is known
NOISY = 2.5  # of the tracked medians: white noise of three times the usual is told, one of twice is not
ALMOST = 2.2  # below it before the hold is over, it was chance
CALM = 1.7
HOLD = 3 * HOUR
QUICK, SLOW = 0.04, 0.006
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
            if self.n > LEARNED:
                self._compare(measured_ms)
        self.before, self.last = self.last, value
        self.n += 1

    def _follow(self, found: float, least: float) -> None:
        recent, usual = self.recent, self.usual
        if recent <= 0.0:
            self.recent = self.usual = found
            return
        quick = 1.0 + (QUICK if self.n > 40 else 0.25)
        recent = recent * quick if found > recent else recent / quick
        self.recent = recent = max(least, recent)
        if self.n <= LEARNED or recent < CALM * usual:
            slow = 1.0 + (SLOW if self.n > LEARNED else max(SLOW, 3.0 / self.n))
            usual = usual * slow if found > usual else usual / slow
            self.usual = max(least, usual)

    def _compare(self, measured_ms: int) -> None:
        recent, usual = self.recent, self.usual
        if usual <= 0.0 or 0.6 * usual < recent < CALM * usual:
            self.noisy_ms = self.changed_ms = None
            return
        if self.changed_ms is None:
            self.changed_ms = measured_ms
        if recent >= NOISY * usual:
            self.noisy_ms = self.noisy_ms or measured_ms
        elif recent < (CALM if self.noisy(measured_ms) else ALMOST) * usual:
            self.noisy_ms = None

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
