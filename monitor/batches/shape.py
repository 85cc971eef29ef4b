"""The shape of one batch's gravity curve: smoothed, read off, and redrawn with other noise of its own kind.

How it is smoothed and where its errors come from stands in `siblings.py`.
"""

from __future__ import annotations

import math
import random
import statistics
from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final, Literal

CurveName = Literal["lag", "top rate", "half", "nine tenths"]
UNDONE: Final = "it is still at work"

LAG_FALL: Final = 0.003
"""SG: fallen by so much, a batch has started: three times what a hydrometer shows of noise."""

SMOOTH_H: Final = 12.0
RATE_H: Final = 24.0
START_H: Final = 6.0
"""Where a curve starts is the mean of its first hours."""

REST_LEAST: Final = 36
"""Readings after 97 % of the fall, from which on the noise is taken from them."""

MOST_MEMORY: Final = 0.97
LEAST_POINTS: Final = 12
LATE_H: Final = 24.0
"""A curve that begins later than this after pitch does not show the start of the fall."""


@dataclass(frozen=True, slots=True)
class Measured:
    """A value and its standard error."""

    value: float
    error: float


@dataclass(frozen=True, slots=True)
class Point:
    """Gravity (SG 20/20) at a time since pitch (h), with the standard error that a reading by itself has."""

    hours: float
    gravity: float
    error: float


class Shape:
    """A gravity curve that can be smoothed again and again with other noise on it."""

    def __init__(self, points: Sequence[Point], *, done: bool, fed: bool) -> None:
        self.hours = [point.hours for point in points]
        self.values = [point.gravity for point in points]
        self.done, self.fed = done, fed
        self.late = self.hours[0] > LATE_H
        self._errors = [point.error for point in points]
        self._step = _typical(self.hours)
        self._dense = len(points) >= LEAST_POINTS and self._step <= SMOOTH_H / 3.0
        self._near, self._day = self._windows(SMOOTH_H), self._windows(RATE_H)
        self._early = max(1, bisect_right(self.hours, self.hours[0] + START_H)) if self._dense else 1
        self.smooth = self._smoothed(self.values)
        self._noise, self._memory = self._scatter() if self._dense else (0.0, 0.0)

    def _windows(self, width: float) -> list[tuple[int, int]]:
        half = width / 2.0
        return [(bisect_left(self.hours, at - half), bisect_right(self.hours, at + half)) for at in self.hours]

    def _scatter(self) -> tuple[float, float]:
        """Standard deviation of a reading's noise and what is left of it from one reading to the next."""
        left = [value - smooth for value, smooth in zip(self.values, self.smooth, strict=True)]
        first = self._rest_from()
        if len(left) - first < REST_LEAST:
            return _autoregression(left, round(SMOOTH_H / self._step) + 1)
        noise, memory = _autoregression(_detrended(self.values[first:]), len(left) - first)
        return noise * max(1.0, _rms(left) / max(_rms(left[first:]), 1e-9)), memory

    def _rest_from(self) -> int:
        """The first reading after its fall; none of them while it falls."""
        if not self.done:
            return len(self.values)
        start, end = statistics.fmean(self.values[: self._early]), self._end(self.values)
        limit = end + max(0.03 * (start - end), 0.0)
        return next((index for index in range(len(self.smooth), 0, -1) if self.smooth[index - 1] > limit), 0)

    def again(self, chance: random.Random) -> list[float]:
        """The smooth curve with other noise on it; few readings are moved by their own errors."""
        if not self._dense:
            return [value + chance.gauss(0.0, error) for value, error in zip(self.values, self._errors, strict=True)]
        told, noise, before = [], chance.gauss(0.0, self._noise), self.hours[0]
        for at, value in zip(self.hours, self.smooth, strict=True):
            kept = self._memory ** ((at - before) / self._step) if at > before else 1.0
            noise = kept * noise + chance.gauss(0.0, self._noise * math.sqrt(1.0 - kept * kept))
            told.append(value + noise)
            before = at
        return told

    def _smoothed(self, values: Sequence[float]) -> list[float]:
        """At each reading the straight line through those round it; few readings stay as they are."""
        return [at for at, _ in self._lines(values, self._near)] if self._dense else list(values)

    def _lines(self, values: Sequence[float], windows: Sequence[tuple[int, int]]) -> list[tuple[float, float]]:
        """Value and slope (SG an hour) at each reading of the straight line through its window, by running sums."""
        xs, ys, xx, xy = [0.0], [0.0], [0.0], [0.0]
        base = values[0]  # keeps the sums small
        for at, value in zip(self.hours, values, strict=True):
            xs.append(xs[-1] + at)
            ys.append(ys[-1] + value - base)
            xx.append(xx[-1] + at * at)
            xy.append(xy[-1] + at * (value - base))
        told = []
        for at, (low, high) in zip(self.hours, windows, strict=True):
            n = high - low
            mean_x, mean_y = (xs[high] - xs[low]) / n, (ys[high] - ys[low]) / n
            width = xx[high] - xx[low] - n * mean_x * mean_x
            slope = (xy[high] - xy[low] - n * mean_x * mean_y) / width if width > 1e-9 else 0.0
            told.append((base + mean_y + slope * (at - mean_x), slope))
        return told

    def read(self, values: Sequence[float]) -> dict[CurveName, float | None]:
        """What one curve of this kind tells."""
        told: dict[CurveName, float | None] = {"lag": None, "top rate": None, "half": None, "nine tenths": None}
        smooth = self._smoothed(values)
        lines = self._lines(values, self._day) if self._dense else []
        start = statistics.fmean(values[: self._early])
        told["lag"] = None if self.late else self._crossing(smooth, start - LAG_FALL)
        whole = [slope for at, (_, slope) in zip(self.hours, lines, strict=False)
                 if self.hours[0] + RATE_H / 2.0 <= at <= self.hours[-1] - RATE_H / 2.0]  # fmt: skip
        told["top rate"] = -24.0 * min(whole) if whole else None
        if self.done and not self.fed and not self.late:
            end = self._end(values)
            if start - end > 2.0 * LAG_FALL:
                told["half"] = self._crossing(smooth, start - 0.5 * (start - end))
                told["nine tenths"] = self._crossing(smooth, start - 0.9 * (start - end))
        return told

    def _end(self, values: Sequence[float]) -> float:
        """Where it came to rest: the mean of its last day."""
        late = bisect_left(self.hours, self.hours[-1] - RATE_H) if self._dense else len(values) - 1
        return statistics.fmean(values[late:])

    def level(self) -> Measured:
        """That level with its error, the one that all readings of the probe share included."""
        late = bisect_left(self.hours, self.hours[-1] - RATE_H) if self._dense else len(self.values) - 1
        return Measured(self._end(self.values), max(self._errors[late:]))

    def _crossing(self, smooth: Sequence[float], level: float) -> float | None:
        """When it fell below a level for good: the last time that it came from above."""
        for index in range(len(smooth) - 1, 0, -1):
            above, below = smooth[index - 1], smooth[index]
            if above > level >= below:
                share = (above - level) / (above - below)
                return self.hours[index - 1] + share * (self.hours[index] - self.hours[index - 1])
        return None

    def apart(self, at: float) -> float:
        """Hours between the two readings round a time."""
        index = min(max(bisect_left(self.hours, at), 1), len(self.hours) - 1)
        return self.hours[index] - self.hours[index - 1]

    def why(self, name: CurveName) -> str:
        """Why a curve does not tell something."""
        if name == "top rate":
            return "too few readings for a rate over a day"
        if self.late or (name == "lag" and self.done):
            return "its start was not read"
        if name == "lag":
            return "it has not fallen by 0.003 yet"
        if self.fed:
            return "it was fed on the way, so that its fall has no one beginning"
        return UNDONE if not self.done else "too little of its fall was read"


