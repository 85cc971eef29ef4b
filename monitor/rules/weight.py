"""A vessel on a scale: what it loses is carbon dioxide, with a little vapour, and what dries out of it.

A scale drifts with its load and its warmth; a hose, a hydrometer jar or a racking is a step, and the window starts
again behind it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

from monitor.model.clock import DAY
from monitor.rules import activity
from monitor.rules.activity import Activity, Falls, Figure, Point, Prior, Ratios
from monitor.rules.track import PointSource
from monitor.science import carbon, massloss
from monitor.science.trend import median, robust_sd

VOLUME_ERROR = 0.12  # a vessel is seldom as full as its volume says
DRIES_KG, DRYING_KG = 0.003, 0.006  # a day, through a lid, and its error: a scale under load creeps too (no source)
OPEN_KG = 0.03  # a day, out of an open vessel
DRIFT_KG = 0.003  # a day: a scale's zero wanders
WARMTH = 0.0001  # of a load for each kelvin, 0.02 % of full scale for 10 K five times over (cheap load cells)
NOISE_KG = 0.001
STEP_KG = 0.02
STEP_NOISES = 8.0
LEAST_H = 12
TREMBLES_KG = 0.003  # a scale with finer steps than this never rests
FROZEN_H = 12


def prior(litres: float) -> Prior:
    """By theory: SG a day for a kilogram a day."""
    slope = 1.0 / (litres * carbon.CO2_PER_POINT * (1.0 + 2.0 * massloss.vapour_share(20.0)))
    return Prior(
        slope, VOLUME_ERROR * slope, slope * DRYING_KG, rough=0.03, offset=-slope * DRIES_KG, loose=slope * OPEN_KG
    )


def learn(
    source: PointSource, gravity: PointSource | None, ratios: Ratios, litres: float, since_ms: int, now_ms: int
) -> bool:
    """Every three hours what the day teaches; True when what is remembered changed."""
    if not activity.due(ratios, now_ms):
        return False
    fell = activity.fall(gravity, now_ms, since_ms)
    figure = _figure(source, now_ms, activity.WINDOW_H, since_ms)
    if fell is None or figure is None:
        return False
    ratios.learned_ms = now_ms
    step = _resolution([value for _, value in source(now_ms - DAY, now_ms)])
    ratios.finest = min(ratios.finest or step, step)
    activity.teach(ratios, figure, fell, prior(litres))
    return True


def say(
    probe: str, source: PointSource, ratios: Ratios, fell: Falls, liquid: PointSource | None,
    litres: float, since_ms: int, now_ms: int,
) -> Activity | None:  # fmt: skip
    """What the loss of mass tells of the rate now; None where it cannot."""
    if ratios.misfit > activity.UNFIT:
        return None
    if _frozen(ratios, [value for _, value in source(now_ms - DAY, now_ms)]):
        return None
    known = prior(litres)
    figure = _figure(source, now_ms, activity.WINDOW_H, since_ms) or _figure(source, now_ms, LEAST_H, since_ms)
    if figure is None:
        return None
    warms = activity.warming(liquid, now_ms, activity.WINDOW_H)
    kilograms = math.hypot(WARMTH * litres * (warms if warms is not None else 2.0), DRIFT_KG)
    best = activity.weighed(activity.told(ratios, figure, known, known.slope * kilograms), fell)
    if best is None:
        return None
    how = "as this batch taught it" if ratios.taught() else "by its volume"
    grams = 1000.0 * figure.value
    lost = f"lost {grams:.0f} g a day" if grams >= 0.5 else "lost nothing"
    words = (
        f"the scale ({probe}) {lost}, which tells of a fall of {best.value:.4f} ± {1.645 * best.sd:.4f} a day ({how})"
    )
    return Activity("mass", probe, -best.value, best.sd, best.from_ms, best.to_ms, words)


def _figure(source: PointSource, now_ms: int, hours: int, since_ms: int) -> Figure | None:
    """Kilograms lost a day."""
    points = activity.window(source, now_ms, hours, since_ms)
    if not points or _stepped(points):
        return None
    found = activity.change(points, hours, now_ms, NOISE_KG)
    if found is None:
        return None
    step = _resolution([value for _, value in points]) / activity.days(found.from_ms, found.to_ms)
    return Figure(-found.value, math.hypot(found.sd, 0.4 * step), found.from_ms, found.to_ms)


def _stepped(points: Sequence[Point]) -> bool:
    """Whether something was lifted, put on or taken out."""
    steps = [b - a for (_, a), (_, b) in pairwise(points)]
    usual = median(steps)
    limit = max(STEP_NOISES * robust_sd(steps, NOISE_KG), STEP_KG, 2.0 * abs(usual))
    return any(abs(each - usual) > limit for each in steps)


def _resolution(values: Sequence[float]) -> float:
    """The smallest step between two values, kg; what a scale of which nothing moved resolves is not known."""
    ordered = sorted(set(values))
    return min((b - a for a, b in pairwise(ordered)), default=0.005)


def _frozen(ratios: Ratios, values: Sequence[float]) -> bool:
    """The last half day to the gram the same, from a scale that was seen to tell grams apart."""
    last = values[-FROZEN_H:]
    return len(last) == FROZEN_H and len(set(last)) == 1 and 0.0 < ratios.finest < TREMBLES_KG
