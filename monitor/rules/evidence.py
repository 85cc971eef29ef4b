"""What there is to judge a batch by, and what of it is seen: gravity now, its rate, and whether it stands still."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from statistics import NormalDist

from monitor.model.clock import DAY, HOUR
from monitor.model.events import Range
from monitor.rules.batch import BatchState, HandPoint
from monitor.rules.health import span_words
from monitor.rules.track import PointSource
from monitor.science.trend import Trend, curvature, median, robust_sd, theil_sen

WINDOW_H = 72
FLAT = 0.0005  # SG a day
RESUMED = 0.0007  # SG a day: a fall beyond this, with 95 % confidence, is one
FLAT_CONFIDENCE = 0.90
FLAT_POINTS = 36
FLAT_SPAN_H = 60.0
Z90 = 1.645
STRETCHES = (24.0, 16.0, 12.0)  # h
LEAST = 8  # hours of readings
BENT = 3.0  # standard errors of the curvature
ASIDE = 3.0  # standard deviations of an hour's noise
_NORMAL = NormalDist()
Point = tuple[float, float]  # hours since the epoch, value


@dataclass(frozen=True, slots=True)
class Evidence:
    """What there is to judge a batch by."""

    gravity: PointSource | None  # hourly gravity of the probe in charge
    probe: str | None
    probe_error: float  # standard error of that probe's calibration
    trouble: str | None  # why that probe cannot be believed now
    liquid: PointSource | None  # hourly temperature of the liquid
    seen_ms: int | None


@dataclass(frozen=True, slots=True)
class Seen:
    """The measured part: gravity now, its rate, and how long it has been flat."""

    gravity: float
    sd: float
    rate: float | None  # SG a day
    rate_range: Range | None
    flat: float | None  # probability that it stands still; None: not flat, or not enough to say
    nearly: bool  # flat enough for a hint
    falls: bool  # a day of it falls for certain
    noise: float
    points: int
    used: tuple[str, ...]
    flat_words: str


def by_probe(batch: BatchState, evidence: Evidence, now_ms: int) -> Seen | None:
    """What the probe in charge shows; None without a recent reading."""
    if evidence.gravity is None:
        return None
    start = max(batch.window_from_ms, batch.pitched_ms, now_ms - WINDOW_H * HOUR)
    points = evidence.gravity(start, now_ms)
    if not points or now_ms / HOUR - points[-1][0] > 26.0:
        return None
    noise = _noise([value for _, value in points])
    day = [point for point in points if point[0] > points[-1][0] - 24.0]
    near, trend, bent = _straight(day, noise)
    whole = trend if len(near) == len(day) else theil_sen(*_columns(day), 0.95)
    sd = math.hypot(noise / math.sqrt(max(1.0, len(near) / 4.0)), evidence.probe_error, 0.0002)
    gravity = trend.at(near[-1][0]) if trend else median([value for _, value in near])
    if trend and bent:
        gravity, sd = median([value for _, value in near[-3:]]), math.hypot(sd, trend.slope)
    long = _long_trend(points)
    flat = _flat_probability(long) if long is not None and long.flat(FLAT / 24.0) else None
    words = (
        f"it has stood still over the last {len(points)} h: its slope lies within ±{FLAT} a day, "
        "with 90% confidence on each side"
    )
    return Seen(
        gravity=gravity,
        sd=sd,
        rate=trend.slope * 24.0 if trend else None,
        rate_range=(trend.low * 24.0, trend.high * 24.0) if trend and math.isfinite(trend.low - trend.high) else None,
        flat=flat,
        # Once hinted, it takes more to take the hint back.
        nearly=whole is not None and whole.flat((0.003 if batch.hint else 0.0015) / 24.0) and len(day) >= 18,
        falls=whole is not None and whole.falling(RESUMED / 24.0),
        noise=noise,
        points=len(points),
        used=(evidence.probe or "probe",),
        flat_words=words,
    )


def _straight(day: list[Point], noise: float) -> tuple[list[Point], Trend | None, bool]:
    """The longest stretch up to now that is no bend, its line, and whether even the shortest one bends.

    A line through a bent day would miss its end and its rate.
    """
    if len(day) < 4:
        return day, None, False
    for hours in STRETCHES:
        near = [point for point in day if point[0] > day[-1][0] - hours]
        line = theil_sen(*_columns(near), 0.95)
        if len(near) <= LEAST or not _bends(near, line, noise):
            return near, line, False
    near = day[-LEAST:]
    line = theil_sen(*_columns(near), 0.95)
    return near, line, _bends(near, line, noise)


def _bends(points: list[Point], line: Trend, noise: float) -> bool:
    """Whether it is no line: a bow by its curvature, an S by its last hours lying beside the line."""
    aside = abs(median([y - line.at(x) for x, y in points[-3:]]))
    return aside > max(ASIDE * noise, 5e-4) or curvature(*_columns(points)).bends(BENT)


def _long_trend(points: list[Point]) -> Trend | None:
    if len(points) < FLAT_POINTS or points[-1][0] - points[0][0] < FLAT_SPAN_H:
        return None
    return theil_sen(*_columns(points), FLAT_CONFIDENCE)


def _flat_probability(trend: Trend) -> float:
    """Probability that the slope lies inside ±FLAT, the interval read as a normal one."""
    delta = FLAT / 24.0
    sd = max((trend.high - trend.low) / (2.0 * _NORMAL.inv_cdf(FLAT_CONFIDENCE)), 1e-9)
    return _NORMAL.cdf((delta - trend.slope) / sd) - _NORMAL.cdf((-delta - trend.slope) / sd)


def _columns(points: list[Point]) -> tuple[list[float], list[float]]:
    return [x for x, _ in points], [y for _, y in points]


def _noise(values: list[float]) -> float:
    """Noise of an hour, from second differences: a fall that changes its pace is no noise."""
    steps = [b - a for a, b in pairwise(values)]
    bends = [b - a for a, b in pairwise(steps)]
    return max(robust_sd(bends, 1e-4) / math.sqrt(6.0), 7e-5) if len(bends) >= 3 else 0.001


def by_hand(batch: BatchState, now_ms: int) -> Seen | None:
    """Hand readings carry a verdict when three or more lie over 48 h or more and the last is not old."""
    points = [point for point in batch.hand if point.at_ms >= max(batch.window_from_ms, batch.pitched_ms)]
    if len(points) < 3 or points[-1].at_ms - points[0].at_ms < 2 * DAY or now_ms - points[-1].at_ms > 4 * DAY:
        return None
    last = _hand_tail(points)
    slope, error = _hand_slope(last)
    spread = max(point.gravity for point in last) - min(point.gravity for point in last)
    still = last[-1].at_ms - last[0].at_ms >= 2 * DAY and len(last) >= 3 and spread <= 0.0011
    return Seen(
        gravity=points[-1].gravity,
        sd=points[-1].error,
        rate=slope,
        rate_range=(slope - Z90 * error, slope + Z90 * error),
        flat=0.8 if still else None,
        nearly=still,
        falls=slope + Z90 * error < -RESUMED,
        noise=points[-1].error,
        points=len(points),
        used=("hand",),
        flat_words=f"your last {len(last)} hydrometer readings over {span_words(last[-1].at_ms - last[0].at_ms)} "
        f"lie within {spread:.4f}",
    )


def _hand_tail(points: list[HandPoint]) -> list[HandPoint]:
    """The shortest tail of three or more readings over 48 h or more."""
    for first in range(len(points) - 3, -1, -1):
        if points[-1].at_ms - points[first].at_ms >= 2 * DAY:
            return points[first:]
    return points


def _hand_slope(points: list[HandPoint]) -> tuple[float, float]:
    """Least-squares slope and its standard error from the reading error, SG a day."""
    days = [point.at_ms / DAY for point in points]
    middle = sum(days) / len(days)
    squares = sum((day - middle) ** 2 for day in days)
    slope = sum((day - middle) * point.gravity for day, point in zip(days, points, strict=True)) / squares
    return slope, max(point.error for point in points) / math.sqrt(squares)


def mean(points: list[Point], least: int) -> float | None:
    """Mean value of hourly points; None where there are fewer than `least`."""
    return sum(value for _, value in points) / len(points) if len(points) >= least else None
