"""How much is still to fall: the slow end of a fermentation, weighed against drift and temperature.

Near its end the fall that remains dies away like `B·exp(-t/tau)`. What a probe shows over the last days is that, plus
its own level, its answer to temperature, its drift, and what is left of the faster fall before. For each tau of a
grid the rest is linear, so it has an exact answer: Bayes' rule with normal priors, B not negative, and the grid weighed
by how well each tau explains what was seen (a Gaussian linear model; textbook). No slope test is needed, and "flat"
becomes what it should be: a probability that the end has been reached.

Witnesses that tell the rate of fall itself (gas, mass, heat) come in as further observations, each by its own error.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from operator import mul
from typing import Final

from monitor.science.trend import robust_sd

BIN_H: Final = 4.0
"""Hours of a bin: the fit looks at their means."""

SLOW_TAUS: Final = (45.0, 72.0, 115.0, 200.0)
"""Hours in which a slow tail falls to 1/e; the grid steps by about 1.6."""

FAST_TAUS: Final = (6.0, 10.0, 17.0, 28.0)
"""Hours in which the main fall dies away before it."""

CLOSE: Final = 0.001
"""SG: within this of where it ends, it has ended."""

SLOW: Final = 0.0005
"""SG a day: slower than this, to stay, it has ended as well."""

_Above = Callable[[float, "Branch"], float]


LEAST_BINS: Final = 6
WINDOWS: Final = (120.0, 84.0, 60.0, 44.0, 32.0)
LEAST_WEIGHT: Final = 2e-4  # of a branch: all that are lighter together change no verdict
EXPLAINED: Final = 1.6  # chi square per degree of freedom


@dataclass(frozen=True, slots=True)
class Priors:
    """What is believed before a probe is looked at; standard deviations."""

    rest: float = 0.005  # SG: what may remain of the slow tail
    done: float = 0.4  # probability that there is no slow tail at all
    drift: float = 0.00016  # SG a day: up to 0.002 a week
    per_kelvin: float = 0.00015  # SG/K
    shape: float = 0.25  # of its height above now: how far the fall before may be from the model's shape
    before: float = 0.02  # SG: of the faster fall at the start of the window
    roughness: float = 0.0002  # SG: what no bin's mean is better than


PRIORS: Final = Priors()


@dataclass(frozen=True, slots=True)
class Observed:
    """A rate of fall that something else than gravity tells, SG a day (falling is negative), over a span before now."""

    rate: float
    sd: float
    from_h: float  # hours before now
    to_h: float


@dataclass(frozen=True, slots=True)
class Branch:
    """One pair of time constants: its weight, and the normal posterior of what remains now (cut off below zero)."""

    tau: float  # h; 0: no slow tail
    weight: float
    mean: float
    sd: float
    fast_tau: float
    fast: float  # SG, what remains of the fast fall

    def above(self, rest: float) -> float:
        """Probability that more than `rest` (SG) of the slow tail remains now, given this branch."""
        if rest < 0.0:
            return 1.0
        if self.tau == 0.0:
            return 0.0
        whole = _above(self.mean, self.sd, 0.0)
        return min(1.0, _above(self.mean, self.sd, rest) / max(whole, 1e-12))

    def not_ended(self, hours: float) -> float:
        """Probability that the end is more than `hours` away."""
        left = self.fast * math.exp(-hours / self.fast_tau)
        if self.tau == 0.0:
            return 1.0 if left > CLOSE else 0.0
        return self.above((end_rest(self.tau) - left) * math.exp(min(hours / self.tau, 50.0)))

    def faster(self, rate: float, hours: float = 0.0) -> float:
        """Probability that `hours` from now it falls faster than `rate`, SG a day."""
        over = rate / 24.0 - self.fast / self.fast_tau * math.exp(-hours / self.fast_tau)
        if self.tau == 0.0:
            return 1.0 if over < 0.0 else 0.0
        return self.above(over * self.tau * math.exp(min(hours / self.tau, 50.0)))


@dataclass(frozen=True, slots=True)
class Tail:
    """What the last days tell of the end."""

    branches: tuple[Branch, ...]
    points: int
    span_h: float
    noise: float  # SG, of an hour
    misfit: float  # chi square per degree of freedom of the best branch, before it was allowed for
    unlevelled: tuple[Branch, ...] = ()  # the branches without what the level tells of the rest, where that was given

    def ended(self, within_h: float = 0.0) -> float:
        """Probability that by `within_h` hours from now it is within 0.001 of its end or slower than 0.0005 a day."""
        return 1.0 - sum(each.weight * each.not_ended(within_h) for each in self.branches)

    def slower(self, rate: float, hours: float = 0.0) -> float:
        """Probability that `hours` from now it falls slower than `rate`, SG a day."""
        return 1.0 - sum(each.weight * each.faster(rate, hours) for each in self.branches)

    def stands(self, rate: float, hours: float = 0.0) -> float:
        """The same by its course alone, wherever it should end: what stalled has a rest, and does not fall."""
        return 1.0 - sum(each.weight * each.faster(rate, hours) for each in self.unlevelled or self.branches)

    def rest(self, share: float) -> float:
        """Quantile of what remains, SG."""
        return _quantile(self.branches, share, lambda value, each: each.above(value - each.fast), 0.1)

    def hours(self, share: float) -> float:
        """Quantile of the hours until the end; 0 where it has been reached."""
        return _quantile(self.branches, share, lambda value, each: each.not_ended(value), 2000.0)

    def rate(self, share: float) -> float:
        """Quantile of the present rate of fall, SG a day, as a positive figure."""
        return _quantile(self.branches, share, lambda value, each: each.faster(value), 0.2)


def _quantile(branches: Sequence[Branch], share: float, above: _Above, most: float) -> float:
    low, high = 0.0, most
    for _ in range(11):
        middle = 0.5 * (low + high)
        if sum(each.weight * above(middle, each) for each in branches) > 1.0 - share:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def fit(
    points: Sequence[tuple[float, float]],
    now_h: float,
    warmth: Sequence[float | None] = (),
    priors: Priors = PRIORS,
    observed: Sequence[Observed] = (),
    *,
    rest: tuple[float, float] | None = None,
    noise: float | None = None,
    windows: Sequence[float] = WINDOWS,
    least: int = LEAST_BINS,
) -> Tail | None:
    """Weigh hourly gravities (hours, SG) before `now_h`; None with fewer than `least` bins of four hours.

    The longest of the `windows` (h) is taken that the model explains: what came before may have been another fall.
    `warmth` is the liquid's temperature at each point (Cel, None where not known). `rest` is what the level itself
    tells of what remains, with its standard deviation (SG): the distance to an expected end, negative below it.
    `noise` is the standard deviation of an hour (SG), else taken from second differences. Cost: 0.3 ms for each
    window that is tried.
    """
    if noise is None:
        noise = hourly_noise([value for _, value in points])
    first = next((i for i, (at, _) in enumerate(points) if at > now_h - windows[0]), len(points))
    bins = _bins(points[first:], now_h, warmth[first:])
    columns = _Columns(bins, noise, priors)
    found: Tail | None = None
    for span in windows:
        first = next((i for i, x in enumerate(columns.xs) if x > -span), len(columns.xs))
        count = len(columns.xs) - first
        if count < max(
            least, span / BIN_H / 2.0 if least == LEAST_BINS and found is None and span > windows[-1] else 0.0
        ):
            continue
        parts = columns.parts(first, priors)
        hours = sum(n for _, _, _, n in bins[first:])
        about = (hours, -columns.xs[first], noise)
        freedom = count - columns.nuisances() - 2
        found = _posterior(parts, freedom, priors, (observed, rest), about)
        if found.misfit < EXPLAINED:
            break
    if found is None or rest is None:
        return found
    return replace(found, unlevelled=_posterior(parts, freedom, priors, (observed, None), about).branches)


class _Columns:
    """The columns of the regression over all bins, oldest first; a window takes the end of each."""

    def __init__(self, bins: list[tuple[float, float, float, int]], noise: float, priors: Priors) -> None:
        self.xs = [x for x, _, _, _ in bins]
        level = bins[-1][1] if bins else 0.0
        self.ys = [y - level for _, y, _, _ in bins]
        low = sum(self.ys[-3:]) / max(len(self.ys[-3:]), 1)
        self.weights = [
            1.0 / (noise * noise / n + priors.roughness**2 + (priors.shape * max(y - low - CLOSE, 0.0)) ** 2)
            for y, (_, _, _, n) in zip(self.ys, bins, strict=True)
        ]
        self.days = [x / 24.0 for x in self.xs]
        self.warm = [t for _, _, t, _ in bins]
        self.slow = [[math.exp(-x / tau) for x in self.xs] for tau in SLOW_TAUS]
        self.fast = [[math.exp(-x / tau) for x in self.xs] for tau in FAST_TAUS]

    def nuisances(self) -> int:
        """How many columns there are beside the two falls."""
        return 3 if any(self.warm) else 2

    def parts(self, first: int, priors: Priors) -> list[_Part]:
        """What each pair of time constants finds in the bins from `first` on."""
        common = [[1.0] * (len(self.xs) - first), self.days[first:]]
        shrink = [1e-6, 1.0 / priors.drift**2]
        if any(self.warm):
            common.append(self.warm[first:])
            shrink.append(1.0 / priors.per_kelvin**2)
        slow = [column[first:] for column in self.slow]
        ys, weights = self.ys[first:], self.weights[first:]
        found: list[_Part] = []
        for tau, whole in zip(FAST_TAUS, self.fast, strict=True):
            fade = math.exp(self.xs[first] / tau)
            fast = [value * fade for value in whole[first:]]
            found.extend(_parts([*common, fast], [*shrink, 1.0 / priors.before**2], slow, ys, weights, (tau, fade)))
        return found


_Part = tuple[float, float, float, float, float, float]  # fast tau, slow tau, ee, ey, yy, fast rest now


def _parts(
    common: list[list[float]],
    shrink: list[float],
    slow: list[list[float]],
    ys: list[float],
    weights: list[float],
    about: tuple[float, float],
) -> list[_Part]:
    """What each slow column finds once all others are projected out (partitioned regression)."""
    weighted = [[w * v for w, v in zip(weights, column, strict=True)] for column in common]
    gram = [[_dot(a, b) for b in common] for a in weighted]
    for i, value in enumerate(shrink):
        gram[i][i] += value
    root = _cholesky(gram)
    wy = [w * y for w, y in zip(weights, ys, strict=True)]
    cy = _solve_lower(root, [_dot(column, ys) for column in weighted])
    yy = _dot(wy, ys) - _dot(cy, cy)
    last = len(common) - 1  # the fast fall: its coefficient comes first in back substitution
    fast_tau, fade = about
    found = []
    for tau, column in zip(SLOW_TAUS, slow, strict=True):
        ce = _solve_lower(root, [_dot(each, column) for each in weighted])
        ey = _dot(wy, column) - _dot(ce, cy)
        ee = sum(w * v * v for w, v in zip(weights, column, strict=True)) - _dot(ce, ce)
        rest = max(ey, 0.0) / ee if ee > 0.0 else 0.0
        fast = max((cy[last] - ce[last] * rest) / root[last][last], 0.0) * fade
        found.append((fast_tau, tau, max(ee, 1e-9), ey, yy, fast))
    found.append((fast_tau, 0.0, 0.0, 0.0, yy, max(cy[last] / root[last][last], 0.0) * fade))
    return found


def _posterior(
    found: list[_Part],
    freedom: int,
    priors: Priors,
    others: tuple[Sequence[Observed], tuple[float, float] | None],
    about: tuple[int, float, float],
) -> Tail:
    best = min(yy - (max(ey, 0.0) ** 2) / ee if ee > 0.0 else yy for _, _, ee, ey, yy, _ in found)
    misfit = max(best, 0.0) / max(freedom, 2)
    scale = max(1.0, misfit)  # what no branch explains is noise that was not counted: correlated, or a bad model
    observed, level = others
    rest_precision = 1.0 / priors.rest**2
    level_precision = 1.0 / level[1] ** 2 if level is not None else 0.0
    over = level[0] if level is not None else 0.0
    logs, branches = [], []
    for fast_tau, tau, ee_raw, ey_raw, yy, fast in found:
        if tau == 0.0:
            idle = yy / scale + sum(each.rate**2 / each.sd**2 for each in observed) + level_precision * over**2
            logs.append(-0.5 * idle + math.log(max(priors.done, 1e-12) / len(FAST_TAUS)))
            branches.append((fast_tau, tau, 0.0, 0.0, fast))
            continue
        ee, ey = ee_raw / scale + level_precision, ey_raw / scale + level_precision * over
        miss = yy / scale + level_precision * over**2
        for each in observed:
            lever, precision = _rate_lever(tau, each), 1.0 / each.sd**2
            ee += precision * lever * lever
            ey -= precision * lever * each.rate
            miss += precision * each.rate**2
        precision = ee + rest_precision
        mean, sd = ey / precision, 1.0 / math.sqrt(precision)
        log = -0.5 * (miss - ey * ey / precision)
        log += math.log(2.0 * max(_above(mean, sd, 0.0), 1e-300) * sd / priors.rest)
        logs.append(log + math.log((1.0 - priors.done) / len(SLOW_TAUS) / len(FAST_TAUS)))
        branches.append((fast_tau, tau, mean, sd, fast))
    top = max(logs)
    shares = [math.exp(log - top) for log in logs]
    total = sum(shares)
    points, span, noise = about
    return Tail(
        tuple(
            Branch(tau, share / total, mean, sd, fast_tau, fast)
            for (fast_tau, tau, mean, sd, fast), share in zip(branches, shares, strict=True)
            if share > LEAST_WEIGHT * total
        ),
        points,
        span,
        noise,
        misfit,
    )


def _rate_lever(tau: float, seen: Observed) -> float:
    """Mean fall in SG a day over the witness's span for each SG that remains now."""
    return 24.0 * (math.exp(seen.from_h / tau) - math.exp(seen.to_h / tau)) / (seen.from_h - seen.to_h)


