"""The truth of one simulated batch, hour by hour, and when by definition it had ended or stalled.

Every hour the yeast works as fast as the liquid's temperature lets it and as a brake (a stall or a pause) leaves it.
The liquid follows the air of the room or, chilled, of a fridge; it is warmed by the fermentation itself: 0.56 MJ for
each kg of extract (about the 587 kJ/kg of maltose measured in industry, from memory), in 19 litres of a plastic bucket
that lets 1.5 to 2.8 W through for each K (0.45 m² and a natural-convection film, common practice, no source).

Definitions. *True end*: the first hour from which gravity stays within 0.001 of the asymptote, or falls less than
0.0005 in the following day and to stay, if what is left in the end is less than 0.004. While a batch is still to be
fed, to go on after a stall or pause, or is cold though it had not ended before the chill, the slow rate alone never
counts. *Stall*: the yeast comes to rest 0.004 or more above the asymptote; `stall_hour` is the first hour from which it
falls less than 0.0005 in a day, `dying_hour` the one in which its dying began, `resume_hour` the first in which it
falls that much again. A yeast that dies out for want of nitrogen above 0.004 is a stall too: its dying begins where it
falls less than 0.001 in a day. *Crawl*: it has ended by its rate, but is still 0.004 or more above the asymptote: both
`finished` and `stalled` (or very slow) are taken for true. *Pause*: a standstill that ends by itself after 10 to 36 h;
saying `stalled` in it is false.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from tests.benchmarks import kinetics
from tests.benchmarks.kinetics import GRAMS_PER_POINT, SUGAR_SG, Curve, Wash

NEAR = 0.001
SLOW = 0.0005  # SG a day
LEAST_STALL = 0.004
LONGEST_H = 45 * 24
HEAT = 0.56e6  # J for each kg of extract
LITRES = 19.0
HEAT_CAPACITY = LITRES * 4.1e3  # J/K, a wash
AIR_COLDEST = 6.0

FAMILIES = {
    "logistic": 12,
    "asymmetric": 12,
    "tailed": 20,
    "gompertz": 8,
    "sequential": 10,
    "dry": 12,
    "nitrogen": 8,
    "fed": 6,
    "chilled": 8,
    "chilled-after": 4,
}


@dataclass(frozen=True, slots=True)
class Addition:
    """Sugar that was announced: from which hour after pitching, by how much it lifts gravity, over how many hours."""

    hour: int
    rise: float
    dissolves_h: int
    known: bool  # whether the rise is told with it


@dataclass(slots=True)
class Truth:
    """Hourly, from pitching (index 0) on; gravities SG, temperatures Cel, hours after pitching."""

    family: str
    original: float
    gravity: np.ndarray
    final: float  # the asymptote: where all that can ferment has
    liquid: np.ndarray
    air: np.ndarray  # of the room, or of the fridge while chilled
    set_c: float  # where the air was meant to be kept
    hours: int = 0  # how long it is watched
    true_end: int | None = None
    dying_hour: int | None = None
    stall_hour: int | None = None
    stall_height: float | None = None
    resume_hour: int | None = None
    crawl: tuple[int, int] | None = None
    pause: tuple[int, int] | None = None
    chill_hour: int | None = None
    warm_hour: int | None = None
    additions: list[Addition] = field(default_factory=list)

    def outcome(self) -> str:
        """ends, stalls (and stays), cold (never ended) or unfinished within the longest watch."""
        if self.true_end is not None:
            return "ends"
        if self.stall_hour is not None:
            return "stalls"
        return "cold" if self.chill_hour is not None else "unfinished"

    def stalled_at(self, hour: float) -> bool:
        """Whether `stalled` is true at an hour: from its dying on until it goes on, or in a crawl."""
        if self.crawl is not None and self.crawl[0] <= hour < self.crawl[1]:
            return True
        start = self.dying_hour if self.dying_hour is not None else self.stall_hour
        return start is not None and start <= hour and (self.resume_hour is None or hour < self.resume_hour)


@dataclass(slots=True)
class _Plan:
    """What will befall a batch, by how far it has fallen."""

    stall_height: float | None = None
    dying_h: float = 0.0
    dying_from: float | None = None
    resume_after_h: float | None = None
    resume_speed: float = 0.0
    pause_left: float | None = None  # share of the fall
    pause_h: float = 0.0
    pause_speed: float = 0.0
    chill_left: float | None = None
    chill_at: float | None = None
    chill_c: float = 4.0
    chill_tau_h: float = 6.0
    warm_after_h: float | None = None
    feed_left: list[tuple[float, float]] = field(default_factory=list)  # share of what was dosed, SG


def simulate(rng: np.random.Generator, family: str) -> Truth:
    """One batch of a family."""
    original, attenuation = _strength(rng, family)
    fall = attenuation * (original - 1.0)
    plan = _plan(rng, family, fall)
    source = _source(rng, family, fall, (original, sum(rise for _, rise in plan.feed_left)))
    weather = _weather(rng)
    truth = _run(rng, family, original, attenuation, source, plan, weather)
    if family == "chilled-after":  # the same batch, chilled once it has ended
        _define(truth, plan)
        if truth.true_end is not None:
            plan.chill_at = truth.true_end + rng.uniform(12.0, 60.0)
            truth = _run(rng, family, original, attenuation, source, plan, weather)
    _define(truth, plan)
    return truth


def _strength(rng: np.random.Generator, family: str) -> tuple[float, float]:
    """Original gravity and apparent attenuation."""
    if family == "dry":
        return rng.uniform(1.050, 1.095), rng.uniform(1.0, 1.18)
    if family == "fed":
        return rng.uniform(1.040, 1.065), rng.uniform(1.02, 1.14)
    if family == "nitrogen":
        return rng.uniform(1.060, 1.105), rng.uniform(0.98, 1.12)
    if family == "sequential":
        return rng.uniform(1.040, 1.090), rng.uniform(0.70, 0.88)
    return rng.uniform(1.040, 1.110), rng.uniform(0.66, 0.86)


def _source(rng: np.random.Generator, family: str, fall: float, sweet: tuple[float, float]) -> Curve | Wash:
    """`sweet`: original gravity, and by how much feeding will lift it."""
    if family in ("dry", "fed"):
        return Wash(rng, (sweet[0] - 1.0) / SUGAR_SG, (sweet[0] - 1.0 + sweet[1]) / SUGAR_SG)
    if family == "nitrogen":
        return kinetics.nitrogen_limited(rng, fall)
    if family == "sequential":
        return kinetics.sequential(rng)
    named = {"logistic": kinetics.logistic, "asymmetric": kinetics.asymmetric, "tailed": kinetics.tailed,
             "gompertz": kinetics.gompertz}  # fmt: skip
    if family in named:
        return named[family](rng)
    return kinetics.CLOSED[int(rng.integers(len(kinetics.CLOSED)))](rng)


def _plan(rng: np.random.Generator, family: str, fall: float) -> _Plan:
    plan = _Plan()
    if family == "fed":
        times = int(rng.integers(1, 5))
        plan.feed_left = [(rng.uniform(0.06, 0.4), rng.uniform(0.008, 0.02)) for _ in range(times)]
    if family in ("chilled", "chilled-after"):
        plan.chill_c, plan.chill_tau_h = rng.uniform(1.0, AIR_COLDEST), rng.uniform(4.0, 9.0)
    if family == "chilled":
        plan.chill_left = rng.uniform(0.03, 0.20)
        plan.warm_after_h = rng.uniform(96.0, 330.0) if rng.random() < 0.4 else None
    luck = rng.random()
    if family in ("chilled", "chilled-after", "nitrogen"):
        return plan
    if luck < 0.19:
        plan.stall_height = rng.uniform(LEAST_STALL + 0.0003, 0.55 * fall)
        plan.dying_h = rng.uniform(2.0, 14.0)
        if rng.random() < 0.3:
            plan.resume_after_h, plan.resume_speed = rng.uniform(72.0, 240.0), rng.uniform(0.1, 0.5)
    elif luck < 0.27:
        plan.pause_left, plan.pause_h = rng.uniform(0.12, 0.85), rng.uniform(10.0, 36.0)
        plan.pause_speed = rng.uniform(0.0, 0.1)
    return plan


@dataclass(slots=True)
class _Weather:
    air: np.ndarray
    through: float  # W/K
    set_c: float


def _weather(rng: np.random.Generator) -> _Weather:
    """The air: a mean, a day and a night, and a slow wander; what the liquid keeps of a day is 0.5 to 3 K."""
    hours = np.arange(LONGEST_H + 49)
    through = rng.uniform(1.5, 2.8)
    tau_h = HEAT_CAPACITY / through / 3600.0
    kept = 1.0 / math.hypot(1.0, 2.0 * math.pi * tau_h / 24.0)
    swing = min(rng.uniform(0.5, 3.0) / kept, 10.0)
    set_c = rng.uniform(15.0, 24.0)
    steps = rng.normal(0.0, 0.12, hours.size)
    wander = np.zeros(hours.size)
    for i in range(1, hours.size):
        wander[i] = 0.985 * wander[i - 1] + steps[i]
    phase = rng.uniform(0.0, 24.0)
    return _Weather(set_c + wander + 0.5 * swing * np.sin(2.0 * math.pi * (hours - phase) / 24.0), through, set_c)


def _run(
    rng: np.random.Generator,
    family: str,
    original: float,
    attenuation: float,
    source: Curve | Wash,
    plan: _Plan,
    weather: _Weather,
) -> Truth:
    """Hour by hour; `rng` decides only what a feeding is like."""
    count = weather.air.size
    fall = attenuation * (original - 1.0)
    final = original - fall
    gravity, liquid, air = np.empty(count), np.empty(count), weather.air.copy()
    truth = Truth(family, original, gravity, final, liquid, air, weather.set_c)
    lag, theta, warmth = _lag(rng, source), 0.0, weather.set_c + rng.uniform(-1.0, 2.0)
    feeds, dissolving = list(plan.feed_left), []
    plan.dying_from = None
    now = before = original
    for hour in range(count):
        if isinstance(source, Wash):
            final = 1.0 - (attenuation - 1.0) * source.dosed * SUGAR_SG
            now = final + source.sugar(theta - lag) * SUGAR_SG * attenuation
        else:
            now = final + fall * source.left(theta - lag)
        gravity[hour], liquid[hour] = now, warmth
        fell = max(before - now, 0.0)
        left = (now - final) / fall
        if isinstance(source, Wash):
            left = source.sugar(theta - lag) / source.dosed
            if feeds and left < feeds[0][0] and not dissolving:
                rise, dissolves = feeds.pop(0)[1], int(rng.integers(1, 5))
                truth.additions.append(Addition(hour, rise, dissolves, bool(rng.random() < 0.5)))
                dissolving = [rise / SUGAR_SG / dissolves] * dissolves
            if dissolving:
                source.feed(theta - lag, dissolving.pop())
        _befall(plan, truth, hour, now - final, left, fell)
        chilled = truth.chill_hour is not None and (truth.warm_hour is None or hour < truth.warm_hour)
        if chilled:
            air[hour] = plan.chill_c + 0.3 * math.sin(hour)
        through = HEAT_CAPACITY / 3600.0 / plan.chill_tau_h if chilled else weather.through
        theta += kinetics.speed(warmth) * _brake(plan, truth, hour)
        heat = fell / 0.001 * GRAMS_PER_POINT * 1e-3 * LITRES * HEAT
        settled = air[hour] + heat / 3600.0 / through
        warmth = settled + (warmth - settled) * math.exp(-3600.0 * through / HEAT_CAPACITY)
        before = gravity[hour]
    truth.final = final
    return truth


def _lag(rng: np.random.Generator, source: Curve | Wash) -> float:
    """Yeast time before its curve starts, so that 2 % has fallen 4 to 36 h after pitching, or when the curve has it."""
    wanted = rng.uniform(4.0, 36.0)
    curve, whole = (source.curve, source.dosed) if isinstance(source, Wash) else (source, 1.0)
    return max(0.0, wanted - curve.when(0.98 * whole))


def _befall(plan: _Plan, truth: Truth, hour: int, height: float, left: float, fell: float) -> None:
    """Start what is due at this height."""
    fed = len(truth.additions) == len(plan.feed_left)
    if (
        plan.stall_height is not None and truth.dying_hour is None and fed
        and height <= plan.stall_height + 0.5 * plan.dying_h * fell
    ):  # fmt: skip
        truth.dying_hour = hour
        if plan.resume_after_h is not None:
            truth.resume_hour = hour + round(plan.dying_h + plan.resume_after_h)
    if plan.pause_left is not None and truth.pause is None and left <= plan.pause_left:
        truth.pause = (hour, hour + round(plan.pause_h))
    due = plan.chill_at is not None and hour >= plan.chill_at
    if truth.chill_hour is None and (due or (plan.chill_left is not None and left <= plan.chill_left)):
        truth.chill_hour = hour
        truth.warm_hour = hour + round(plan.warm_after_h) if plan.warm_after_h is not None else None


def _brake(plan: _Plan, truth: Truth, hour: int) -> float:
    if truth.pause is not None and truth.pause[0] <= hour < truth.pause[1]:
        return plan.pause_speed
    if truth.dying_hour is None:
        return 1.0
    if truth.resume_hour is not None and hour >= truth.resume_hour:
        return plan.resume_speed * min(1.0, (hour - truth.resume_hour + 1) / 24.0)
    done = min(1.0, (hour - truth.dying_hour) / plan.dying_h)
    return 0.5 + 0.5 * math.cos(math.pi * done)


# --- the definitions ---------------------------------------------------------------------------------------------


def _define(truth: Truth, plan: _Plan) -> None:
    """Write down the true end and the stall, and how long the batch is watched."""
    truth.hours = LONGEST_H
    not_before = max((each.hour + each.dissolves_h for each in truth.additions), default=0)
    if truth.resume_hour is not None:
        not_before = max(not_before, truth.resume_hour + 24)
    if truth.pause is not None:
        not_before = max(not_before, truth.pause[1])
    cold = None
    if truth.chill_hour is not None and plan.chill_at is None:
        cold = (truth.chill_hour, truth.warm_hour + 24 if truth.warm_hour is not None else LONGEST_H + 49)
    truth.true_end = true_end(truth.gravity, truth.final, not_before, cold)
    truth.stall_hour = truth.stall_height = None
    if truth.true_end is not None and truth.gravity[truth.true_end] - truth.final >= LEAST_STALL:
        high = np.flatnonzero(truth.gravity - truth.final >= LEAST_STALL)
        truth.crawl = (truth.true_end, int(high[-1]) + 1)
    if truth.dying_hour is not None or (truth.true_end is None and truth.family == "nitrogen"):
        _define_stall(truth)
    last = truth.true_end if truth.true_end is not None else LONGEST_H
    if truth.true_end is not None:
        truth.hours = min(LONGEST_H, last + 240)
    elif truth.stall_hour is not None and truth.resume_hour is None:
        truth.hours = min(LONGEST_H, truth.stall_hour + 336)
    elif truth.chill_hour is not None and truth.warm_hour is None:
        truth.hours = min(LONGEST_H, truth.chill_hour + 336)
    if truth.true_end is not None and truth.true_end >= truth.hours:
        truth.true_end = None


def true_end(gravity: np.ndarray, final: float, not_before: int = 0, cold: tuple[int, int] | None = None) -> int | None:
    """First hour from which it has ended to stay; None where that does not come. See the module for the definition."""
    height = gravity - final
    fall = np.append(gravity[:-24] - gravity[24:], np.full(24, gravity[-25] - gravity[-1]))
    hours = np.arange(gravity.size)
    slow = (fall < SLOW) & (hours >= not_before) & bool(height[-1] < LEAST_STALL)
    if cold is not None:
        slow &= (hours < cold[0]) | (hours >= cold[1])
    ended = ((height < NEAR) & (hours >= not_before)) | slow
    if not ended[-1]:
        return None
    not_yet = np.flatnonzero(~ended)
    return int(not_yet[-1]) + 1 if not_yet.size else 0


def _define_stall(truth: Truth) -> None:
    until = truth.resume_hour if truth.resume_hour is not None else truth.gravity.size - 25
    fall = truth.gravity[:-24] - truth.gravity[24:]
    start = truth.dying_hour or 0
    moving = np.flatnonzero(fall[start : max(until - 24, start)] >= SLOW)
    at = start + int(moving[-1]) + 1 if moving.size else start
    height = float(truth.gravity[min(until, truth.gravity.size - 1)] - truth.final)
    if height < LEAST_STALL or at >= until:  # it had all but ended when it died
        truth.dying_hour = truth.resume_hour = None
        return
    truth.stall_hour, truth.stall_height = at, height
    if truth.dying_hour is None:
        quick = np.flatnonzero(fall[:at] >= 2.0 * SLOW)
        truth.dying_hour = int(quick[-1]) + 1 if quick.size else 0
    if truth.resume_hour is not None:
        again = np.flatnonzero(fall[truth.resume_hour :] >= SLOW)
        truth.resume_hour += int(again[0]) if again.size else 0
