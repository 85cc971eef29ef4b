"""Whether a batch that stands still has arrived or has stalled: by how far above its end it is, and how it got there.

Bayes' rule over two stories. *Arrived*: the distance to the expected final is the error of that expectation and of the
probe. *Stalled*: it may be anywhere on the way down. How it slowed tells them apart as well: sugar that runs out lets
it glide, and a tenth of the fall is still to come when it has slowed to two fifths of its fastest; yeast that dies or
drops out brakes within hours, and hardly anything comes after. The odds for a glide were taken from simulated batches
of ten kinetic families (`tests/benchmarks/`, development seeds); a yeast that starves slowly glides into its stall.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from statistics import NormalDist

Point = tuple[float, float]  # hours, SG

STALLS = 0.16  # share of batches that stall (the share the detection figures were made with)
LOWEST_STALL = 0.003  # SG: what stands closer to its end than this has arrived for all purposes
PACE = 0.4  # of the fastest rate, where the glide begins
SLOPE_H = 5.0  # hours to each side for the pace of an hour
LEAST_POINTS = 7
# Odds of a stall by the glide, as a share of the whole fall: up to the first figure the second.
GLIDE_ODDS = ((0.03, 6.0), (0.05, 2.0), (0.08, 0.6), (math.inf, 0.25))
_NORMAL = NormalDist()


def stall_probability(over: float, spread: float, fall: float, glide: float | None) -> float:
    """Probability that what stands still has stalled.

    `over`: SG above the expected final; `spread`: standard deviation of that difference were it at its end;
    `fall`: from original to expected final, SG, above 0; `glide` as by `glide_of`, None where not known.
    """
    arrived = (1.0 - STALLS) * math.exp(-0.5 * (over / spread) ** 2) / (spread * math.sqrt(2.0 * math.pi))
    if over < 0.0:  # lower than expected is no sign of a stall, however far
        arrived = (1.0 - STALLS) / (spread * math.sqrt(2.0 * math.pi))
    stalled = STALLS / max(fall, 0.005) * _NORMAL.cdf((over - LOWEST_STALL) / spread)
    odds = stalled / max(arrived, 1e-300) * _odds(glide)
    return odds / (1.0 + odds) if odds < 1e12 else 1.0


def _odds(glide: float | None) -> float:
    return 1.0 if glide is None else next(odds for most, odds in GLIDE_ODDS if glide <= most)


def glide_of(points: Sequence[Point], fastest: float, original: float, level: float) -> float | None:
    """How much of the whole fall came after it had slowed to `PACE` of its `fastest` (SG a day), as a share.

    None where that hour is not among the points, or too few lie round it.
    """
    if original - level < 0.005 or fastest <= 0.0:
        return None
    limit = -PACE * fastest / 24.0
    for i in range(len(points) - 1, -1, -1):
        at = points[i][0]
        near = [point for point in points[max(0, i - 6) : i + 7] if abs(point[0] - at) <= SLOPE_H]
        if len(near) >= LEAST_POINTS and _slope(near) <= limit:
            here = sorted(value for x, value in near if abs(x - at) <= 2.6)
            return (here[len(here) // 2] - level) / (original - level)
    return None


def _slope(points: Sequence[Point]) -> float:
    middle = sum(x for x, _ in points) / len(points)
    squares = sum((x - middle) ** 2 for x, _ in points)
    return sum((x - middle) * y for x, y in points) / squares if squares > 0.0 else 0.0
