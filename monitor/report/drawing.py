"""A batch's curves as one small drawing (SVG): gravity above, temperature below, on one scale of days since pitch.

A gap stays a gap, shaded; what a person read is a diamond with its error. Only geometry is made here: the template
writes the elements, so that every text is escaped in one place.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

from monitor.model.clock import DAY, HOUR
from monitor.report.curve import Curve, Line, Point

LEFT, RIGHT = 46, 350
GRAVITY_TOP, GRAVITY_FOOT = 22, 132
WARMTH_FOOT, WARMTH_HIGH = 212, 52
GRAVITY_LEAST = 0.010
WARMTH_LEAST = 4.0


@dataclass(frozen=True, slots=True)
class Mark:
    """A line of the grid and its label."""

    at: float
    label: str


@dataclass(frozen=True, slots=True)
class Panel:
    """One of the two diagrams."""

    top: int
    foot: int
    marks: list[Mark]
    paths: list[str]  # one for each probe; the first is the one trusted most
    dots: list[tuple[float, float]] = field(default_factory=list)  # readings that stand alone


@dataclass(frozen=True, slots=True)
class Drawing:
    """All that the template needs."""

    gravity: Panel | None
    warmth: Panel | None
    days: list[Mark]
    gaps: list[tuple[float, float]]  # x and width where nothing was heard
    hand: list[tuple[float, float, float, float]]  # x, y, top and foot of the error
    final: float | None  # y of the expected final gravity
    band: tuple[float, float] | None  # y and height of its range
    unit: str
    foot: int  # y of the scale of days


@dataclass(frozen=True, slots=True)
class Scale:
    """From values to places."""

    low: float
    high: float
    start: float
    end: float
    step: float = 1.0  # between marks

    def at(self, value: float) -> float:
        """Where a value lies."""
        return round(self.start + (value - self.low) / (self.high - self.low) * (self.end - self.start), 1)


def drawing(curve: Curve, final: dict[str, object] | None) -> Drawing | None:
    """The drawing of a curve; None while there is nothing to draw."""
    gravity = [line for line in curve.lines if line.quantity == "gravity"]
    warmth = [line for line in curve.lines if line.quantity == "temperature"]
    if not gravity and not warmth and not curve.hand:
        return None
    across = Scale(curve.from_ms, max(curve.to_ms, curve.from_ms + HOUR), LEFT, RIGHT)
    levels = [value for line in gravity for _, value in _points(line)]
    levels += [point.gravity for point in curve.hand]
    aim = float(final["gravity"]) if final and levels else None  # type: ignore[arg-type]
    scale = scale_of(levels + ([aim] if aim is not None else []), GRAVITY_LEAST, GRAVITY_TOP, GRAVITY_FOOT)
    days, unit = days_of(across)
    lowest = WARMTH_FOOT if scale else GRAVITY_TOP + WARMTH_HIGH  # alone, it moves up
    return Drawing(
        gravity=_panel(gravity, across, scale, GRAVITY_TOP, GRAVITY_FOOT, 3) if scale else None,
        warmth=_warmth(warmth, across, lowest),
        days=days,
        gaps=gaps_of(gravity or warmth, across, curve.cell_ms),
        hand=[
            (across.at(point.at_ms), scale.at(point.gravity), scale.at(point.gravity + 1.645 * point.error),
             scale.at(point.gravity - 1.645 * point.error))
            for point in curve.hand
        ] if scale else [],
        final=scale.at(aim) if scale and aim is not None else None,
        band=_band(final, scale) if scale and aim is not None else None,
        unit=unit,
        foot=lowest if warmth else GRAVITY_FOOT,
    )  # fmt: skip


def _points(line: Line) -> Sequence[Point]:
    return [point for part in line.parts for point in part]


def scale_of(values: list[float], least: float, top: float, foot: float) -> Scale | None:
    """Whole steps around the values, at least `least` high."""
    if not values:
        return None
    low, high = min(values), max(values)
    missing = max(0.0, least - (high - low)) / 2.0
    low, high = low - missing, high + missing
    step = _step(high - low, 4)
    return Scale(math.floor(low / step + 1e-9) * step, math.ceil(high / step - 1e-9) * step, foot, top, step)


def _step(span: float, wanted: int) -> float:
    rough = span / wanted
    power = 10.0 ** math.floor(math.log10(rough))
    return next(power * each for each in (1.0, 2.0, 5.0, 10.0) if power * each >= rough * 0.999)


def _panel(lines: list[Line], across: Scale, scale: Scale, top: int, foot: int, digits: int) -> Panel:
    count = round((scale.high - scale.low) / scale.step)
    levels = [scale.low + index * scale.step for index in range(count + 1)]
    marks = [Mark(scale.at(level), f"{level:.{digits}f}") for level in levels]
    paths: list[str] = []
    dots: list[tuple[float, float]] = []
    for line in lines:
        pieces = []
        for part in line.parts:
            places = [(across.at(at), scale.at(value)) for at, value in part]
            if len(places) == 1:
                dots.append(places[0])
            else:
                pieces.append("M" + "L".join(f"{x:g} {y:g}" for x, y in places))
        paths.append("".join(pieces))
    return Panel(top, foot, marks, paths, dots)


def _warmth(lines: list[Line], across: Scale, foot: int) -> Panel | None:
    values = [value for line in lines for _, value in _points(line)]
    if not values:
        return None
    scale = scale_of(values, WARMTH_LEAST, foot - WARMTH_HIGH, foot)
    assert scale is not None
    panel = _panel(lines, across, scale, foot - WARMTH_HIGH, foot, 0)
    return Panel(panel.top, panel.foot, [panel.marks[0], panel.marks[-1]], panel.paths, panel.dots)


def days_of(across: Scale, most: int = 7) -> tuple[list[Mark], str]:
    """Marks of whole days since its start, or of hours while it is young; about `most` of them."""
    span = across.high - across.low
    if span <= 2 * DAY:
        unit, size = "hours", HOUR
        step = next((each for each in (1, 2, 3, 6, 12) if span / HOUR / each <= most - 1), 24)
    else:
        days = span / DAY
        steps = (1, 2, 5, 7, 14, 28, 56, 112)
        unit, size, step = "days", DAY, next((each for each in steps if days / each <= most), 365)
    count = int(span / size / step)
    return [Mark(across.at(across.low + n * step * size), str(n * step)) for n in range(count + 1)], unit


def gaps_of(lines: Sequence[Line], across: Scale, cell_ms: int) -> list[tuple[float, float]]:
    """Where none of these probes was heard, the ends included."""
    heard = sorted((part[0][0], part[-1][0]) for line in lines for part in line.parts)
    if not heard:
        return []
    ends = [across.low]
    gaps = []
    for start, end in [*heard, (across.high, across.high)]:
        latest = max(ends)
        if start - latest > max(2 * cell_ms, HOUR):
            gaps.append((latest, start))
        ends.append(end)
    return [(across.at(start), round(across.at(end) - across.at(start), 1)) for start, end in gaps]


def _band(final: dict[str, object] | None, scale: Scale) -> tuple[float, float] | None:
    span = final["range"] if final else None
    if not isinstance(span, list):
        return None
    high, low = min(span[1], scale.high), max(span[0], scale.low)
    return (scale.at(high), round(scale.at(low) - scale.at(high), 1)) if high > low else None


def daily(curve: Curve) -> list[tuple[int, float | None, float | None]]:
    """The latest gravity and temperature of each day, for those who cannot see the drawing: time, gravity, warmth."""
    told: dict[int, dict[str, Point]] = {}
    for line in reversed(curve.lines):
        for at, value in _points(line):
            told.setdefault((at - curve.from_ms) // DAY, {})[line.quantity] = (at, value)
    for point in curve.hand:
        told.setdefault((point.at_ms - curve.from_ms) // DAY, {}).setdefault("gravity", (point.at_ms, point.gravity))
    rows = []
    for day in sorted(told):
        found = told[day]
        gravity, warmth = found.get("gravity"), found.get("temperature")
        at = max(point[0] for point in found.values())
        rows.append((at, gravity[1] if gravity else None, warmth[1] if warmth else None))
    return rows
