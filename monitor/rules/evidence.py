"""What there is to judge a batch by, and what of it is seen: gravity now, its rate, and whether it stands still."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from monitor.model.clock import DAY, HOUR
from monitor.model.events import Range
from monitor.rules.activity import Activity
from monitor.rules.batch import BatchState, HandPoint, expectation
from monitor.rules.health import span_words
from monitor.rules.standstill import AHEAD_H, LOOK_H, REST_SLOPE, SLOW, STALL_SLOW, Standstill, standstill
from monitor.rules.track import PointSource
from monitor.rules.warmth import answer_of
from monitor.science.tail import Priors, fit, hourly_noise
from monitor.science.trend import Trend, curvature, median, theil_sen

WINDOW_H = 72
RESUMED = 0.0007  # SG a day: a fall beyond this, with 95 % confidence, is one
Z90 = 1.645
STRETCHES = (24.0, 16.0, 12.0)  # h
LEAST = 8  # hours of readings
BENT = 3.0  # standard errors of the curvature
FRESH_H = 8.0  # a standstill is judged on hours that reach up to now
ASIDE = 3.0  # standard deviations of an hour's noise
RATE_SD = 0.0005  # SG a day
RATE_SHARE = 0.18
LOOSE_SD = 0.005  # SG: an expectation looser than this says nothing of what remains
HAND_PRIORS = Priors(drift=1e-5, roughness=1e-5)
HAND_WINDOWS = (240.0, 168.0, 120.0, 72.0)  # h
LEAST_BY_HAND = 2  # bins of four hours: three readings over two days lie in two or more
HAND_LEAST, HAND_SPAN, HAND_AGE = 3, 2 * DAY, 4 * DAY  # readings, over how long, and how old the last may be
HAND_SURE = 0.9  # from here on hand readings alone say that it stands still
FAST = 0.004  # SG a day: what falls faster stands nowhere near its end
Point = tuple[float, float]  # hours since the epoch, value


@dataclass(frozen=True, slots=True)
class Evidence:
    """What there is to judge a batch by."""

    gravity: PointSource | None  # hourly gravity of the probe in charge, set right by hand readings where there are any
    probe: str | None
    probe_error: float  # standard error of its level now: calibration, and drift since it was last set right
    trouble: str | None  # why that probe cannot be believed now
    liquid: PointSource | None  # hourly temperature of the liquid
    seen_ms: int | None
    activities: tuple[Activity, ...] = ()
    set_right: bool = False  # hand readings have a part in `gravity`


@dataclass(frozen=True, slots=True)
class ByHand:
    """What hand readings alone tell of now, by the curve through them and how long ago the last was: probabilities."""

    ended: float  # that its end is reached, or will be within six hours
    rests: float  # that it hardly moves, wherever it should end
    age_h: float  # since the last reading

    def still(self) -> bool:
        """Whether it may be said that it stands still."""
        return max(self.ended, self.rests) >= HAND_SURE


@dataclass(frozen=True, slots=True)
class Seen:
    """The measured part: gravity now, its rate, and whether it stands still."""

    gravity: float
    sd: float
    rate: float | None  # SG a day
    rate_range: Range | None
    still: Standstill | None  # by a probe; None while it falls fast, or with too few hours
    hand: ByHand | None  # by hand readings alone
    falls: bool  # a day of it falls for certain
    noise: float
    points: int
    used: tuple[str, ...]
    still_words: Callable[[], str]


def by_probe(batch: BatchState, evidence: Evidence, now_ms: int) -> Seen | None:
    """What the probe in charge shows; None without a recent reading."""
    if evidence.gravity is None:
        return None
    start = max(batch.window_from_ms, batch.pitched_ms, now_ms - LOOK_H * HOUR)
    points = evidence.gravity(start, now_ms)
    if not points or now_ms / HOUR - points[-1][0] > 26.0:
        return None
    noise = hourly_noise([value for _, value in points[-WINDOW_H:]])
    warmth = dict(evidence.liquid(start, now_ms)) if evidence.liquid else {}
    points = _at_one_warmth(points, [warmth.get(at) for at, _ in points], noise)
    day = [point for point in points if point[0] > points[-1][0] - 24.0]
    near, trend, bent = _straight(day, noise)
    whole = trend if len(near) == len(day) else theil_sen(*_columns(day), 0.95)
    sd = math.hypot(noise / math.sqrt(max(1.0, len(near) / 4.0)), evidence.probe_error, 0.0002)
    gravity = trend.at(near[-1][0]) if trend else median([value for _, value in near])
    if trend and bent:
        gravity, sd = median([value for _, value in near[-3:]]), math.hypot(sd, trend.slope)
    slow = whole is not None and -whole.slope * 24.0 < max(FAST, 0.25 * batch.peak_rate)
    recent = now_ms / HOUR - points[-1][0] <= FRESH_H
    still = (
        standstill(points, warmth, evidence.activities, _rest(batch, gravity, sd), now_ms) if slow and recent else None
    )
    used = (evidence.probe or "probe", *(("hand",) if evidence.set_right else ()), *(still.used if still else ()))
    return Seen(
        gravity=gravity,
        sd=sd,
        rate=trend.slope * 24.0 if trend else None,
        rate_range=_rate_range(trend) if trend and math.isfinite(trend.low - trend.high) else None,
        still=still,
        hand=None,
        falls=any(line is not None and line.falling(RESUMED / 24.0) for line in (whole, trend)),
        noise=noise,
        points=len(points),
        used=used,
        still_words=lambda: _still_words(still, evidence) if still else "no fall to speak of",
    )


def _rate_range(trend: Trend) -> Range:
    """The 90 % range of the rate, SG a day: the line's own, drift, and that no fall is a line.

    The last two were fitted on development seeds of the benchmark and hold on others.
    """
    rate = trend.slope * 24.0
    more = Z90 * math.hypot(RATE_SD, RATE_SHARE * rate)
    low, high = (trend.slope - trend.low) * 24.0, (trend.high - trend.slope) * 24.0
    return rate - math.hypot(low, more), rate + math.hypot(high, more)


def _at_one_warmth(points: list[Point], warmth: list[float | None], noise: float) -> list[Point]:
    """The hours as they would be at the mean temperature of the last day."""
    answer = answer_of(points, warmth, noise)
    recent = [t for t in warmth[-24:] if t is not None]
    if answer == 0.0 or not recent:
        return points
    usual = sum(recent) / len(recent)
    return [
        (at, value if t is None else value - answer * (t - usual))
        for (at, value), t in zip(points, warmth, strict=True)
    ]


def _rest(batch: BatchState, gravity: float, sd: float) -> tuple[float, float] | None:
    """What its level tells of what remains: the distance to where a person or past batches say that it ends."""
    expected = expectation(batch)
    if expected is None or expected.sd > LOOSE_SD:
        return None
    return gravity - expected.final, math.hypot(expected.sd, sd)


def _still_words(still: Standstill, evidence: Evidence) -> str:
    rest, tail = still.tail.rest(0.95), still.tail
    words = f"it has levelled off: by the curve of its last {tail.span_h:.0f} h at most {rest:.4f} is still to fall"
    for hours, slope in ((60, still.slope), (48, still.rest_slope)):
        steepest = max(abs(slope.low), abs(slope.high)) * 24.0 if slope is not None else math.inf
        if steepest < REST_SLOPE:  # wider, it is not what carried the verdict
            words += f", and over its last {hours} h it moved by at most {steepest:.4f} a day"
            break
    for each in evidence.activities:
        words += f"; {each.words}"
    return words


def _straight(day: list[Point], noise: float) -> tuple[list[Point], Trend | None, bool]:
    """The longest stretch up to now that is no bend, its line, and whether even the shortest one bends.

    A line through a bent day would miss its end and its rate.
    """
    if len(day) < 4:
        return day, None, False
    for hours in STRETCHES:
        near = [point for point in day if point[0] > day[-1][0] - hours]
        if len(near) < 4:  # a gap: the whole day tells more
            break
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


def _columns(points: list[Point]) -> tuple[list[float], list[float]]:
    return [x for x, _ in points], [y for _, y in points]


def hand_lacks(batch: BatchState, now_ms: int) -> tuple[str, ...]:
    """What keeps hand readings from carrying a verdict now, in words; nothing where they can carry one."""
    points = _hand_points(batch)
    lacks = []
    if len(points) < HAND_LEAST:
        lacks.append(("there is none", "there is one", "there are two")[len(points)] + _since(batch, now_ms))
    elif points[-1].at_ms - points[0].at_ms < HAND_SPAN:
        lacks.append(f"yours span {span_words(points[-1].at_ms - points[0].at_ms)}")
    if points and now_ms - points[-1].at_ms > HAND_AGE:
        lacks.append(f"the last is {span_words(now_ms - points[-1].at_ms)} old")
    return tuple(lacks)


def _since(batch: BatchState, now_ms: int) -> str:
    """Since when they count, where there are others from before that."""
    first = batch.hand[0].at_ms if batch.hand else now_ms
    if batch.window_from_ms > batch.pitched_ms and first < batch.window_from_ms:
        return f" since something was added or changed {span_words(now_ms - batch.window_from_ms)} ago"
    return " since it was pitched" if first < batch.pitched_ms else ""


def _hand_points(batch: BatchState) -> list[HandPoint]:
    return [point for point in batch.hand if point.at_ms >= max(batch.window_from_ms, batch.pitched_ms)]


def by_hand(batch: BatchState, now_ms: int) -> Seen | None:
    """Hand readings carry a verdict when three or more lie over 48 h or more and the last is not old."""
    if hand_lacks(batch, now_ms):
        return None
    points = _hand_points(batch)
    near = _hand_tail(points)
    slope, error = _hand_slope(near)
    return Seen(
        gravity=points[-1].gravity,
        sd=points[-1].error,
        rate=slope,
        rate_range=(slope - Z90 * error, slope + Z90 * error),
        still=None,
        hand=_hand_still(batch, points, now_ms),
        falls=slope + Z90 * error < -RESUMED,
        noise=points[-1].error,
        points=len(points),
        used=("hand",),
        still_words=lambda: _hand_words(near),
    )


def _hand_still(batch: BatchState, points: list[HandPoint], now_ms: int) -> ByHand | None:
    """The same curve as for a probe, that a hydrometer does not drift; from the last reading on it is gone on with."""
    last = points[-1]
    tail = fit(
        [(point.at_ms / HOUR, point.gravity) for point in points],
        last.at_ms / HOUR,
        priors=HAND_PRIORS,
        rest=_rest(batch, last.gravity, last.error),
        noise=max(point.error for point in points),
        windows=HAND_WINDOWS,
        least=LEAST_BY_HAND,
    )
    if tail is None:
        return None
    age_h = (now_ms - last.at_ms) / HOUR
    ended = min(tail.ended(age_h + AHEAD_H), tail.slower(SLOW, age_h))
    return ByHand(ended, tail.stands(STALL_SLOW, age_h), age_h)


def _hand_words(near: list[HandPoint]) -> str:
    spread = max(point.gravity for point in near) - min(point.gravity for point in near)
    if spread <= 2.0 * max(point.error for point in near):
        span = span_words(near[-1].at_ms - near[0].at_ms)
        return f"your last {len(near)} hydrometer readings over {span} lie within {spread:.4f}"
    before, last = near[-2:]
    return (
        "the curve through your hydrometer readings has levelled off: the last two, "
        f"{span_words(last.at_ms - before.at_ms)} apart, differ by {abs(last.gravity - before.gravity):.4f}"
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
