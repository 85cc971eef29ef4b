"""Gas that leaves a batch, by a flow meter or a bubble counter.

Every 0.001 that the gravity falls sets a gram of carbon dioxide a litre free (`science/carbon.py`). What of it goes
through the counter depends on the lid; how much a bubble holds, on the airlock. Both are learned. A lid that leaks
lets the counter stop while the batch still works; liquid that warms gives off gas that was dissolved.
"""

from __future__ import annotations

import math
from itertools import pairwise

from monitor.model.clock import DAY, HOUR
from monitor.rules import activity
from monitor.rules.activity import Activity, Falls, Figure, Kind, Point, Prior, Ratios
from monitor.rules.track import PointSource
from monitor.science import carbon
from monitor.science.trend import median

BUBBLE_L = 0.004  # a bubble of a common airlock: 2 to 10 mL (common practice, no source)
CROWDED = 300.0  # bubbles a minute: above one a second they begin to run together (common practice, no source)
DISSOLVED = 0.00012  # SG for each kelvin: what gas a wash lets go as it warms, half as much again as in balance
BREATHING = 0.00008  # SG a day: air pressure, and gas that leaves late
LATE = 0.0003  # SG a day: while it slows down, a wash gives off a gram a litre that it held in excess (simulated)
FROZEN_H = 8
DIED_LEAST = 0.0004  # SG a day: a counter that stops from below this has not died, or it does not matter
ASLEEP = 0.05  # of what it said before
WINDOWS = (12, 24)


def prior(kind: Kind, litres: float) -> Prior:
    """By theory: SG a day for a litre (or a bubble) a minute."""
    litres_a_day = litres * carbon.CO2_PER_POINT * 1000.0 / carbon.gas_density(20.0)  # for 1 SG a day
    slope = 24.0 * 60.0 / litres_a_day
    if kind == "bubbles":
        return Prior(slope * BUBBLE_L, 2.0 * slope * BUBBLE_L, None, rough=0.06, late=LATE, crowded=CROWDED)
    # By theory a lid may let a good part pass it: more has fallen than the meter says.
    return Prior(1.4 * slope, 0.6 * slope, None, rough=0.05, late=LATE)


def learn(
    kind: Kind, source: PointSource, gravity: PointSource | None, ratios: Ratios, litres: float, since_ms: int,
    now_ms: int,
) -> bool:  # fmt: skip
    """Once an hour: has it died, and every three hours what the day teaches. True when what is remembered changed."""
    changed = watch_death(kind, source, ratios, litres, now_ms)
    if not activity.due(ratios, now_ms) or ratios.died_ms is not None:
        return changed
    fell = activity.fall(gravity, now_ms, since_ms)
    figure = _figure(source, now_ms, activity.WINDOW_H, since_ms)
    if fell is None or figure is None:
        return changed
    ratios.learned_ms = now_ms
    activity.teach(ratios, figure, fell, prior(kind, litres))
    return True


def say(
    kind: Kind, probe: str, source: PointSource, ratios: Ratios, fell: Falls, liquid: PointSource | None,
    litres: float, since_ms: int, now_ms: int,
) -> Activity | None:  # fmt: skip
    """What it tells of the rate now; None where it cannot."""
    if ratios.died_ms is not None or not (ratios.taught() or (kind == "gas" and not ratios.pairs)):
        return None
    known = prior(kind, litres)
    short, day = (
        _told(source, ratios, known, activity.warming(liquid, now_ms, hours), hours, since_ms, now_ms)
        for hours in WINDOWS
    )
    if day is None:
        return None
    # The gravity it is held against is that of a day; half a day is nearer to now.
    checked = activity.weighed(day, fell)
    if checked is None:
        return None
    best = short if checked.sd == day.sd and short is not None and short.sd < 1.5 * day.sd else checked
    what = "the gas meter" if kind == "gas" else "the bubble counter"
    how = "as this batch taught it" if ratios.pairs else "by theory: nothing was learned yet"
    words = f"{what} {probe} tells of a fall of {best.value:.4f} ± {1.645 * best.sd:.4f} a day ({how})"
    return Activity(kind, probe, -best.value, best.sd, best.from_ms, best.to_ms, words)


def _told(
    source: PointSource, ratios: Ratios, known: Prior, warms: float | None, hours: int, since_ms: int, now_ms: int
) -> Figure | None:
    figure = _figure(source, now_ms, hours, since_ms)
    if figure is None or (not ratios.pairs and figure.value <= 3.0 * figure.sd):
        return None
    beside = math.hypot(DISSOLVED * (warms if warms is not None else 2.0), BREATHING)
    return activity.told(ratios, figure, known, beside)


def _figure(source: PointSource, now_ms: int, hours: int, since_ms: int) -> Figure | None:
    points = activity.window(source, now_ms, hours, since_ms)
    if not points or _frozen(points):
        return None
    return activity.mean(points, hours, now_ms, 0.0)


def _frozen(points: list[Point]) -> bool:
    """One value other than nothing, again and again: no gas comes so evenly."""
    run = longest = 0
    for (_, a), (_, b) in pairwise(points):
        run = run + 1 if a == b and a > 0.0 else 0
        longest = max(longest, run)
    return longest >= FROZEN_H - 1


def watch_death(kind: Kind, source: PointSource, ratios: Ratios, litres: float, now_ms: int) -> bool:
    """Notice a counter that stops at once: yeast does not. It is believed again once it counts again."""
    end = now_ms // HOUR * HOUR
    if ratios.died_ms is not None:
        recent = source(end - 2 * HOUR, end)
        if len(recent) == 2 and all(value > 0.02 * ratios.died_level for _, value in recent):
            ratios.died_ms = None
            return True
        return False
    points = source(end - DAY, end)
    slope = ratios.slope if ratios.pairs else prior(kind, litres).slope
    for i in range(6, len(points) - 2):
        before = [value for _, value in points[max(0, i - 6) : i]]
        level = median(before)
        stopped = all(value <= ASLEEP * level for _, value in points[i + 1 :])
        # As busy as ever up to the hour in which it stopped: one that peters out, or cools, slows down before.
        if stopped and before[-1] >= 0.5 * max(before) and slope * level >= DIED_LEAST:
            ratios.died_ms, ratios.died_level = round(points[i][0] * HOUR), level
            return True
    return False
