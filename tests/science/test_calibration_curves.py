"""Calibration curves: the right shape, an honest error, and refusals that name the points."""

import math
import random

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from monitor.science import calibration

from .tables import unhurried

FLOAT = ((25.1, 1.000), (40.3, 1.040), (55.9, 1.094))


def test_two_points_are_a_straight_line():
    """Two points give the line through them, with the claimed error at each and less between."""
    curve = calibration.fit([(512.0, 20.0), (300.0, 0.0)], 0.2)
    assert curve.kind == "line"
    assert curve.value(406.0) == pytest.approx(10.0)
    assert curve.error(300.0) == pytest.approx(0.2)
    assert curve.error(406.0) == pytest.approx(0.2 / math.sqrt(2.0))
    assert curve.residual_sd == 0.0


def test_a_bent_float_is_a_parabola_through_its_three_points():
    """Three points of a float that bends far more than a reading error give a parabola through them."""
    curve = calibration.fit(FLOAT)
    assert curve.kind == "parabola"
    for angle, gravity in FLOAT:
        assert curve.value(angle) == pytest.approx(gravity, abs=1e-9)
        assert curve.error(angle) == pytest.approx(0.001, rel=1e-6)


def test_three_points_of_a_line_stay_a_line():
    """Points within their error of a line give the line: reading errors are not followed."""
    curve = calibration.fit([(20.0, 1.0005), (40.0, 1.0393), (60.0, 1.0802)])
    assert curve.kind == "line"
    assert curve.error_sd >= 0.001
    assert curve.worst_residual < 0.001


def test_a_scatter_beyond_the_claimed_error_is_said():
    """When the points scatter more than claimed, the error is the scatter seen."""
    points = [(0.0, 0.0), (1.0, 1.3), (2.0, 1.8), (3.0, 3.3), (4.0, 3.7), (5.0, 5.2)]
    curve = calibration.fit(points, 0.01)
    assert curve.error_sd == curve.residual_sd > 0.15


def test_a_curve_that_would_turn_round_becomes_pieces():
    """Points that level off so far that a parabola would turn give straight pieces with a wide error."""
    points = [(0.0, 0.0), (1.0, 0.8), (2.0, 0.95), (3.0, 1.0)]
    curve = calibration.fit(points)
    assert curve.kind == "pieces"
    assert curve.value(0.5) == pytest.approx(0.4)
    assert curve.value(2.5) == pytest.approx(0.975)
    assert curve.value(4.0) == pytest.approx(1.05)
    assert curve.error(1.0) > 0.1
    assert curve.error(5.0) > curve.error(1.0)
    assert curve.worst_residual == 0.0


def test_outside_begins_a_tenth_of_the_span_beyond_the_points():
    """Readings up to a tenth of the span beyond the points are inside; further ones are flagged."""
    curve = calibration.fit([(10.0, 1.0), (30.0, 1.1)])
    for reading, outside in ((7.9, True), (8.1, False), (20.0, False), (31.9, False), (32.1, True)):
        assert curve.outside(reading) is outside
    assert curve.span == (10.0, 30.0)


def test_far_beyond_the_points_a_parabola_runs_on_straight():
    """Beyond the margin the curve continues along its tangent, without a step, on both sides."""
    curve = calibration.fit(FLOAT)
    first, last = curve.span
    margin = calibration.MARGIN * (last - first)
    for edge, away in ((first - margin, -1.0), (last + margin, 1.0)):
        near, mid, far = (curve.value(edge + away * d) for d in (10.0, 20.0, 30.0))
        assert far - mid == pytest.approx(mid - near, abs=1e-12)
        assert curve.value(edge + 1e-6) == pytest.approx(curve.value(edge - 1e-6), abs=1e-6)
    inside = [curve.value(first + d) for d in (0.0, 10.0, 20.0)]
    assert abs(inside[2] - 2.0 * inside[1] + inside[0]) > 1e-4


def test_the_error_grows_away_from_the_points():
    """Beyond the points the error grows steadily, for lines and parabolas."""
    for points in ([(10.0, 1.0), (30.0, 1.1)], FLOAT):
        curve = calibration.fit(points)
        last, span = points[-1][0], points[-1][0] - points[0][0]
        errors = [curve.error(last + share * span) for share in (0.0, 0.1, 0.3, 1.0)]
        assert errors == sorted(errors)
        assert errors[-1] > 1.5 * errors[0]


