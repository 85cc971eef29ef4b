"""Whether a batch stands still, and whether that is its end: two views of the same days that must agree.

One is a model (`science/tail.py`): what may remain of a slow tail, against drift and temperature. The other has no
model: an equivalence test on the slope (two one-sided tests; Dixon & Pechmann 2005, Ecology 86:1751). Each alone errs
where the other does not: the model trusts a shape that a batch need not have, the slope does not know that tails die
away. Together they are wrong more seldom, and sooner, than a longer window (figures: DEVELOPERS.md, detection).
"""

from __future__ import annotations

import math
from functools import cached_property
from statistics import NormalDist

from monitor.model.clock import HOUR
from monitor.rules.activity import Activity
from monitor.science.tail import PRIORS, Observed, Tail, fit
from monitor.science.trend import Trend, theil_sen

LOOK_H = 120
SLOPE_H = 60
REST_H = 48
HINT_H = 36
WITNESSED_H = 28
SLOPE = 0.0009  # SG a day: the equivalence test stands guard beside the model, so it may be wide
REST_SLOPE = 0.0015
HINT_SLOPE = 0.0018
SLOPE_CONFIDENCE = 0.90
AHEAD_H = 6.0  # "ended" means: by six hours from now
SLOW = 0.0006  # SG a day
STALL_SLOW = 0.001

Point = tuple[float, float]
_Z = NormalDist().inv_cdf(SLOPE_CONFIDENCE)


class Standstill:
    """How still it is. Probabilities are those of the model, not yet of a verdict; slopes are found when asked for."""

    def __init__(self, points: list[Point], now_h: float, tail: Tail, activities: tuple[Activity, ...]) -> None:
        self._points, self._now_h, self._activities = points, now_h, activities
        self.tail, self.used = tail, tuple(each.probe for each in activities)
        self.soon = tail.ended(AHEAD_H)
        """That its end is reached within six hours, however fast it still falls."""
        self.ended = min(self.soon, tail.slower(SLOW))
        """That its end is reached now or within six hours, and that it is slow by now."""
        self.slow = tail.stands(STALL_SLOW)
        """That it falls slower than `STALL_SLOW`."""

    @cached_property
    def slope(self) -> Trend | None:
        """Of the last 60 h."""
        return _slope(self._points, self._now_h, SLOPE_H)

    @cached_property
    def rest_slope(self) -> Trend | None:
        """Of the last 48 h."""
        return _slope(self._points, self._now_h, REST_H)

    @cached_property
    def near_slope(self) -> Trend | None:
        """Of the last 36 h."""
        return _slope(self._points, self._now_h, HINT_H)

    def flat(self) -> bool:
        """Whether 60 h lie inside ±SLOPE, with stated confidence on both sides.

        With other witnesses of the rate 28 hours will do: their word is put to its slope by precision.
        """
        if self.slope is not None and self.slope.flat(SLOPE / 24.0):
            return True
        if not self._activities:
            return False
        slope = _slope(self._points, self._now_h, WITNESSED_H)
        return slope is not None and self._together(slope)

    def _together(self, slope: Trend) -> bool:
        sd = max((slope.high - slope.low) / (2.0 * _Z) * 24.0, 1e-5)
        pairs = [(slope.slope * 24.0, math.hypot(sd, PRIORS.drift))] + [
            (each.rate, each.sd) for each in self._activities
        ]
        precision = sum(1.0 / sd**2 for _, sd in pairs)
        mean = sum(rate / sd**2 for rate, sd in pairs) / precision
        return abs(mean) + _Z / math.sqrt(precision) < SLOPE

    def rests(self) -> bool:
        """The same for a stall, by two days: what is far from its end need not be so flat."""
        return self.rest_slope is not None and self.rest_slope.flat(REST_SLOPE / 24.0)

    def nearly(self) -> bool:
        """The same for a hint."""
        return self.near_slope is not None and self.near_slope.flat(HINT_SLOPE / 24.0)


def standstill(
    points: list[Point],
    warmth: dict[float, float],
    activities: tuple[Activity, ...],
    rest: tuple[float, float] | None,
    now_ms: int,
) -> Standstill | None:
    """Judge the hours up to now; None where there are too few of them. `rest` as in `science.tail.fit`."""
    now_h = now_ms / HOUR
    seen = [
        Observed(each.rate, each.sd, (now_ms - each.from_ms) / HOUR, max((now_ms - each.to_ms) / HOUR, 0.0))
        for each in activities
        if each.to_ms - each.from_ms >= 2 * HOUR
    ]
    tail = fit(points, now_h, [warmth.get(at) for at, _ in points], PRIORS, seen, rest=rest)
    if tail is None:
        return None
    return Standstill(points, now_h, tail, activities)


def _slope(points: list[Point], now_h: float, hours: int) -> Trend | None:
    near = [point for point in points if point[0] > now_h - hours]
    if len(near) < hours / 2 or near[-1][0] - near[0][0] < 0.8 * hours:
        return None
    return theil_sen([x for x, _ in near], [y for _, y in near], SLOPE_CONFIDENCE)
