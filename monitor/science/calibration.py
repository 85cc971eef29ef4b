"""From what a probe says to what it means, by two to eight measured points, with the error stated.

The curve is the simplest that the points allow: a straight line while it passes them within the error of one
point (twice that at worst), else a parabola by least squares, for float angles and the like bend gently and
smoothing removes reading errors that a curve through every point would follow. A parabola that turns round
inside the stretch it must serve is refused; straight pieces from point to point, which cannot turn, take its
place, and their error is what leaving one point out would cost. Two points give a line, and an error that is
the point error alone, as nothing checks it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Final, Literal

from monitor.science._checks import positive

if TYPE_CHECKING:
    from collections.abc import Sequence

MARGIN: Final = 0.10
"""Share of the span beyond the outermost points up to which a reading still counts as inside."""

Kind = Literal["line", "parabola", "pieces"]
Point = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Curve:
    """A fitted calibration. It rises or falls throughout; beyond the margin it runs on straight."""

    kind: Kind
    points: tuple[Point, ...]
    """Sorted by reading."""
    coefficients: tuple[float, ...]
    """Of the scaled reading (-1 at the first point, 1 at the last); none for pieces."""
    residual_sd: float
    """Standard deviation of the points about the curve, with the degrees of freedom left; 0 if none are."""
    error_sd: float
    """Standard error of one point: the larger of the one claimed and the one seen."""
    covariance: tuple[tuple[float, ...], ...]
    """Of the coefficients, for an error of one; none for pieces."""

    @property
    def span(self) -> tuple[float, float]:
        """The outermost readings."""
        return self.points[0][0], self.points[-1][0]

    @property
    def worst_residual(self) -> float:
        """Largest distance of a point from the curve, in the unit of the value."""
        return max(abs(self.value(reading) - value) for reading, value in self.points)

    def outside(self, reading: float) -> bool:
        """Whether a reading lies beyond the points by more than a tenth of their span."""
        return abs(self._scaled(reading)) > 1.0 + 2.0 * MARGIN

    def value(self, reading: float) -> float:
        """What the reading means, in the unit of the points' values. ValueError unless it is finite."""
        u = self._scaled(reading)
        if self.kind == "pieces":
            return self._piece(reading)
        edge = min(max(u, -1.0 - 2.0 * MARGIN), 1.0 + 2.0 * MARGIN)
        return _poly(self.coefficients, edge) + _slope(self.coefficients, edge) * (u - edge)

    def error(self, reading: float) -> float:
        """Standard error of `value`: of the curve, not of the reading. It grows away from the points."""
        u = self._scaled(reading)
        beyond = max(0.0, abs(u) - 1.0)
        if self.kind == "pieces":
            return self.error_sd * (1.0 + beyond)
        powers = [u**i for i in range(len(self.coefficients))]
        leverage = sum(
            a * b * c for a, row in zip(powers, self.covariance, strict=True) for b, c in zip(powers, row, strict=True)
        )
        return self.error_sd * math.sqrt(max(leverage, 0.0))

    def _scaled(self, reading: float) -> float:
        if not math.isfinite(reading):
            raise ValueError(f"a reading must be a finite number; it is {reading!r}")
        first, last = self.span
        return (2.0 * reading - first - last) / (last - first)

    def _piece(self, reading: float) -> float:
        return _along(self.points, reading)


def fit(points: Sequence[Point], point_error: float = 0.001) -> Curve:
    """Fit two to eight (reading, value) points.

    `point_error` is the standard error of one point's value, in its unit (0.001, a hydrometer's graduation,
    suits gravity). ValueError, saying which points, when: fewer than two or more than eight; a number is not
    finite; a reading occurs twice; the values do not rise throughout or fall throughout.
    Source: least squares (textbook); the choice of curve is explained at the top of this module.
    """
    ordered = _checked(points)
    positive("point error", point_error)
    line = _least_squares(ordered, 1, point_error)
    if len(ordered) == 2 or _fits(line, point_error):
        return line
    parabola = _least_squares(ordered, 2, point_error)
    if _keeps_direction(parabola):
        return parabola
    return _pieces(ordered, point_error)


