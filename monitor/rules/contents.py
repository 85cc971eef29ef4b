"""What stands in a fridge: a liquid that follows the air with a time constant, estimated with its range.

The time constant comes from the vessel's size until a probe has sat in the liquid; from then on it is fitted, by a
Bayesian linear regression of how far the liquid moved on how far the air was from it: moved = rate * excess + warming
* time. The prior is the range of the vessel's own figures, so a few hours of little change teach little.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from monitor.science import thermal

GAP_MS = 2 * 3_600_000  # a probe in the liquid that is silent for longer leaves it to the estimate
FAST, SLOW = 0.7, 1.45  # the ends of a time constant known by size alone, times the usual (see science/thermal.py)
SURE_LEAST = 0.08  # no fit is trusted closer: one lump of liquid is crude
DOUBT = 0.5  # K, 90 %: what a probe in the air tells of the air round the vessel
DOUBT_AT_FIRST = 1.0
DOUBT_MEASURED = 0.2
DOUBT_WARM = 3.0  # what is put in is taken to come from a room, whose warmth is not known
Z90 = 1.645

ENOUGH_KH = 6.0  # kelvin-hours of excess that make a segment for the fit
ENOUGH_H = 8.0
RATE_SD = 0.3  # of the vessel's own figure
WARMING_SD = 0.12  # K/h: a probe's place in the air, a wash that still ferments
MOVED_SD = 0.2  # K: two readings of a liquid, with their steps
FORGET = 0.99  # a segment, so that another vessel under the same name is learned in days

STAND_IN = "half a litre of water"
STAND_IN_L = 0.5


@dataclass(slots=True)
class Content:
    """One vessel inside: the estimate of its liquid's temperature, and when it was last brought up to date."""

    estimate: float
    at_ms: int
    tau_s: float
    freezes_c: float  # the cautious end of its freezing point
    why: str  # how that is known
    measured: bool = False
    told_ms: int = 0  # when a probe in it last spoke
    # the range: the same liquid with the fastest and the slowest time constant, and what else is not known
    quick: float | None = None
    slow: float | None = None
    doubt: float = DOUBT_AT_FIRST
    fast_s: float = 0.0  # ends of the time constant; 0: by size alone
    slow_s: float = 0.0
    warming: float = 0.0  # K/h beside what the air explains, as fitted
    # the fit: sums for rate and warming, and the segment that is being gathered
    sums: list[float] = field(default_factory=list)
    prior_h: float = 0.0
    from_c: float | None = None
    excess_kh: float = 0.0
    hours: float = 0.0
    segments: int = 0

    def taus(self) -> tuple[float, float]:
        """The fast and the slow end of its time constant, s."""
        return self.fast_s or FAST * self.tau_s, self.slow_s or SLOW * self.tau_s

    def low(self) -> float:
        """The cold end of its 90 % range, °C."""
        return min(self._ways()) - self.doubt

    def high(self) -> float:
        """The warm end of its 90 % range, °C."""
        return max(self._ways()) + self.doubt

    def _ways(self) -> tuple[float, float, float]:
        quick = self.estimate if self.quick is None or self.measured else self.quick
        slow = self.estimate if self.slow is None or self.measured else self.slow
        return self.estimate, quick, slow


def stand_in() -> Content:
    """What is taken to stand in a fridge of which nothing is listed: a small jar of water, the most tender thing."""
    why = f"what stands in it is not listed, so {STAND_IN} is taken for it"
    return Content(0.0, 0, thermal.time_constant(STAND_IN_L, "glass").usual_s, 0.0, why)


def advance(content: Content, air: float, measured_ms: int) -> None:
    """Bring it up to a time at which the air has been at `air` since the last."""
    seconds = max(0, measured_ms - content.at_ms) / 1000.0
    # A probe in it that fell silent, or was taken out, leaves the estimate to go on from its last word.
    content.measured = content.measured and measured_ms - content.told_ms <= GAP_MS
    fast_s, slow_s = content.taus()
    if content.measured:
        content.quick = content.slow = content.estimate
        content.doubt = DOUBT_MEASURED
        content.excess_kh += (air - content.estimate) * seconds / 3600.0
        content.hours += seconds / 3600.0
    else:
        content.from_c = None
        around = air + content.warming * content.tau_s / 3600.0
        quick = content.estimate if content.quick is None else content.quick
        slow = content.estimate if content.slow is None else content.slow
        content.estimate = thermal.lag_step(content.estimate, around, seconds, content.tau_s)
        content.quick = thermal.lag_step(quick, around, seconds, fast_s)
        content.slow = thermal.lag_step(slow, around, seconds, slow_s)
        content.doubt = DOUBT + (content.doubt - DOUBT) * math.exp(-seconds / slow_s)
    content.at_ms = measured_ms


def tell(content: Content, celsius: float, measured_ms: int) -> None:
    """A probe in the liquid spoke: that beats the estimate, and teaches how fast it follows the air."""
    if not content.measured or content.from_c is None:
        content.from_c, content.excess_kh, content.hours = celsius, 0.0, 0.0
    elif content.hours >= 0.5 and (abs(content.excess_kh) >= ENOUGH_KH or content.hours >= ENOUGH_H):
        _fit(content, celsius - content.from_c)
        content.from_c, content.excess_kh, content.hours = celsius, 0.0, 0.0
    content.estimate, content.at_ms, content.measured = celsius, measured_ms, True
    content.told_ms = measured_ms


def _fit(content: Content, moved: float) -> None:
    """One more segment: how far the liquid moved, against the air's excess over it and the time that went by."""
    if not content.sums:
        content.prior_h, content.sums = content.tau_s / 3600.0, [0.0] * 5
    weight = 1.0 / (MOVED_SD * MOVED_SD)
    excess, hours = content.excess_kh, content.hours
    new = (excess * excess, excess * hours, hours * hours, excess * moved, hours * moved)
    content.sums = [FORGET * old + weight * each for old, each in zip(content.sums, new, strict=True)]
    content.segments += 1
    prior = 1.0 / content.prior_h
    know_rate, know_warming = 1.0 / (RATE_SD * prior) ** 2, 1.0 / WARMING_SD**2
    a, b, c = content.sums[0] + know_rate, content.sums[1], content.sums[2] + know_warming
    p, q = content.sums[3] + know_rate * prior, content.sums[4]
    determinant = a * c - b * b
    rate = min(max((c * p - b * q) / determinant, 0.2 * prior), 5.0 * prior)
    spread = max(Z90 * math.sqrt(c / determinant), SURE_LEAST * rate)
    content.tau_s = 3600.0 / rate
    content.fast_s, content.slow_s = 3600.0 / (rate + spread), 3600.0 / max(rate - spread, 0.3 * rate)
    content.warming = min(max((a * q - b * p) / determinant, -0.5), 0.5)
