"""Curves for paper and screens: gravity above, temperature below, one batch or two on one scale of time since pitch.

Two batches differ by the form of their line and of the marks on it, never by colour alone. As in `drawing.py` only
geometry is made here; the template writes the elements.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

from monitor.model.clock import HOUR
from monitor.report.curve import Curve, Line, Point
from monitor.report.drawing import GRAVITY_LEAST, WARMTH_LEAST, Mark, Scale, days_of, gaps_of, scale_of

LEFT = 56
RIGHT = 14
GAP = 34
MARKS_EVERY = 9  # parts of the width between two marks on a line


@dataclass(frozen=True, slots=True)
class Size:
    """How large it is drawn; the text in it stays as large."""

    width: int
    gravity: int
    warmth: int


WIDE = Size(720, 250, 84)
NARROW = Size(350, 190, 70)


@dataclass(frozen=True, slots=True)
class Trace:
    """One batch's line in a panel: its form is `style` (0 solid with dots, 1 dashed with squares)."""

    name: str
    style: int
    path: str
    marks: list[tuple[float, float]]


@dataclass(frozen=True, slots=True)
class Panel:
    """One of the two diagrams."""

    title: str
    top: float
    foot: float
    grid: list[Mark]
    traces: list[Trace]
    hand: list[tuple[float, float, float, float]] = field(default_factory=list)  # x, y, top and foot of the error
    final: float | None = None
    band: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class Flag:
    """Something that was done, by a letter at the top."""

    x: float
    y: float
    letter: str


@dataclass(frozen=True, slots=True)
class Figure:
    """All that the template needs."""

    size: Size
    panels: list[Panel]
    days: list[Mark]
    unit: str
    foot: float
    gaps: list[tuple[float, float]]
    flags: list[Flag]
    names: list[str]
    left: int = LEFT

    @property
    def right(self) -> int:
        """Where the panels end."""
        return self.size.width - RIGHT

    @property
    def height(self) -> float:
        """Of the whole drawing."""
        return self.foot + 42


def figure(
    curves: Sequence[Curve],
    size: Size = WIDE,
    final: tuple[float, float, float] | None = None,
    flags: Iterable[tuple[int, str]] = (),
) -> Figure | None:
    """Draw one curve or two, aligned at pitch; None where there is nothing to draw.

    `final` is the expected end and its range, `flags` are times (UTC ms, of the first curve) with their letters.
    """
    told = [_aligned(curve) for curve in curves]
    end = max((curve.to_ms for curve in told), default=0)
    across = Scale(0, max(end, HOUR), LEFT, size.width - RIGHT)
    gravity = _gravity(told, across, size, final)
    top = gravity.foot + GAP if gravity else 30.0
    warmth = _panel("Temperature, °C", told, "temperature", across, (top, top + size.warmth), WARMTH_LEAST, 0)
    panels = [panel for panel in (gravity, warmth) if panel is not None]
    if not panels:
        return None
    days, unit = days_of(across, most=7 if size.width > 500 else 5)
    start = curves[0].from_ms
    lines = [line for line in told[0].lines if line.quantity == "gravity"] or told[0].lines
    return Figure(
        size=size,
        panels=panels,
        days=days,
        unit=unit,
        foot=panels[-1].foot,
        gaps=gaps_of(lines, across, curves[0].cell_ms) if len(curves) == 1 else [],
        flags=_flags([(at - start, letter) for at, letter in flags], across, panels[0].top),
        names=[curve.batch for curve in curves],
    )


def _flags(told: Sequence[tuple[int, str]], across: Scale, top: float) -> list[Flag]:
    """One below the other where they would stand in each other's way."""
    placed: list[Flag] = []
    for at, letter in told:
        if 0 <= at <= across.high:
            x, y = across.at(at), top + 11.0
            while any(abs(x - each.x) < 12.0 and abs(y - each.y) < 12.0 for each in placed):
                y += 13.0
            placed.append(Flag(x, y, letter))
    return placed


