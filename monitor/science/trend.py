"""Is it still falling? Robust slopes with confidence, in the standard library and fast.

A slope is judged by *equivalence*: it is flat only when the whole confidence interval lies inside ±delta
(two one-sided tests; Dixon & Pechmann 2005, Ecology 86:1751). "No significant slope" proves nothing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations, groupby, pairwise
from statistics import NormalDist
from typing import TYPE_CHECKING, Final

from monitor.science._checks import within

if TYPE_CHECKING:
    from collections.abc import Sequence

MAD_TO_SD: Final = 1.4826
"""Median absolute deviation to standard deviation, for normal noise."""

EXACT_UP_TO: Final = 10
"""Up to this many points the exact distribution of Kendall's S is used, beyond it the normal one."""

RHO_MOST: Final = 0.95
"""Autocorrelations are taken as at most this: beyond it no window of ours tells anything."""


@dataclass(frozen=True, slots=True)
class Trend:
    """A Theil–Sen slope and its confidence interval, in value per unit of x."""

    slope: float
    low: float
    high: float
    """Each bound holds with the one-sided confidence asked for; infinite when the points cannot tell."""
    intercept: float
    """Median of y less slope times x."""
    points: int
    inflation: float
    """By how much the interval was widened for autocorrelation."""

    def at(self, x: float) -> float:
        """Value of the line at x."""
        return self.intercept + self.slope * x

    def flat(self, delta: float) -> bool:
        """Whether the slope lies inside ±delta with the stated confidence on each side."""
        return -delta < self.low and self.high < delta

    def falling(self, delta: float = 0.0) -> bool:
        """Whether the slope lies below -delta with the stated confidence."""
        return self.high < -delta

    def rising(self, delta: float = 0.0) -> bool:
        """Whether the slope lies above delta with the stated confidence."""
        return self.low > delta


@dataclass(frozen=True, slots=True)
class Curvature:
    """Second-order coefficient of a least-squares parabola, in value per unit of x squared."""

    value: float
    error: float

    def bends(self, z: float = 2.0) -> bool:
        """Whether the coefficient differs from zero by more than z standard errors."""
        return abs(self.value) > z * self.error


def median(values: Sequence[float]) -> float:
    """Middle value, or the mean of the two middle ones; ValueError when there are none."""
    return _median_of_sorted(sorted(values))


def _median_of_sorted(ordered: Sequence[float]) -> float:
    count = len(ordered)
    if not count:
        raise ValueError("a median needs at least one value")
    half = count // 2
    return ordered[half] if count % 2 else 0.5 * (ordered[half - 1] + ordered[half])


def robust_sd(values: Sequence[float], floor: float) -> float:
    """Standard deviation from the median absolute deviation, never below `floor` (unit of the values).

    The floor matters: quantised readings often have a deviation of zero. ValueError when there are no
    values or the floor is negative. Source: 1.4826 is 1 / (0.75 quantile of the standard normal).
    """
    within("floor", floor, 0.0, math.inf)
    middle = median(values)
    return max(MAD_TO_SD * median([abs(value - middle) for value in values]), floor)


def lag1(xs: Sequence[float], residuals: Sequence[float]) -> float:
    """Lag-1 autocorrelation of residuals about a line, 0 to `RHO_MOST`; 0 when it cannot be told.

    Steps longer than one and a half times the median step are gaps and are left out. Negative values are
    taken as 0: they would narrow an interval. Fitting the line pulls the plain estimate down by about
    (2 + 4 rho) / n, which is put back (expansion after Kendall 1954, Biometrika 41:403, from memory).
    xs rise; ValueError when lengths differ.
    """
    if len(xs) != len(residuals):
        raise ValueError("xs and residuals must have the same length")
    count = len(xs)
    power = sum(r * r for r in residuals)
    if count < 6 or power <= 0.0:
        return 0.0
    steps = [b - a for a, b in pairwise(xs)]
    longest = 1.5 * median(steps)
    pairs = [a * b for (a, b), step in zip(pairwise(residuals), steps, strict=True) if step <= longest]
    if not pairs:
        return 0.0
    plain = (sum(pairs) / len(pairs)) / (power / count)
    corrected = (plain * count + 2.0) / (count - 4.0)
    return min(max(corrected, 0.0), RHO_MOST)


def inflation(rho: float) -> float:
    """Factor by which lag-1 autocorrelation widens the error of a mean or slope: sqrt((1+rho)/(1-rho)).

    rho 0–0.99; ValueError outside. Source: variance of the mean of an AR(1) series, large n (textbook).
    """
    within("autocorrelation", rho, 0.0, 0.99)
    return math.sqrt((1.0 + rho) / (1.0 - rho))


@lru_cache(maxsize=64)
def _z(confidence: float) -> float:
    return NormalDist().inv_cdf(confidence)


