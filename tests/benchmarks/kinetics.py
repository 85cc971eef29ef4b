"""How fermentable matter falls away in yeast time: published kinetics, none of which the monitor's estimator uses.

*Yeast time* is hours at 20 °C: an hour of the clock counts as much as the yeast works in it at its temperature, by the
cardinal temperature model (Rosso, Lobry & Flandrois 1993, J. Theor. Biol. 162:447, its form from memory) with the
figures that Salvadó et al. 2011 (Appl. Environ. Microbiol. 77:2292) measured for S. cerevisiae: optimum 32.3 °C, none
above 45.4 °C; 2.8 °C as lower end (from memory).

Each family gives `left(theta)`, the share of the fall that is still to come: 1 at first, towards 0 (or, where yeast
dies, towards more). Parameters drawn at random are marked by what they stand for; their ranges are a choice of this
benchmark where no source is named.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np

T_MIN, T_BEST, T_MAX = 2.8, 32.3, 45.4
GRAMS_PER_POINT = 2.1  # g of extract fermented in a litre for each 0.001 of apparent fall (Balling, real extract)
STEP = 0.25  # h of yeast time between points of a table
LONGEST = 2400.0  # h of yeast time
ALCOHOL = 0.48  # g of alcohol from a g of sugar, near the practical yield of 0.51 at most
SUGAR_SG = 0.000386  # SG for each g/L of sucrose (0.386 points: the usual figure in metric units, from memory)


def _cardinal(celsius: float) -> float:
    if not T_MIN < celsius < T_MAX:
        return 0.0
    above = celsius - T_MIN
    span = T_BEST - T_MIN
    bottom = span * (span * (celsius - T_BEST) - (T_BEST - T_MAX) * (T_BEST + T_MIN - 2.0 * celsius))
    return (celsius - T_MAX) * above * above / bottom


_AT_20 = _cardinal(20.0)


def speed(celsius: float) -> float:
    """Hours of yeast time in an hour at a temperature; 1 at 20 °C."""
    return _cardinal(celsius) / _AT_20


@dataclass(slots=True)
class Curve:
    """The share of the fall still to come, as a table over yeast time after the lag."""

    table: list[float]

    def left(self, theta: float) -> float:
        """At a moment of yeast time."""
        if theta <= 0.0:
            return self.table[0]
        at = theta / STEP
        i = int(at)
        if i >= len(self.table) - 1:
            return self.table[-1]
        return self.table[i] + (at - i) * (self.table[i + 1] - self.table[i])

    def when(self, left: float) -> float:
        """First moment at which no more than this is left; infinity where it never comes to that."""
        for i, value in enumerate(self.table):
            if value <= left:
                return i * STEP
        return math.inf


def _formula(rest: Callable[[np.ndarray], np.ndarray]) -> Curve:
    """A closed form made to start at exactly 1."""
    theta = np.arange(0.0, LONGEST, STEP)
    values = rest(theta)
    return Curve(list(values / values[0]))


# --- closed forms ------------------------------------------------------------------------------------------------


def logistic(rng: np.random.Generator) -> Curve:
    """4-parameter logistic (Speers, Rogers & Smith 2003, J. Inst. Brew. 109:229); slope × midpoint 2.5 to 8."""
    middle, steep = rng.uniform(28.0, 100.0), rng.uniform(2.5, 8.0)
    return _formula(lambda theta: _sigmoid(steep / middle * (theta - middle)))


def asymmetric(rng: np.random.Generator) -> Curve:
    """5-parameter logistic (same source): the end is slower or faster than the start, by the power s."""
    middle, steep, power = rng.uniform(28.0, 100.0), rng.uniform(3.0, 8.0), math.exp(rng.uniform(-1.0, 1.0))
    return _formula(lambda theta: _sigmoid(steep / middle * (theta - middle)) ** power)


def tailed(rng: np.random.Generator) -> Curve:
    """4-parameter logistic, and 2 to 12 % of the fall as an exponential tail of 24 to 120 h.

    The tail starts where the logistic is half through: the slow dextrin-like part that half of real batches show.
    """
    middle, steep = rng.uniform(28.0, 90.0), rng.uniform(3.0, 8.0)
    share, slow = rng.uniform(0.02, 0.12), rng.uniform(24.0, 120.0)

    def rest(theta: np.ndarray) -> np.ndarray:
        main = _sigmoid(steep / middle * (theta - middle))
        begun = np.cumsum(1.0 - main) * STEP  # how long the slow part has been worked at
        return (1.0 - share) * main + share * np.exp(-begun / slow)

    return _formula(rest)


def gompertz(rng: np.random.Generator) -> Curve:
    """Gompertz in the form of Zwietering et al. 1990 (Appl. Environ. Microbiol. 56:1875): a quick start, a long end."""
    fastest, lag = 1.0 / rng.uniform(40.0, 120.0), rng.uniform(4.0, 16.0)
    return _formula(lambda theta: 1.0 - np.exp(-np.exp(fastest * math.e * (lag - theta) + 1.0)))


def _sigmoid(x: np.ndarray) -> np.ndarray:
    return 1.0 / (1.0 + np.exp(np.clip(x, -500.0, 500.0)))


# --- differential equations --------------------------------------------------------------------------------------

State = tuple[float, ...]


def _solve(start: State, slopes: Callable[[State], State], sugar: Callable[[State], float], whole: float) -> Curve:
    return Curve([max(sugar(each), 0.0) / whole for each in _walk(start, slopes, sugar, whole)])


def _walk(start: State, slopes: Callable[[State], State], sugar: Callable[[State], float], whole: float) -> list[State]:
    """Midpoint rule; stops when all is gone or nothing moves any more."""
    found, state = [start], start
    while len(found) < LONGEST / STEP:
        first = slopes(state)
        half = tuple(max(x + 0.5 * STEP * v, 0.0) for x, v in zip(state, first, strict=True))
        state = tuple(max(x + STEP * v, 0.0) for x, v in zip(state, slopes(half), strict=True))
        found.append(state)
        if sugar(state) < 1e-4 * whole:
            break
    return found


def sequential(rng: np.random.Generator) -> Curve:
    """Glucose, maltose, maltotriose one after the other (Gee & Ramirez 1988, Biotechnol. Bioeng. 31:224).

    Each is taken up as V·S/(K + S), held back by what comes before it as K'/(K' + S'). Uptake of maltose and
    maltotriose must first be made ready (its time constant 6 to 30 h), so that a plateau stands in mid-curve. Shares
    and constants are drawn; the constants in the paper were fitted to its own pilot data.
    """
    glucose = rng.uniform(0.12, 0.5)
    triose = rng.uniform(0.05, 0.16)
    maltose = 1.0 - glucose - triose
    v1, v2, v3 = rng.uniform(0.02, 0.05), rng.uniform(0.012, 0.035), rng.uniform(0.004, 0.012)
    ready1, ready2 = rng.uniform(6.0, 30.0), rng.uniform(6.0, 24.0)
    grown, growth = rng.uniform(0.1, 0.3), rng.uniform(0.05, 0.12)
    hold1, hold2 = rng.uniform(0.004, 0.02), rng.uniform(0.01, 0.06)

    def slopes(state: State) -> State:
        g, m, n, yeast, can_m, can_n = state
        free = hold1 / (hold1 + g)
        freer = free * hold2 / (hold2 + m)
        return (
            -v1 * yeast * g / (0.02 + g),
            -v2 * yeast * can_m * free * m / (0.03 + m),
            -v3 * yeast * can_n * freer * n / (0.03 + n),
            growth * yeast * (1.0 - yeast),
            free * (1.0 - can_m) / ready1,
            freer * (1.0 - can_n) / ready2,
        )

    return _solve((glucose, maltose, triose, grown, 0.02, 0.02), slopes, lambda s: s[0] + s[1] + s[2], 1.0)


@dataclass(slots=True)
class Wash:
    """A sugar wash held back by its own alcohol, dry to the end; may be fed.

    Growth and alcohol as in Warren, Hill & Macdonald 1990 (Biotechnol. Prog. 6:319): half-saturation 0.245 g/L, growth
    ends at 101.6 g/L of alcohol with exponent 1.95, here limited by the nutrients of a plain wash; making alcohol goes
    on to 114 g/L (Ghose & Tyagi 1979, Biotechnol. Bioeng. 21:1401, from memory), or 8 to 50 % beyond what the sugar
    will give, because people choose a strain that can. With so small a half-saturation the end is abrupt: zero-order,
    then none; near the strain's limit it is slow.
    """

    rng: np.random.Generator
    dosed: float  # g/L of sugar so far
    meant: float  # g/L of sugar with all that will be fed
    curve: Curve = field(init=False)
    _states: list[State] = field(init=False)
    _from: float = 0.0
    _make: float = 0.0
    _grow: float = 0.0
    _most: float = 0.0
    _half: float = 0.245
    _limit: float = 114.0

    def __post_init__(self) -> None:
        self._most = self.rng.uniform(2.0, 5.0)  # g/L of yeast that the nutrients carry
        self._grow = 0.427 * self.rng.uniform(0.2, 0.6)  # a poor medium, and 20 °C
        days = self.rng.uniform(2.5, 8.0)
        self._make = self.dosed / (days * 24.0 * self._most * 0.6)  # g of sugar for each g of yeast and hour
        self._limit = max(114.0, ALCOHOL * self.meant * self.rng.uniform(1.08, 1.5))
        # At home yeast clumps and settles: the bulk runs dry a little before the corners (a choice, no source).
        self._half = 0.245 * self.rng.uniform(1.0, 20.0)
        self._begin((self.dosed, self.rng.uniform(0.1, 0.5), 0.0))

    def _begin(self, start: State) -> None:
        self._states = _walk(start, self._slopes, lambda s: s[0], self.dosed)
        self.curve = Curve([state[0] for state in self._states])

    def _slopes(self, state: State) -> State:
        sugar, yeast, alcohol = state
        share = sugar / (self._half + sugar)
        held = max(1.0 - alcohol / 101.6, 0.0) ** 1.95
        making = self._make * yeast * share * max(1.0 - alcohol / self._limit, 0.0)
        return (-making, self._grow * share * held * (1.0 - yeast / self._most) * yeast, ALCOHOL * making)

    def sugar(self, theta: float) -> float:
        """g/L left."""
        return self.curve.left(theta - self._from)

    def feed(self, theta: float, dose: float) -> None:
        """More sugar goes in (g/L)."""
        at = min(int((theta - self._from) / STEP), len(self._states) - 1)
        _, yeast, alcohol = self._states[at]
        self._begin((self.sugar(theta) + dose, yeast, alcohol))
        self._from, self.dosed = theta, self.dosed + dose


def nitrogen_limited(rng: np.random.Generator, fall: float) -> Curve:
    """Coleman, Fish & Block 2007 (Appl. Environ. Microbiol. 73:5875): little nitrogen, sluggish or stuck.

    Yeast grows on nitrogen, makes alcohol from sugar, and dies by alcohol; too little of it and sugar stays. Structure
    as published, constants of its order at 20 °C from memory.
    """
    sugar0 = fall / 0.001 * GRAMS_PER_POINT
    grow, half_n, yeast_per_n = 0.15 * rng.uniform(0.7, 1.2), 0.0095, 21.0
    make, half_s, alcohol_per_sugar = 0.36 * rng.uniform(0.8, 1.2), 10.5, 0.5
    die = 1.0e-4 * rng.uniform(0.6, 2.0)
    nitrogen = sugar0 / 207.0 * rng.uniform(0.045, 0.22)

    def slopes(state: State) -> State:
        sugar, yeast, n, alcohol = state
        growing = grow * n / (half_n + n) * yeast
        making = make * sugar / (half_s + sugar) * yeast
        return (-making / alcohol_per_sugar, growing - die * alcohol * yeast, -growing / yeast_per_n, making)

    return _solve((sugar0, rng.uniform(0.1, 0.4), nitrogen, 0.0), slopes, lambda s: s[0], sugar0)


CLOSED: Sequence[Callable[[np.random.Generator], Curve]] = (logistic, asymmetric, tailed, gompertz)