def _checked(points: Sequence[Point]) -> tuple[Point, ...]:
    if not 2 <= len(points) <= 8:
        raise ValueError(f"a calibration needs 2 to 8 points; there are {len(points)}")
    for point in points:
        if not all(math.isfinite(number) for number in point):
            raise ValueError(f"calibration points must be finite numbers; {point!r} is not")
    ordered = tuple(sorted((float(reading), float(value)) for reading, value in points))
    rises = ordered[-1][1] > ordered[0][1]
    for a, b in pairwise(ordered):
        if a[0] == b[0]:
            raise ValueError(f"each reading may occur once in a calibration; {a[0]:g} occurs twice")
        if a[1] == b[1] or (b[1] > a[1]) != rises:
            raise ValueError(
                "calibration values must rise or fall throughout as readings rise; "
                f"{a[0]:g} -> {a[1]:g} and {b[0]:g} -> {b[1]:g} break that"
            )
    return ordered


def _poly(coefficients: Sequence[float], u: float) -> float:
    return sum(c * u**i for i, c in enumerate(coefficients))


def _slope(coefficients: Sequence[float], u: float) -> float:
    return sum(i * c * u ** (i - 1) for i, c in enumerate(coefficients) if i)


def _along(points: Sequence[Point], reading: float) -> float:
    """Straight from point to point, the outer pieces run on."""
    index = 1
    while index < len(points) - 1 and reading > points[index][0]:
        index += 1
    (x0, y0), (x1, y1) = points[index - 1], points[index]
    return y0 + (y1 - y0) * (reading - x0) / (x1 - x0)


def _inverse(matrix: list[list[float]]) -> list[list[float]]:
    """Gauss–Jordan with pivoting; two or three rows, well conditioned since readings are scaled."""
    size = len(matrix)
    rows = [row + [float(i == j) for j in range(size)] for i, row in enumerate(matrix)]
    for i in range(size):
        pivot = max(range(i, size), key=lambda r: abs(rows[r][i]))
        rows[i], rows[pivot] = rows[pivot], rows[i]
        rows[i] = [v / rows[i][i] for v in rows[i]]
        for r in range(size):
            if r != i:
                rows[r] = [v - rows[r][i] * w for v, w in zip(rows[r], rows[i], strict=True)]
    return [row[size:] for row in rows]


def _least_squares(points: tuple[Point, ...], degree: int, point_error: float) -> Curve:
    first, last = points[0][0], points[-1][0]
    us = [(2.0 * x - first - last) / (last - first) for x, _ in points]
    ys = [y for _, y in points]
    terms = range(degree + 1)
    normal = [[sum(u ** (i + j) for u in us) for j in terms] for i in terms]
    inverse = _inverse(normal)
    moments = [sum(y * u**i for u, y in zip(us, ys, strict=True)) for i in terms]
    coefficients = tuple(sum(a * m for a, m in zip(row, moments, strict=True)) for row in inverse)
    free = len(points) - degree - 1
    squares = sum((y - _poly(coefficients, u)) ** 2 for u, y in zip(us, ys, strict=True))
    residual = math.sqrt(squares / free) if free else 0.0
    return Curve(
        kind="line" if degree == 1 else "parabola",
        points=points,
        coefficients=coefficients,
        residual_sd=residual,
        error_sd=max(residual, point_error),
        covariance=tuple(tuple(row) for row in inverse),
    )


def _fits(line: Curve, point_error: float) -> bool:
    return line.residual_sd <= point_error and line.worst_residual <= 2.0 * point_error


def _keeps_direction(parabola: Curve) -> bool:
    rises = parabola.points[-1][1] > parabola.points[0][1]
    edge = 1.0 + 2.0 * MARGIN
    return all((_slope(parabola.coefficients, u) > 0.0) == rises for u in (-edge, edge))


def _pieces(points: tuple[Point, ...], point_error: float) -> Curve:
    missed = [_along(points[:i] + points[i + 1 :], points[i][0]) - points[i][1] for i in range(1, len(points) - 1)]
    seen = math.sqrt(sum(miss * miss for miss in missed) / len(missed))
    return Curve(
        kind="pieces",
        points=points,
        coefficients=(),
        residual_sd=0.0,
        error_sd=max(seen, point_error),
        covariance=(),
    )
