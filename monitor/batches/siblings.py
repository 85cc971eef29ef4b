"""Two batches beside each other, aligned at pitch: what differs, and whether it is more than the noise.

A difference is called *beyond the noise* when it is larger than 1.96 joint standard errors. The errors are those of
measuring: the scatter of a probe round its own smooth curve, how far apart readings lie, what a hydrometer or an eye
can tell. They say nothing of how alike two buckets of the same recipe are, so that one pair proves no cause.

The curve of a batch is smoothed by straight lines over half a day. Its errors come from a parametric bootstrap (Efron
& Tibshirani 1993, An Introduction to the Bootstrap, from memory): noise like its own is put on the smooth curve again
and again. Noise under a float lasts for hours, so it is drawn as a first-order autoregression, its size and memory
taken from how the readings scatter, above all after the fall. Noise that lasts for days cannot be told from a fall.
A crossing between two readings that lie far apart is taken to be anywhere between them with the same probability.
"""

from __future__ import annotations

import math
import random
import statistics
from bisect import bisect_left, bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Final, Literal

from monitor.science import alcohol

Z95: Final = 1.96
LAG_FALL: Final = 0.003
"""SG: fallen by so much, a batch has started: three times what a hydrometer shows of noise."""

SMOOTH_H: Final = 12.0
RATE_H: Final = 24.0
START_H: Final = 6.0
"""Where a curve starts is the mean of its first hours."""

REST_LEAST: Final = 36
"""Readings after 97 % of the fall, from which on the noise is taken from them."""

MOST_MEMORY: Final = 0.97
LEAST_POINTS: Final = 12
LATE_H: Final = 24.0
"""A curve that begins later than this after pitch does not show the start of the fall."""

THERMOMETER_ERROR: Final = 0.5 / Z95
"""K: thermometers of this kind are good to about 0.5 K (common practice, no source)."""