def _typical(hours: Sequence[float]) -> float:
    steps = [later - at for at, later in pairwise(hours)]
    return statistics.median(steps) if steps else math.inf


def _rms(values: Sequence[float]) -> float:
    return math.sqrt(math.fsum(value * value for value in values) / len(values))


def _detrended(values: Sequence[float]) -> list[float]:
    slope, base = statistics.linear_regression(range(len(values)), values)
    return [value - base - slope * index for index, value in enumerate(values)]


def _autoregression(left: Sequence[float], size: int) -> tuple[float, float]:
    """Standard deviation and lag-one memory of the noise whose residuals from lines through `size` readings these are.

    Lines take some of both along. Memory: Kendall's correction for a fitted line, (2 + 4 m) / size (Biometrika 41:403,
    1954, from memory); variance: two parameters, each worth (1 + m) / (1 - m) readings.
    """
    whole = math.fsum(each * each for each in left)
    if whole <= 0.0:
        return 0.0, 0.0
    seen = math.fsum(each * after for each, after in pairwise(left)) / whole
    memory = min(max(0.0, (seen + 2.0 / size) / (1.0 - min(0.9, 4.0 / size))), MOST_MEMORY)
    kept = max(0.2, 1.0 - 2.0 * (1.0 + memory) / ((1.0 - memory) * size))
    return math.sqrt(whole / len(left) / kept), memory
