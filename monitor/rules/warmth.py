"""What the temperature does to a gravity probe, learned from the days and taken out of its hours.

A float's spring and body, and a liquid's own density where a probe does not allow for it, answer to temperature; a shed
that swings by day and night then draws a wave on a fall. Fast changes tell the two apart: gravity and temperature are
each held against their own mean of a day around, and the line between the rests is the answer (least squares, shrunk
towards none by how far probes are apart). A fall of days has no part in that.
"""

from __future__ import annotations

from collections.abc import Sequence

Point = tuple[float, float]  # hours, SG

USUAL = (
    0.00015  # SG/K: standard deviation among probes that claim to allow for temperature (common practice, no source)
)
MOST = 0.0006
HALF_DAY_H = 12.0
LEAST_HOURS = 36


def answer_of(points: Sequence[Point], warmth: Sequence[float | None], noise: float) -> float:
    """SG a kelvin by which the probe answers to temperature, 0 where that cannot be told.

    `points` in order of time, an hour apart or more; `warmth` the liquid's temperature at each (Cel); `noise` the
    standard deviation of an hour (SG).
    """
    known = [(at, value, t) for (at, value), t in zip(points, warmth, strict=True) if t is not None]
    if len(known) < LEAST_HOURS:
        return 0.0
    total_g, total_t, sums_g, sums_t = 0.0, 0.0, [0.0], [0.0]
    for _, value, t in known:
        total_g += value
        total_t += t
        sums_g.append(total_g)
        sums_t.append(total_t)
    cross = power = 0.0
    first = last = 0
    for i in range(0, len(known), 2):  # neighbours say nearly the same
        at, value, t = known[i]
        while known[first][0] < at - HALF_DAY_H:
            first += 1
        while last < len(known) and known[last][0] <= at + HALF_DAY_H:
            last += 1
        before, after = i - first, last - 1 - i
        if min(before, after) < 8 or abs(before - after) > 2:  # one-sided, the fall itself would come through
            continue
        count = last - first
        rest_t = t - (sums_t[last] - sums_t[first]) / count
        cross += rest_t * (value - (sums_g[last] - sums_g[first]) / count)
        power += rest_t * rest_t
    found = cross / (power + (1.4 * noise / USUAL) ** 2)  # hours are not independent: twice the noise, every other one
    return max(-MOST, min(MOST, found))