def _aligned(curve: Curve) -> Curve:
    """With times since pitch."""
    lines = [
        Line(line.probe, line.quantity, [[(at - curve.from_ms, value) for at, value in part] for part in line.parts])
        for line in curve.lines
    ]
    hand = [replace(point, at_ms=point.at_ms - curve.from_ms) for point in curve.hand]
    return Curve(curve.batch, 0, curve.to_ms - curve.from_ms, curve.cell_ms, lines, hand)


def _gravity(
    curves: Sequence[Curve], across: Scale, size: Size, final: tuple[float, float, float] | None
) -> Panel | None:
    places = (30.0, 30.0 + size.gravity)
    extra = [point.gravity for curve in curves for point in curve.hand]
    if final is not None and any(line.quantity == "gravity" for curve in curves for line in curve.lines):
        extra.append(final[0])
    return _panel("Gravity, SG 20/20", curves, "gravity", across, places, GRAVITY_LEAST, 3, extra, final)


def _panel(
    title: str,
    curves: Sequence[Curve],
    quantity: str,
    across: Scale,
    places: tuple[float, float],
    least: float,
    digits: int,
    extra: Sequence[float] = (),
    final: tuple[float, float, float] | None = None,
) -> Panel | None:
    lines = [(index, line) for index, curve in enumerate(curves) for line in _of(curve, quantity, len(curves))]
    values = [value for _, line in lines for part in line.parts for _, value in part] + list(extra)
    top, foot = places
    scale = scale_of(values, least, top, foot)
    if scale is None:
        return None
    count = round((scale.high - scale.low) / scale.step)
    skip = 1 if foot - top > 120 or count <= 3 else count  # a low panel shows its ends only
    grid = [
        Mark(scale.at(level), f"{level:.{digits}f}")
        for level in (scale.low + index * scale.step for index in range(0, count + 1, skip))
    ]
    by_hand = quantity == "gravity" and len(curves) == 1
    return Panel(
        title=title,
        top=top,
        foot=foot,
        grid=grid,
        traces=[_trace(curves[index].batch, index, line.parts, across, scale) for index, line in lines],
        hand=[
            (across.at(point.at_ms), scale.at(point.gravity),
             scale.at(point.gravity + 1.645 * point.error), scale.at(point.gravity - 1.645 * point.error))
            for point in curves[0].hand
        ] if by_hand else [],
        final=scale.at(final[0]) if final is not None and extra else None,
        band=_band(final, scale) if final is not None and extra else None,
    )  # fmt: skip


def _of(curve: Curve, quantity: str, curves: int) -> list[Line]:
    """The lines of a quantity: all of one batch, of two only the most trusted; else what was read by hand, joined."""
    found = [line for line in curve.lines if line.quantity == quantity]
    if curves == 1:
        return found
    if not found and quantity == "gravity" and curve.hand:
        return [Line("hand", quantity, [[(point.at_ms, point.gravity) for point in curve.hand]])]
    return found[:1]


def _band(final: tuple[float, float, float], scale: Scale) -> tuple[float, float] | None:
    low, high = max(final[1], scale.low), min(final[2], scale.high)
    return (scale.at(high), round(scale.at(low) - scale.at(high), 1)) if high > low else None


def _trace(name: str, style: int, parts: Sequence[Sequence[Point]], across: Scale, scale: Scale) -> Trace:
    pieces = []
    marks: list[tuple[float, float]] = []
    step = (across.end - across.start) / MARKS_EVERY
    due = across.start + step * (0.5 + 0.5 * style)  # the two lines' marks do not fall on each other
    for part in parts:
        places = [(across.at(at), scale.at(value)) for at, value in part]
        if len(places) == 1:
            marks.append(places[0])
            continue
        pieces.append("M" + "L".join(f"{x:g} {y:g}" for x, y in places))
        for x, y in places:
            if x >= due:
                marks.append((x, y))
                due = x + step
    return Trace(name, style, "".join(pieces), marks)
