"""When it will have finished: from what remains, the present rate, and how far it has come.

A fall that went on at its present rate would need `rest / rate`. How the time really needed compares with that depends
mostly on the share of the fall that is done: early on the rate still grows, late it dies away. The three factors of
each share are the 5 %, 50 % and 95 % quantiles over 255 simulated batches of ten kinetic families with all faults of a
float and a final gravity known to ±0.003 (`tests/benchmarks/`, development seeds); other seeds check what they cover.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from itertools import pairwise

LEAST_REST = 0.0005  # SG
LEAST_RATE = 0.0003  # SG a day
KNOWN_SD = 0.003  # SG: the error of the final that is in the factors already
FARTHEST_DAYS = 60.0
Z90 = 1.645

# Share done: soonest, middle, latest, as multiples of rest / rate.
FACTORS = (
    (0.03, 0.08, 0.25, 0.80),
    (0.055, 0.15, 0.41, 1.05),
    (0.11, 0.30, 0.69, 1.7),
    (0.20, 0.45, 1.10, 2.2),
    (0.30, 0.50, 1.50, 2.55),
    (0.40, 0.73, 1.86, 3.1),
    (0.50, 0.78, 2.06, 3.5),
    (0.60, 0.85, 2.18, 3.8),
    (0.70, 0.70, 2.25, 4.9),
    (0.80, 0.15, 1.90, 5.1),
    (0.86, 0.03, 1.60, 5.7),
    (0.92, 0.0, 1.0, 5.6),
    (0.965, 0.0, 0.6, 6.7),
    (0.99, 0.0, 0.4, 15.0),
)


def days_left(
    gravity: float, rate: float, original: float, final: float, final_sd: float
) -> tuple[float, float, float]:
    """Days until it is within 0.001 of its end or slower than 0.0005 a day: soonest, middle, latest of a 90 % range.

    `rate` is the present fall, SG a day, positive. A final that is less well known than ±0.003 widens both ends.
    """
    rate = max(rate, LEAST_RATE)
    more = Z90 * math.sqrt(max(final_sd**2 - KNOWN_SD**2, 0.0))
    rest = gravity - final
    done = (original - gravity) / max(original - final, 0.01)
    soonest, middle, latest = _factors(done)
    return (
        soonest * max(rest - more, LEAST_REST) / rate,
        middle * max(rest, LEAST_REST) / rate,
        latest * max(rest + more, LEAST_REST) / rate,
    )


def _factors(done: float) -> tuple[float, float, float]:
    """Between the rows of the table on a straight line; outside it as at its ends."""
    at = bisect_right([row[0] for row in FACTORS], done)
    if at in (0, len(FACTORS)):
        row = FACTORS[min(at, len(FACTORS) - 1)]
        return row[1], row[2], row[3]
    before, after = FACTORS[at - 1], FACTORS[at]
    share = (done - before[0]) / (after[0] - before[0])
    soonest, middle, latest = (a + share * (b - a) for a, b in zip(before[1:], after[1:], strict=True))
    return soonest, middle, latest


def still_to_go(days: tuple[float, float, float], after: float) -> float:
    """Probability that `after` days it has not yet finished, by the soonest, middle and latest of `days_left`."""
    if after >= days[2]:
        return 0.05
    known = ((0.0, 1.0), (days[0], 0.95), (days[1], 0.5), (days[2], 0.05))
    for (early, likely), (late, less) in pairwise(known):
        if after < late:
            return likely - (likely - less) * (after - early) / (late - early)
    return 0.05
