"""How sure a count is: exact limits of Poisson and binomial counts, without a statistics library.

Both come from inverting the distribution itself (Garwood; Clopper & Pearson), so they hold at small counts,
where "plus or minus the square root" fails. They cover at least what they promise, never less.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist
from typing import Final

from monitor.science._checks import solve, within

CONFIDENCE: Final = 90.0
"""Per cent covered by a range unless told otherwise, as everywhere in this program."""

MOST: Final = 100_000
"""Largest count taken: beyond it the work grows and the limits are within 1 % anyway."""

_TINY: Final = 1e-300
_TERMS: Final = 100_000


@dataclass(frozen=True, slots=True)
class Estimate:
    """A usual value with the range that it may have."""

    usual: float
    low: float
    high: float


def poisson(count: int, confidence: float = CONFIDENCE) -> tuple[float, float]:
    """Exact limits of the mean behind a count of things scattered at random.

    count 0–100,000; confidence 50–99.9 %, both tails alike. ValueError outside.
    Source: Garwood 1936, Biometrika 28:437, through the incomplete gamma function.
    """
    within("count", count, 0, MOST)
    tail = _tail(confidence)
    low = 0.0 if count == 0 else _gamma_quantile(count, tail)
    return low, _gamma_quantile(count + 1, 1.0 - tail)


def binomial(hits: int, total: int, confidence: float = CONFIDENCE) -> tuple[float, float]:
    """Exact limits of a share (0–1) from `hits` among `total`.

    total 1–100,000, hits 0 to total; confidence 50–99.9 %, both tails alike. ValueError outside.
    Source: Clopper & Pearson 1934, Biometrika 26:404, through the incomplete beta function.
    """
    within("total", total, 1, MOST)
    within("hits", hits, 0, total)
    tail = _tail(confidence)
    low = 0.0 if hits == 0 else _beta_quantile(hits, total - hits + 1, tail)
    high = 1.0 if hits == total else _beta_quantile(hits + 1, total - hits, 1.0 - tail)
    return low, high


def wilson(hits: int, total: int, confidence: float = CONFIDENCE) -> tuple[float, float]:
    """Limits of a share (0–1) that are right on average: narrower than `binomial`, which is never too narrow.

    Arguments and errors as `binomial`. Source: Wilson 1927, J. Am. Stat. Assoc. 22:209.
    """
    within("total", total, 1, MOST)
    within("hits", hits, 0, total)
    z = NormalDist().inv_cdf(1.0 - _tail(confidence))
    share, spread = hits / total, z * z / total
    middle = (share + spread / 2.0) / (1.0 + spread)
    half = z * math.sqrt(share * (1.0 - share) / total + spread / (4.0 * total)) / (1.0 + spread)
    return max(0.0, middle - half), min(1.0, middle + half)


def _tail(confidence: float) -> float:
    return (1.0 - within("confidence", confidence, 50.0, 99.9, "%") / 100.0) / 2.0


def _gamma_quantile(shape: int, probability: float) -> float:
    reach = 8.0 * math.sqrt(shape) + 20.0
    return solve(lambda x: _gamma(shape, x), probability, max(0.0, shape - reach), shape + reach)


def _gamma(shape: float, x: float) -> float:
    """Regularised lower incomplete gamma function: a series below the mean, a continued fraction above it."""
    if x <= 0.0:
        return 0.0
    front = math.exp(shape * math.log(x) - x - math.lgamma(shape))
    if x < shape + 1.0:
        term = total = 1.0 / shape
        for n in range(1, _TERMS):
            term *= x / (shape + n)
            total += term
            if term < total * 1e-16:
                break
        return front * total
    b = x + 1.0 - shape
    c, d = 1.0 / _TINY, 1.0 / b
    fraction = d
    for n in range(1, _TERMS):
        a = -n * (n - shape)
        b += 2.0
        d = 1.0 / _away(a * d + b)
        c = _away(b + a / c)
        fraction *= d * c
        if abs(d * c - 1.0) < 1e-15:
            break
    return 1.0 - front * fraction


def _beta_quantile(a: float, b: float, probability: float) -> float:
    return solve(lambda x: _beta(a, b, x), probability, 0.0, 1.0)


def _beta(a: float, b: float, x: float) -> float:
    """Regularised incomplete beta function, by the continued fraction on the side where it converges fast."""
    if x <= 0.0 or x >= 1.0:
        return 0.0 if x <= 0.0 else 1.0
    front = math.exp(math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b) + a * math.log(x) + b * math.log1p(-x))
    if x < (a + 1.0) / (a + b + 2.0):
        return front * _beta_fraction(a, b, x) / a
    return 1.0 - front * _beta_fraction(b, a, 1.0 - x) / b


def _beta_fraction(a: float, b: float, x: float) -> float:
    c, d = 1.0, 1.0 / _away(1.0 - (a + b) * x / (a + 1.0))
    fraction = d
    for m in range(1, _TERMS):
        even = m * (b - m) * x / ((a + 2 * m - 1.0) * (a + 2 * m))
        odd = -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1.0))
        for step in (even, odd):
            d = 1.0 / _away(1.0 + step * d)
            c = _away(1.0 + step / c)
            fraction *= d * c
        if abs(d * c - 1.0) < 1e-15:
            break
    return fraction


def _away(value: float) -> float:
    """Lentz's guard: a denominator that is exactly nothing is moved off it."""
    return value if abs(value) > _TINY else _TINY