@lru_cache(maxsize=256)
def _exact_width(points: int, confidence: float) -> float:
    """N - 2k, where the k outermost of N slopes on a side may go; inf when not even one may.

    Counts of permutations by inversions (Kendall 1938, Biometrika 30:81).
    """
    counts = [1]
    for size in range(2, points + 1):
        longer = [0] * (len(counts) + size - 1)
        for i, count in enumerate(counts):
            for j in range(size):
                longer[i + j] += count
        counts = longer
    allowed = (1.0 - confidence) * math.factorial(points) * (1.0 + 1e-9)
    total, k = 0, 0
    while total + counts[k] <= allowed:
        total += counts[k]
        k += 1
    pairs = points * (points - 1) // 2
    return math.inf if k == 0 else float(pairs - 2 * k)


def _normal_width(ys: Sequence[float], confidence: float) -> float:
    """Standard deviation of Kendall's S, corrected for tied values, times z."""
    n = len(ys)
    variance = n * (n - 1) * (2 * n + 5)
    if len(set(ys)) < n:
        for _, group in groupby(sorted(ys)):
            k = sum(1 for _ in group)
            variance -= k * (k - 1) * (2 * k + 5)
    return _z(confidence) * math.sqrt(max(variance, 0) / 18.0)


def theil_sen(
    xs: Sequence[float],
    ys: Sequence[float],
    confidence: float = 0.90,
    *,
    inflate: float | None = None,
    quantum: float = 0.0,
) -> Trend:
    """Median of all pairwise slopes, and the slopes that bound it with one-sided `confidence` each.

    xs strictly rising, two points or more (three to bound anything), confidence 0.5–0.9999 one-sided
    (0.90 on both sides is an 80 % interval). `inflate` widens the interval for autocorrelation; None takes
    it from the residuals by `lag1`. `quantum` is the step of the readings: it widens each bound by
    quantum / span, since a slope that small can hide inside one step. ValueError when a condition fails.
    Cost grows with the square of the points: 72 take about half a millisecond.
    Source: Theil 1950; Sen 1968, J. Am. Stat. Assoc. 63:1379 (interval by ranks, ties corrected).
    """
    n = len(xs)
    if n != len(ys) or n < 2:
        raise ValueError("xs and ys must have the same length, two or more")
    within("confidence", confidence, 0.5, 0.9999)
    within("step of the readings", quantum, 0.0, math.inf)
    if any(b <= a for a, b in pairwise(xs)):
        raise ValueError("xs must rise strictly")
    slopes = [(y2 - y1) / (x2 - x1) for (x1, y1), (x2, y2) in combinations(list(zip(xs, ys, strict=True)), 2)]
    slopes.sort()
    slope = _median_of_sorted(slopes)
    residuals = [y - slope * x for x, y in zip(xs, ys, strict=True)]
    intercept = median(residuals)
    if inflate is None:
        inflate = inflation(lag1(xs, [r - intercept for r in residuals]))
    width = _exact_width(n, confidence) if n <= EXACT_UP_TO else _normal_width(ys, confidence)
    low, high = _bounds(slopes, width * within("inflation", inflate, 1.0, 1e3))
    hidden = quantum / (xs[-1] - xs[0])
    return Trend(slope, low - hidden, high + hidden, intercept, n, inflate)


def _bounds(slopes: Sequence[float], width: float) -> tuple[float, float]:
    count = len(slopes)
    if not width <= count:
        return -math.inf, math.inf
    lowest, highest = round((count - width) / 2.0) - 1, round((count + width) / 2.0)
    return (
        slopes[lowest] if lowest >= 0 else -math.inf,
        slopes[highest] if highest < count else math.inf,
    )


def curvature(xs: Sequence[float], ys: Sequence[float], *, inflate: float = 1.0) -> Curvature:
    """Least-squares parabola's second-order coefficient with its standard error.

    Four points or more at three or more different xs; `inflate` widens the error for autocorrelation.
    Not robust: feed it medians, not raw readings. ValueError when a condition fails.
    Source: regression on orthogonal polynomials (textbook).
    """
    n = len(xs)
    if n != len(ys) or n < 4:
        raise ValueError("xs and ys must have the same length, four or more")
    within("inflation", inflate, 1.0, 1e3)
    centre, level = sum(xs) / n, sum(ys) / n
    u = [x - centre for x in xs]
    u2 = sum(v * v for v in u)
    if u2 <= 0.0:
        raise ValueError("xs must differ at three points or more")
    tilt = sum(v**3 for v in u) / u2
    bow = [v * v - tilt * v - u2 / n for v in u]
    power = sum(b * b for b in bow)
    if power <= 1e-12 * u2 * u2 / n:
        raise ValueError("xs must differ at three points or more")
    slope = sum(v * y for v, y in zip(u, ys, strict=True)) / u2
    value = sum(b * (y - level) for b, y in zip(bow, ys, strict=True)) / power
    squares = sum((y - level - slope * v - value * b) ** 2 for v, b, y in zip(u, bow, ys, strict=True))
    return Curvature(value, inflate * math.sqrt(squares / (n - 3) / power))