def _bins(
    points: Sequence[tuple[float, float]], now_h: float, warmth: Sequence[float | None]
) -> list[tuple[float, float, float, int]]:
    """(mean hours from now, mean gravity, temperature less its mean, points) of each bin, oldest first."""
    known = [t for t in warmth if t is not None]
    usual = sum(known) / len(known) if known else 0.0
    temperatures = warmth if known else [None] * len(points)
    sums: dict[int, list[float]] = {}
    for (at, value), t in zip(points, temperatures, strict=True):
        x = at - now_h
        each = sums.setdefault(int(x / BIN_H), [0.0, 0.0, 0.0, 0])
        each[0] += x
        each[1] += value
        each[2] += (t if t is not None else usual) - usual
        each[3] += 1
    return [(x / n, y / n, t / n, int(n)) for _, (x, y, t, n) in sorted(sums.items())]


def hourly_noise(values: Sequence[float]) -> float:
    """Standard deviation of an hour (SG) from second differences: a fall that changes its pace is no noise."""
    steps = [b - a for a, b in pairwise(values)]
    bends = [b - a for a, b in pairwise(steps)]
    return max(robust_sd(bends, 1e-4) / math.sqrt(6.0), 7e-5) if len(bends) >= 3 else 0.001


def _dot(a: Sequence[float], b: Sequence[float]) -> float:
    total: float = sum(map(mul, a, b))
    return total


def _cholesky(matrix: list[list[float]]) -> list[list[float]]:
    size = len(matrix)
    root = [[0.0] * size for _ in range(size)]
    for i in range(size):
        for j in range(i + 1):
            rest = matrix[i][j] - sum(root[i][k] * root[j][k] for k in range(j))
            root[i][j] = math.sqrt(max(rest, 1e-30)) if i == j else rest / root[j][j]
    return root


def _solve_lower(root: list[list[float]], right: list[float]) -> list[float]:
    found: list[float] = []
    for row, value in zip(root, right, strict=True):
        found.append((value - _dot(row[: len(found)], found)) / row[len(found)])
    return found


def end_rest(tau: float) -> float:
    """What may remain (SG) when the end counts as reached, for a tail of `tau` hours."""
    return max(CLOSE, SLOW / 24.0 * tau)


def _above(mean: float, sd: float, value: float) -> float:
    return 0.5 * math.erfc((value - mean) / (sd * math.sqrt(2.0)))