@pytest.mark.parametrize("kind", ["line", "parabola"])
def test_the_stated_error_is_the_spread_seen(kind):
    """Over 400 calibrations with known noise the curve's spread is the error it states, within 15 %."""
    rng = random.Random(12)
    xs = [0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0]
    bend = {"line": 0.0, "parabola": 0.02}[kind]
    misses, errors = [], []
    for _ in range(400):
        points = [(x, 0.5 * x + bend * x * x + rng.gauss(0.0, 0.01)) for x in xs]
        curve = calibration._least_squares(tuple(points), 1 if kind == "line" else 2, 0.0001)
        misses.append(curve.value(4.4) - (0.5 * 4.4 + bend * 4.4**2))
        errors.append(curve.error(4.4))
    seen = math.sqrt(sum(m * m for m in misses) / len(misses))
    said = math.sqrt(sum(e * e for e in errors) / len(errors))
    assert said == pytest.approx(seen, rel=0.15)


@st.composite
def rising_points(draw):
    """Two to eight points, strictly rising or falling, with steps of any unevenness."""
    count = draw(st.integers(2, 8))
    steps = st.floats(0.05, 20.0)
    x, y = draw(st.floats(-100.0, 100.0)), draw(st.floats(-10.0, 10.0))
    sign = draw(st.sampled_from([1.0, -1.0]))
    points = []
    for _ in range(count):
        points.append((x, y))
        x += draw(steps)
        y += sign * draw(steps)
    return draw(st.permutations(points))


@unhurried
@given(rising_points(), st.floats(-0.5, 1.4), st.floats(0.01, 0.5))
def test_every_curve_keeps_its_direction(points, where, more):
    """Whatever the points, the curve rises, or falls, throughout and far beyond them."""
    curve = calibration.fit(points, 0.01)
    first, last = curve.span
    a, b = first + where * (last - first), first + (where + more) * (last - first)
    rises = curve.points[-1][1] > curve.points[0][1]
    assert (curve.value(b) > curve.value(a)) is rises
    assert curve.error(a) >= 0.0


@unhurried
@given(rising_points(), st.floats(0.2, 5.0), st.floats(-50.0, 50.0))
def test_the_unit_of_the_readings_does_not_matter(points, scale, shift):
    """Readings in another unit give the same values and errors."""
    curve = calibration.fit(points, 0.01)
    moved = calibration.fit([(scale * x + shift, y) for x, y in points], 0.01)
    assume(curve.kind == moved.kind)
    x = sum(curve.span) / 2.0
    assert moved.value(scale * x + shift) == pytest.approx(curve.value(x), abs=1e-6)
    assert moved.error(scale * x + shift) == pytest.approx(curve.error(x), rel=1e-4, abs=1e-9)


@unhurried
@given(st.permutations(FLOAT))
def test_the_order_of_the_points_does_not_matter(points):
    """Points in any order give the same curve."""
    assert calibration.fit(points) == calibration.fit(FLOAT)


@pytest.mark.parametrize(
    ("points", "reason"),
    [
        ([(1.0, 1.0)], "2 to 8 points; there are 1"),
        ([(float(i), float(i)) for i in range(9)], "2 to 8 points; there are 9"),
        ([(25.0, 1.0), (25.0, 1.04)], "25 occurs twice"),
        ([(25.0, 1.0), (40.0, 1.0)], "25 -> 1 and 40 -> 1 break that"),
        ([(25.0, 1.0), (40.0, 1.05), (55.0, 1.04)], "40 -> 1.05 and 55 -> 1.04 break that"),
        ([(25.0, 1.0), (math.nan, 1.05)], "must be finite"),
        ([(25.0, math.inf), (30.0, 1.05)], "must be finite"),
    ],
)
def test_points_that_make_no_curve_are_refused(points, reason):
    """Too few, too many, repeated, turning or infinite points are refused, naming the culprits."""
    with pytest.raises(ValueError, match=reason):
        calibration.fit(points)


def test_impossible_errors_and_readings_are_refused():
    """A point error of 0 or a reading that is no number is refused."""
    with pytest.raises(ValueError, match="point error"):
        calibration.fit(FLOAT, 0.0)
    curve = calibration.fit(FLOAT)
    for use in (curve.value, curve.error, curve.outside):
        with pytest.raises(ValueError, match="finite"):
            use(math.nan)
