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
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Final, Literal

from monitor.batches.shape import UNDONE, CurveName, Measured, Point, Shape
from monitor.science import alcohol

Z95: Final = 1.96
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


def compare(first: Course, second: Course, *, seed: int = 1, rounds: int = 120) -> Comparison:
    """Hold two batches beside each other. The same courses and seed give the same answer."""
    one, two = _traits(first, seed, rounds), _traits(second, seed + 1, rounds)
    rows = tuple(_difference(name, one, two) for name in TITLES)
    return Comparison(first.name, second.name, rows, _summary(first.name, second.name, rows))


def measure(course: Course, *, seed: int = 1, rounds: int = 120) -> dict[Name, Measured]:
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
    shape = Shape(course.points, done=course.done, fed=course.fed) if course.points else None
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


def _timing(told: _Traits, shape: Shape, chance: random.Random, rounds: int) -> None:
    names: tuple[CurveName, ...] = ("lag", "top rate", "half", "nine tenths")
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


# --- what else is known ------------------------------------------------------------------------------------------


def _strength(course: Course, shape: Shape | None) -> Measured | None:
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
        return course.no_strength or UNDONE
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