Name = Literal["lag", "top rate", "half", "nine tenths", "strength", "clearing", "sediment", "warmth"]
UNITS: Final[dict[Name, str]] = {
    "lag": "h", "top rate": "SG a day", "half": "h", "nine tenths": "h", "strength": "% by volume",
    "clearing": "h", "sediment": "% of its volume", "warmth": "°C",
}  # fmt: skip
TITLES: Final[dict[Name, str]] = {
    "lag": "until it had fallen by 0.003",
    "top rate": "fastest fall over a day",
    "half": "until half of its fall",
    "nine tenths": "until 90 % of its fall",
    "strength": "strength at the end",
    "clearing": "from the second finings until seen clear",
    "sediment": "left behind at racking",
    "warmth": "mean temperature until 90 % of its fall",
}
DIGITS: Final[dict[Name, int]] = {
    "lag": 1, "top rate": 4, "half": 1, "nine tenths": 1, "strength": 2, "clearing": 1, "sediment": 1, "warmth": 1,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Measured:
    """A value and its standard error."""

    value: float
    error: float


@dataclass(frozen=True, slots=True)
class Point:
    """Gravity (SG 20/20) at a time since pitch (h), with the standard error that a reading by itself has."""

    hours: float
    gravity: float
    error: float


@dataclass(frozen=True, slots=True)
class Course:
    """What is known of a batch. Curves about hourly, in order of time."""

    name: str
    points: tuple[Point, ...] = ()
    warmth: tuple[tuple[float, float], ...] = ()
    """Hours since pitch and Cel."""
    done: bool = False
    """Its fall is over: finished, stalled, racked to clear, closed."""
    fed: bool = False
    """Sugar went in on the way."""
    no_strength: str = ""
    """Why its strength is not known, where its gravities do not tell it."""
    original: Measured | None = None
    final: Measured | None = None
    clearing_h: tuple[float, float] | None = None
    """Hours from the second part of the finings: the last look that did not say clear, and the first that did."""
    volume_l: Measured | None = None
    """Before racking."""
    loss_l: Measured | None = None
    """Left behind at racking."""


@dataclass(frozen=True, slots=True)
class Difference:
    """One thing held side by side; `by` is the second less the first, `error` its joint standard error."""

    name: Name
    unit: str
    first: Measured | None
    second: Measured | None
    by: float | None
    error: float | None
    beyond: bool | None
    """Whether it is more than the noise; None where it cannot be said."""
    missing: str = ""
    """Why there is nothing to compare."""


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two batches, what differs, and that in words."""

    first: str
    second: str
    rows: tuple[Difference, ...]
    summary: str


def compare(first: Course, second: Course, *, seed: int = 1, rounds: int = 200) -> Comparison:
    """Hold two batches beside each other. The same courses and seed give the same answer."""
    one, two = _traits(first, seed, rounds), _traits(second, seed + 1, rounds)
    rows = tuple(_difference(name, one, two) for name in TITLES)
    return Comparison(first.name, second.name, rows, _summary(first.name, second.name, rows))


def measure(course: Course, *, seed: int = 1, rounds: int = 200) -> dict[Name, Measured]:
    """What one batch did, as far as it is known."""
    return dict(_traits(course, seed, rounds).found)


def _difference(name: Name, one: _Traits, two: _Traits) -> Difference:
    a, b = one.found.get(name), two.found.get(name)
    if a is None or b is None:
        missing = [f"{each.name}: {each.missing[name]}" for each in (one, two) if name not in each.found]
        return Difference(name, UNITS[name], a, b, None, None, None, "; ".join(missing))
    by, error = b.value - a.value, math.hypot(a.error, b.error)
    return Difference(name, UNITS[name], a, b, by, error, abs(by) > Z95 * error)


# --- what one batch did ------------------------------------------------------------------------------------------


@dataclass(slots=True)
class _Traits:
    name: str
    found: dict[Name, Measured] = field(default_factory=dict)
    missing: dict[Name, str] = field(default_factory=dict)

    def put(self, name: Name, value: Measured | None, why: str) -> None:
        if value is not None:
            self.found[name] = value
        else:
            self.missing[name] = why


def _traits(course: Course, seed: int, rounds: int) -> _Traits:
    told = _Traits(course.name)
    shape = _Shape(course.points, done=course.done, fed=course.fed) if course.points else None
    if shape is None:
        for name in ("lag", "top rate", "half", "nine tenths"):
            told.put(name, None, "no gravity was read")
    else:
        _timing(told, shape, random.Random(seed), rounds)  # noqa: S311 - a bootstrap is no secret
    told.put("strength", _strength(course, shape), _why_no_strength(course))
    told.put("clearing", _clearing(course), "it was not fined and then seen clear")
    told.put("sediment", _sediment(course), "no racking with a loss and a volume is noted")
    end = told.found.get("nine tenths")
    why = told.missing.get("nine tenths", "") if course.warmth else "no temperature was read"
    told.put("warmth", _warmth(course, end), why)
    return told


_UNDONE: Final = "it is still at work"


def _timing(told: _Traits, shape: _Shape, chance: random.Random, rounds: int) -> None:
    names: tuple[Name, ...] = ("lag", "top rate", "half", "nine tenths")
    base = shape.read(shape.values)
    drawn = [shape.read(shape.again(chance)) for _ in range(rounds)]
    for name in names:
        value = base[name]
        if value is None:
            told.put(name, None, shape.why(name))
            continue
        seen = [each for each in (draw[name] for draw in drawn) if each is not None]
        spread = statistics.stdev(seen) if len(seen) > rounds // 2 else math.inf
        if math.isinf(spread):
            told.put(name, None, "its readings scatter too much to tell")
            continue
        apart = 0.0 if name == "top rate" else shape.apart(value) / math.sqrt(12.0)
        told.put(name, Measured(value, math.hypot(spread, apart)), "")


class _Shape:
    """A gravity curve that can be smoothed again and again with other noise on it."""

    def __init__(self, points: Sequence[Point], *, done: bool, fed: bool) -> None:
        self.hours = [point.hours for point in points]
        self.values = [point.gravity for point in points]
        self.done, self.fed = done, fed
        self.late = self.hours[0] > LATE_H
        self._errors = [point.error for point in points]
        self._step = _typical(self.hours)
        self._dense = len(points) >= LEAST_POINTS and self._step <= SMOOTH_H / 3.0
        self._near, self._day = self._windows(SMOOTH_H), self._windows(RATE_H)
        self._early = max(1, bisect_right(self.hours, self.hours[0] + START_H)) if self._dense else 1
        self.smooth = self._smoothed(self.values)
        self._noise, self._memory = self._scatter() if self._dense else (0.0, 0.0)

    def _windows(self, width: float) -> list[tuple[int, int]]:
        half = width / 2.0
        return [(bisect_left(self.hours, at - half), bisect_right(self.hours, at + half)) for at in self.hours]

    def _scatter(self) -> tuple[float, float]:
        """Standard deviation of a reading's noise and what is left of it from one reading to the next."""
        left = [value - smooth for value, smooth in zip(self.values, self.smooth, strict=True)]
        first = self._rest_from()
        if len(left) - first < REST_LEAST:
            return _autoregression(left, round(SMOOTH_H / self._step) + 1)
        noise, memory = _autoregression(_detrended(self.values[first:]), len(left) - first)
        return noise * max(1.0, _rms(left) / max(_rms(left[first:]), 1e-9)), memory

    def _rest_from(self) -> int:
        """The first reading after its fall; none of them while it falls."""
        if not self.done:
            return len(self.values)
        start, end = statistics.fmean(self.values[: self._early]), self._end(self.values)
        limit = end + max(0.03 * (start - end), 0.0)
        return next((index for index in range(len(self.smooth), 0, -1) if self.smooth[index - 1] > limit), 0)

    def again(self, chance: random.Random) -> list[float]:
        """The smooth curve with other noise on it; few readings are moved by their own errors."""
        if not self._dense:
            return [value + chance.gauss(0.0, error) for value, error in zip(self.values, self._errors, strict=True)]
        told, noise, before = [], chance.gauss(0.0, self._noise), self.hours[0]
        for at, value in zip(self.hours, self.smooth, strict=True):
            kept = self._memory ** ((at - before) / self._step) if at > before else 1.0
            noise = kept * noise + chance.gauss(0.0, self._noise * math.sqrt(1.0 - kept * kept))
            told.append(value + noise)
            before = at
        return told

    def _smoothed(self, values: Sequence[float]) -> list[float]:
        """At each reading the straight line through those round it; few readings stay as they are."""
        return [at for at, _ in self._lines(values, self._near)] if self._dense else list(values)

    def _lines(self, values: Sequence[float], windows: Sequence[tuple[int, int]]) -> list[tuple[float, float]]:
        """Value and slope (SG an hour) at each reading of the straight line through its window, by running sums."""
        xs, ys, xx, xy = [0.0], [0.0], [0.0], [0.0]
        base = values[0]  # keeps the sums small
        for at, value in zip(self.hours, values, strict=True):
            xs.append(xs[-1] + at)
            ys.append(ys[-1] + value - base)
            xx.append(xx[-1] + at * at)
            xy.append(xy[-1] + at * (value - base))
        told = []
        for at, (low, high) in zip(self.hours, windows, strict=True):
            n = high - low
            mean_x, mean_y = (xs[high] - xs[low]) / n, (ys[high] - ys[low]) / n
            width = xx[high] - xx[low] - n * mean_x * mean_x
            slope = (xy[high] - xy[low] - n * mean_x * mean_y) / width if width > 1e-9 else 0.0
            told.append((base + mean_y + slope * (at - mean_x), slope))
        return told

    def read(self, values: Sequence[float]) -> dict[Name, float | None]:
        """What one curve of this kind tells."""
        told: dict[Name, float | None] = {"lag": None, "top rate": None, "half": None, "nine tenths": None}
        smooth = self._smoothed(values)
        lines = self._lines(values, self._day) if self._dense else []
        start = statistics.fmean(values[: self._early])
        told["lag"] = None if self.late else self._crossing(smooth, start - LAG_FALL)
        whole = [slope for at, (_, slope) in zip(self.hours, lines, strict=False)
                 if self.hours[0] + RATE_H / 2.0 <= at <= self.hours[-1] - RATE_H / 2.0]  # fmt: skip
        told["top rate"] = -24.0 * min(whole) if whole else None
        if self.done and not self.fed and not self.late:
            end = self._end(values)
            if start - end > 2.0 * LAG_FALL:
                told["half"] = self._crossing(smooth, start - 0.5 * (start - end))
                told["nine tenths"] = self._crossing(smooth, start - 0.9 * (start - end))
        return told

    def _end(self, values: Sequence[float]) -> float:
        """Where it came to rest: the mean of its last day."""
        late = bisect_left(self.hours, self.hours[-1] - RATE_H) if self._dense else len(values) - 1
        return statistics.fmean(values[late:])

    def level(self) -> Measured:
        """That level with its error, the one that all readings of the probe share included."""
        late = bisect_left(self.hours, self.hours[-1] - RATE_H) if self._dense else len(self.values) - 1
        return Measured(self._end(self.values), max(self._errors[late:]))

    def _crossing(self, smooth: Sequence[float], level: float) -> float | None:
        """When it fell below a level for good: the last time that it came from above."""
        for index in range(len(smooth) - 1, 0, -1):
            above, below = smooth[index - 1], smooth[index]
            if above > level >= below:
                share = (above - level) / (above - below)
                return self.hours[index - 1] + share * (self.hours[index] - self.hours[index - 1])
        return None

    def apart(self, at: float) -> float:
        """Hours between the two readings round a time."""
        index = min(max(bisect_left(self.hours, at), 1), len(self.hours) - 1)
        return self.hours[index] - self.hours[index - 1]

    def why(self, name: Name) -> str:
        """Why a curve does not tell something."""
        if name == "top rate":
            return "too few readings for a rate over a day"
        if self.late or (name == "lag" and self.done):
            return "its start was not read"
        if name == "lag":
            return "it has not fallen by 0.003 yet"
        if self.fed:
            return "it was fed on the way, so that its fall has no one beginning"
        return _UNDONE if not self.done else "too little of its fall was read"


def _typical(hours: Sequence[float]) -> float:
    steps = [later - at for at, later in pairwise(hours)]
    return statistics.median(steps) if steps else math.inf


def _rms(values: Sequence[float]) -> float:
    return math.sqrt(math.fsum(value * value for value in values) / len(values))


def _detrended(values: Sequence[float]) -> list[float]:
    slope, base = statistics.linear_regression(range(len(values)), values)
    return [value - base - slope * index for index, value in enumerate(values)]


def _autoregression(left: Sequence[float], size: int) -> tuple[float, float]:
    """Standard deviation and lag-one memory of the noise whose residuals from lines through `size` readings these are.

    Lines take some of both along. Memory: Kendall's correction for a fitted line, (2 + 4 m) / size (Biometrika 41:403,
    1954, from memory); variance: two parameters, each worth (1 + m) / (1 - m) readings.
    """
    whole = math.fsum(each * each for each in left)
    if whole <= 0.0:
        return 0.0, 0.0
    seen = math.fsum(each * after for each, after in pairwise(left)) / whole
    memory = min(max(0.0, (seen + 2.0 / size) / (1.0 - min(0.9, 4.0 / size))), MOST_MEMORY)
    kept = max(0.2, 1.0 - 2.0 * (1.0 + memory) / ((1.0 - memory) * size))
    return math.sqrt(whole / len(left) / kept), memory


# --- what else is known ------------------------------------------------------------------------------------------


def _strength(course: Course, shape: _Shape | None) -> Measured | None:
    """By the two gravities; the formula's own error is left out, because both batches share it."""
    if not course.done or course.original is None or course.no_strength:
        return None
    final = course.final or (shape.level() if shape is not None else None)
    if final is None:
        return None
    at = _abv_at(course.original.value, final.value)
    if at is None:
        return None
    step = 1e-4
    by_original = _slope(lambda og: _abv_at(og, final.value), course.original.value, step)
    original = course.original.value
    by_final = _slope(lambda fg: _abv_at(original, fg), final.value, step)
    return Measured(at, math.hypot(by_original * course.original.error, by_final * final.error))


def _abv_at(og: float, fg: float) -> float | None:
    try:
        return alcohol.abv(og, fg)
    except ValueError:
        return None


def _slope(of: Callable[[float], float | None], at: float, step: float) -> float:
    low, high = of(at - step), of(at + step)
    return 0.0 if low is None or high is None else (high - low) / (2.0 * step)


def _why_no_strength(course: Course) -> str:
    if not course.done or course.no_strength:
        return course.no_strength or _UNDONE
    return "its original gravity is not known" if course.original is None else "its final gravity is not known"


def _clearing(course: Course) -> Measured | None:
    """The middle between two looks: it became clear anywhere between them."""
    if course.clearing_h is None:
        return None
    cloudy, clear = course.clearing_h
    return Measured((cloudy + clear) / 2.0, (clear - cloudy) / math.sqrt(12.0))


def _sediment(course: Course) -> Measured | None:
    """As a share of the volume before, per cent, so that vessels of two sizes can be compared."""
    if course.loss_l is None or course.volume_l is None:
        return None
    loss, volume = course.loss_l, course.volume_l
    share = loss.value / volume.value
    return Measured(100.0 * share, 100.0 * math.hypot(loss.error, share * volume.error) / volume.value)


def _warmth(course: Course, end: Measured | None) -> Measured | None:
    if not course.warmth or end is None:
        return None
    inside = [warm for at, warm in course.warmth if at <= end.value]
    return Measured(statistics.fmean(inside), THERMOMETER_ERROR) if inside else None


# --- in words ----------------------------------------------------------------------------------------------------

_MORE: Final[dict[Name, tuple[str, str]]] = {
    "lag": ("started {by} h later", "started {by} h sooner"),
    "top rate": ("fell faster at its fastest, by {by} a day", "fell more slowly at its fastest, by {by} a day"),
    "half": ("reached half of its fall {by} h later", "reached half of its fall {by} h sooner"),
    "nine tenths": ("reached 90 % of it {by} h later", "reached 90 % of it {by} h sooner"),
    "strength": ("ended stronger by {by} % by volume", "ended weaker by {by} % by volume"),
    "clearing": ("took {by} h longer to clear", "cleared {by} h sooner"),
    "sediment": ("left more sediment, by {by} % of its volume", "left less sediment, by {by} % of its volume"),
    "warmth": ("was {by} K warmer on average", "was {by} K cooler on average"),
}
_SHORT: Final[dict[Name, str]] = {
    "lag": "the start", "top rate": "the fastest fall", "half": "the time to half of the fall",
    "nine tenths": "the time to 90 % of it", "strength": "the strength", "clearing": "the clearing time",
    "sediment": "the sediment", "warmth": "the mean temperature",
}  # fmt: skip


def _summary(first: str, second: str, rows: Sequence[Difference]) -> str:
    told = [row for row in rows if row.beyond is not None]
    if not told:
        return f"{first} and {second} cannot be compared yet ({rows[0].missing})."
    beyond = [row for row in told if row.beyond]
    alike = [row for row in told if not row.beyond]
    said = []
    if beyond:
        said.append(f"Against {first}, {second} {_list([_said(row) for row in beyond])}: more than the noise.")
    else:
        said.append(f"{first} and {second} cannot be told apart by what was measured.")
    if beyond and alike:
        many = len(alike) > 1
        words = _list([_SHORT[row.name] for row in alike])
        said.append(f"{words[0].upper()}{words[1:]} {'differ' if many else 'differs'} by no more than the noise.")
    left = [row.name for row in rows if row.beyond is None]
    if left:
        words = _list([_SHORT[name] for name in left])
        said.append(f"Not compared, because something is missing: {words}.")
    if len(told) > 1:
        said.append(
            f"Of {len(told)} things compared, each has a chance of one in twenty to seem different by noise alone; "
            "and one pair shows that two batches differed, not why."
        )
    return " ".join(said)


def _said(row: Difference) -> str:
    assert row.by is not None
    return _MORE[row.name][row.by < 0].format(by=f"{abs(row.by):.{DIGITS[row.name]}f}")


def _list(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def shown(row: Difference) -> tuple[str, str, str, str]:
    """A row for a table: the first, the second, their difference, and whether it is more than the noise."""
    digits = DIGITS[row.name]

    def value(each: Measured | None) -> str:
        return "–" if each is None else f"{each.value:.{digits}f} ± {each.error:.{digits}f}"

    if row.by is None or row.error is None:
        return value(row.first), value(row.second), "–", row.missing
    signed = (
        f"{round(row.by, digits) + 0.0:+.{digits}f}".replace("-", "−") if round(row.by, digits) else f"{0:.{digits}f}"
    )
    by = f"{signed} ± {row.error:.{digits}f}"
    return value(row.first), value(row.second), by, "yes" if row.beyond else "no"
