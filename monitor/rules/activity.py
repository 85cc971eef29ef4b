"""What else than gravity tells how fast a batch works: the gas it gives off, the mass it loses, the warmth it makes.

Each witness is brought to one figure that goes with the rate of fall (a flow, kg a day, kelvin), and a line leads
from that figure to the rate:

    fall a day = slope · figure + offset

Slope and offset are learned on the batch itself while it works, against the gravity of the same day, from what theory
gives (`Prior`). The offset is what leaks past a counter, what dries out of an open vessel, what a thermometer is
off by. So a witness that says "nothing any more" is believed no further than that offset is known.

Nothing is learned from a day whose fall is not certain: at the end, where the witness is wanted, it stands on what it
was taught before, and not on the gravity it is weighed against.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Literal

from monitor.model.clock import DAY, HOUR
from monitor.rules.track import PointSource
from monitor.science.trend import median, robust_sd

Kind = Literal["heat", "gas", "bubbles", "mass"]
Point = tuple[float, float]  # hours since the epoch, value

WINDOW_H = 24
LEARN_EVERY = 3 * HOUR
OVERLAP = 4.0  # windows of a day every three hours tell a quarter of what they seem to
PAIRS_KEPT = 96
PAIRS_LEAST = 5
CERTAIN = 3.0  # standard deviations by which a day must have fallen to teach
ACTIVE = 0.05  # of the fastest fall: slower days do not teach
TIGHT = 0.02  # of the fastest fall: what a vessel that shows no leak may still leak (no source)
USUAL = 0.7  # how likely a lid is tight, or a scale dry, as usual, before anything was learned (no source)
LOOSE = 0.3  # of the fastest fall: what a vessel may leak of which nothing is known
UNFIT = 3.0  # times its stated errors: a witness that lies so far off its line is none
BETTER = 0.5  # of its stated errors: no witness is taken to fit better than this
SLOWER = 3.0  # standard deviations by which a witness may say less than gravity does
FASTER = 2.0  # standard deviations by which it may say more
USELESS = 0.008  # SG a day: what is not known better than this says nothing
GRAVITY_NOISE = 0.0003  # SG, least noise of an hour: a probe that resolves 0.001
GRAVITY_DRIFT = 0.00015  # SG a day, of a probe that may drift by 0.002 a week; no number of days averages it


@dataclass(frozen=True, slots=True)
class Activity:
    """What one witness says of the present rate of fall, as a mean over its window."""

    kind: Kind
    probe: str
    rate: float
    """SG a day, negative when it falls."""
    sd: float
    """SG a day: noise, calibration, leak, surroundings and evaporation, all in it."""
    from_ms: int
    to_ms: int
    words: str


@dataclass(frozen=True, slots=True)
class Figure:
    """A mean over a span and its standard deviation; of gravity, the fall in SG a day."""

    value: float
    sd: float
    from_ms: int
    to_ms: int


@dataclass(frozen=True, slots=True)
class Prior:
    """What is known of a witness before it was taught: SG a day for one of its unit, and its errors."""

    slope: float
    slope_sd: float
    offset_sd: float | None
    """SG a day; None: by the fastest fall (`LOOSE`, and `TIGHT` where no leak shows)."""
    rough: float
    """Relative error of the line itself, day by day."""
    offset: float = 0.0
    """SG a day that it is taken to be off by."""
    late: float = 0.0
    """SG a day by which it tells of what had fermented before, while it is taught."""
    crowded: float = math.inf
    """Of its unit: where so much is counted that it may be off by all of it (bubbles that run together)."""
    loose: float | None = None
    """SG a day: error of the offset where the batch shows that it is off by more than usual."""


@dataclass(slots=True)
class Ratios:
    """What a batch has taught about one witness; bounded."""

    pairs: list[tuple[float, float, float]] = field(default_factory=list)  # figure, fall a day, its sd
    learned_ms: int = 0
    peak: float = 0.0  # SG a day, fastest fall
    leak: float = 0.0  # SG a day that fell while the witness said nothing
    slope: float = 0.0
    offset: float = 0.0
    slope_var: float = 0.0
    covariance: float = 0.0
    offset_var: float = 0.0
    misfit: float = 1.0  # by how much it lies off its line, in its stated errors
    died_ms: int | None = None  # it fell silent at once
    died_level: float = 0.0
    finest: float = 0.0  # the smallest step it was seen to tell, in its own unit; 0 while not known

    def taught(self) -> bool:
        """Whether it has followed the gravity for long enough, and well."""
        return len(self.pairs) >= PAIRS_LEAST and self.misfit <= UNFIT


@dataclass(frozen=True, slots=True)
class Line:
    """A fitted line with its (co)variances, and how far the days lie off it in their stated errors."""

    slope: float
    offset: float
    slope_var: float
    covariance: float
    offset_var: float
    misfit: float


# --- figures -----------------------------------------------------------------------------------------------------


def hour_noise(values: Sequence[float], least: float) -> float:
    """Noise of an hour by second differences, which a steady or bending course does not disturb."""
    steps = [b - a for a, b in pairwise(values)]
    bends = [b - a for a, b in pairwise(steps)]
    return max(1.2 * robust_sd(bends, 0.0) / math.sqrt(6.0), least) if len(bends) >= 3 else 3.0 * least


def window(source: PointSource, now_ms: int, hours: int, since_ms: int) -> list[Point] | None:
    """The hours of a window up to now; None where more than a quarter, or the latest two, are missing."""
    end = now_ms // HOUR * HOUR
    if end - hours * HOUR < since_ms:
        return None
    points = source(end - hours * HOUR, end)
    if len(points) < 0.75 * hours or points[-1][0] < end / HOUR - 2.0:
        return None
    return points


def change(points: Sequence[Point], hours: int, end_ms: int, least: float) -> Figure | None:
    """By how much a value changed a day between the first and the last quarter of a window: no bend disturbs that."""
    edge, end = max(3, hours // 4), end_ms // HOUR
    first = [value for at, value in points if at < end - hours + edge]
    last = [value for at, value in points if at > end - edge]
    if min(len(first), len(last)) < edge // 2:
        return None
    days = (hours - edge) / 24.0
    noise = hour_noise([value for _, value in points], least)
    # Hours err a little together: half as many again would be needed.
    sd = 1.05 * noise * math.sqrt(1.5 / len(first) + 1.5 / len(last)) / days
    return Figure((_level(last) - _level(first)) / days, sd, *span(hours, end_ms))


def _level(values: Sequence[float]) -> float:
    """Mean without the highest and the lowest: one odd hour is no level."""
    kept = sorted(values)[1:-1] if len(values) >= 4 else values
    return sum(kept) / len(kept)


def mean(points: Sequence[Point], hours: int, end_ms: int, least: float) -> Figure | None:
    """Mean over the same span as `change`: between the middles of the first and the last quarter."""
    from_ms, to_ms = span(hours, end_ms)
    inner = [value for at, value in points if from_ms <= at * HOUR <= to_ms]
    if len(inner) < 0.5 * (to_ms - from_ms) / HOUR:
        return None
    noise = hour_noise([value for _, value in points], least)
    return Figure(sum(inner) / len(inner), noise * math.sqrt(1.5 / len(inner)), from_ms, to_ms)


def span(hours: int, end_ms: int) -> tuple[int, int]:
    """From the middle of the first quarter to the middle of the last."""
    edge, end = max(3, hours // 4) * HOUR, end_ms // HOUR * HOUR
    return end - hours * HOUR + edge // 2, end - edge // 2


def fall(gravity: PointSource | None, now_ms: int, since_ms: int, hours: int = WINDOW_H) -> Figure | None:
    """By how much the gravity falls a day, over the last day."""
    points = window(gravity, now_ms, hours, since_ms) if gravity is not None else None
    found = change(points, hours, now_ms, GRAVITY_NOISE) if points else None
    return Figure(-found.value, math.hypot(found.sd, GRAVITY_DRIFT), found.from_ms, found.to_ms) if found else None


# --- learning ----------------------------------------------------------------------------------------------------


def teach(ratios: Ratios, figure: Figure, fell: Figure, prior: Prior, *, started: bool = True) -> None:
    """Learn from a day whose fall is certain, or (`started` false) known to be none."""
    if started:
        if fell.value < CERTAIN * fell.sd or fell.value < ACTIVE * ratios.peak:
            return
        ratios.peak = max(ratios.peak, fell.value)
        if ratios.pairs and prior.offset_sd is None and silent(ratios, figure):
            ratios.leak = max(ratios.leak, fell.value - fell.sd)
            return
        ratios.leak = min(ratios.leak, fell.value)
    sd = math.hypot(fell.sd, prior.slope * figure.sd)
    ratios.pairs = [*ratios.pairs, (figure.value, max(fell.value, 0.0), sd)][-PAIRS_KEPT:]
    fit(ratios, prior)


def silent(ratios: Ratios, figure: Figure) -> bool:
    """Whether a counter says nothing any more, by what it said when it was busiest."""
    busiest = max((x for x, _, _ in ratios.pairs), default=0.0)
    return figure.value <= max(2.0 * figure.sd, 0.005 * busiest)


def fit(ratios: Ratios, prior: Prior) -> None:
    """The line through what was learned: as it is usual, and as it could be, by how likely the days make each.

    Two normals by their marginal likelihood, put together by their moments (textbook).
    """
    usual_sd = prior.offset_sd if prior.offset_sd is not None else TIGHT * max(ratios.peak, 0.005)
    loose_sd = prior.loose if prior.loose is not None else LOOSE * max(ratios.peak, 0.005)
    loose = _line(ratios, prior, loose_sd)
    usual = _line(ratios, prior, usual_sd)
    off, sd = loose.offset - prior.offset, math.sqrt(loose.offset_var)
    as_usual = USUAL * _density(off, math.hypot(sd, usual_sd))
    share = as_usual / (as_usual + (1.0 - USUAL) * _density(off, math.hypot(sd, loose_sd)) + 1e-300)
    slope = share * usual.slope + (1.0 - share) * loose.slope
    offset = share * usual.offset + (1.0 - share) * loose.offset
    ratios.slope, ratios.offset, ratios.misfit = slope, offset, loose.misfit
    ratios.slope_var = ratios.covariance = ratios.offset_var = 0.0
    for line, weight in ((usual, share), (loose, 1.0 - share)):
        ratios.slope_var += weight * (line.slope_var + (line.slope - slope) ** 2)
        ratios.covariance += weight * (line.covariance + (line.slope - slope) * (line.offset - offset))
        ratios.offset_var += weight * (line.offset_var + (line.offset - offset) ** 2)
    ratios.offset_var += GRAVITY_DRIFT**2 + prior.late**2


def _density(z: float, sd: float) -> float:
    return math.exp(-0.5 * (z / sd) ** 2) / sd


def _line(ratios: Ratios, prior: Prior, offset_sd: float) -> Line:
    """Least squares with a prior, outliers weighed down (Huber; textbook)."""
    slope, offset = prior.slope, prior.offset
    errors = [math.hypot(sd, (prior.rough + x / prior.crowded) * fell) for x, fell, sd in ratios.pairs]
    weights = [1.0] * len(errors)
    off: list[float] = []
    xx = x1 = one = 0.0
    for _ in range(4):
        xx, x1, one = prior.slope_sd**-2, 0.0, offset_sd**-2
        xy, y = prior.slope * xx, prior.offset * one
        for (x, fell, _), error, weight in zip(ratios.pairs, errors, weights, strict=True):
            w = weight / error**2 / OVERLAP
            xx, x1, one, xy, y = xx + w * x * x, x1 + w * x, one + w, xy + w * x * fell, y + w * fell
        determinant = xx * one - x1 * x1
        slope, offset = (one * xy - x1 * y) / determinant, (xx * y - x1 * xy) / determinant
        off = [(fell - slope * x - offset) / error for (x, fell, _), error in zip(ratios.pairs, errors, strict=True)]
        weights = [min(1.0, 2.0 / max(abs(z), 1e-9)) for z in off]
    misfit = max(BETTER, 1.4826 * median([abs(z) for z in off])) if len(off) >= PAIRS_LEAST else 1.0
    widen = misfit**2 / (xx * one - x1 * x1)
    return Line(slope, offset, one * widen, -x1 * widen, xx * widen, misfit)


# --- saying ------------------------------------------------------------------------------------------------------


def told(ratios: Ratios, figure: Figure, prior: Prior, beside: float) -> Figure:
    """The fall a day that a figure tells; `beside` is what else it may err by, SG a day."""
    x, slope, offset = figure.value, ratios.slope, ratios.offset
    if not ratios.pairs:
        slope, offset = prior.slope, prior.offset
        loose = prior.offset_sd if prior.offset_sd is not None else LOOSE * 0.01
        variance = (prior.slope_sd * x) ** 2 + loose**2
    elif prior.offset_sd is None and silent(ratios, figure):
        # Between nothing and all that may leak past it.
        least = max(offset, ratios.leak, 0.0)
        sd = math.hypot(least / 3.0, math.sqrt(ratios.offset_var), slope * figure.sd, beside)
        return Figure(least / 2.0, sd, figure.from_ms, figure.to_ms)
    else:
        variance = ratios.slope_var * x * x + 2.0 * ratios.covariance * x + ratios.offset_var
    value, rough = max(0.0, slope * x + offset), prior.rough + x / prior.crowded
    sd = math.hypot(math.sqrt(variance), slope * figure.sd, rough * ratios.misfit * value, beside)
    return Figure(value, sd, figure.from_ms, figure.to_ms)


@dataclass(frozen=True, slots=True)
class Falls:
    """How the gravity fell over the last day, and over the last two; None where not known."""

    day: Figure | None = None
    two_days: Figure | None = None


def falls(gravity: PointSource | None, now_ms: int, since_ms: int) -> Falls:
    """What the witnesses are held against."""
    day = fall(gravity, now_ms, since_ms)
    return Falls(day, fall(gravity, now_ms, since_ms, 2 * WINDOW_H) or day)


def weighed(found: Figure, falls: Falls) -> Figure | None:
    """The same beside the gravity: None where it says clearly less (it died, or it leaks).

    Where it says clearly more, the gravity may be stuck or the witness off: it counts for less.
    """
    if found.sd > USELESS:
        return None
    day, longer = falls.day, falls.two_days
    if day is not None and day.value - found.value > SLOWER * math.hypot(found.sd, day.sd):
        return None
    # A batch on its way to the end falls slower now than over two days, which are known better than one.
    if longer is not None and found.value - longer.value > FASTER * math.hypot(found.sd, longer.sd):
        return Figure(found.value, max(found.sd, (found.value - longer.value) / 1.645), found.from_ms, found.to_ms)
    return found


def due(ratios: Ratios, now_ms: int) -> bool:
    """Whether it is time to learn again."""
    return now_ms - ratios.learned_ms >= LEARN_EVERY


def warming(liquid: PointSource | None, now_ms: int, hours: int) -> float | None:
    """Kelvin a day by which the liquid warms; None where not known."""
    points = window(liquid, now_ms, hours, now_ms - (hours + 1) * HOUR) if liquid is not None else None
    found = change(points, hours, now_ms, 0.02) if points else None
    return found.value if found else None


def days(from_ms: int, to_ms: int) -> float:
    """A span in days."""
    return (to_ms - from_ms) / DAY
